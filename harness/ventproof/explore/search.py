"""The search: random sequences of weather, played until one shows a fault, and that one made as short as it goes."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from math import inf
from typing import TYPE_CHECKING, Final, final

from ventproof.explore.draw import sequences
from ventproof.explore.emit import PlannedSequence, Writer
from ventproof.explore.sequence import gaps_s
from ventproof.profile.duration import longest_s
from ventproof.verdict.finding import (
    EXIT_BENCH,
    EXIT_FAIL,
    EXIT_INCONCLUSIVE,
    EXIT_PASS,
    Finding,
    Status,
    Verdict,
)

if TYPE_CHECKING:
    from ventproof.explore.sequence import Sequence as WeatherSequence
    from ventproof.profile.model import Profile
    from ventproof_bench.yamlfile.load import Loaded


_NAME: Final = "weather found by exploring"
_SHARE: Final = 0.5  # of the budget on real wires, for the doings of one sequence
_LATEST_S: Final = 600.0


def latest_s(budget_s: float, *, real: bool) -> float:
    """Return how late in a sequence something may still be done, seconds.

    Args:
        budget_s: how long to look, seconds on the clock.
        real: on real wires a sequence takes the time that it takes.
    """
    return budget_s * _SHARE if real else _LATEST_S


@final
@dataclass(frozen=True, slots=True)
class Played:
    """How one profile ended.

    Attributes:
        verdict: None when the bench broke the run off.
        findings: of its responses, in order.
        lasted_s: for how long the unit was watched, seconds.
    """

    verdict: Verdict | None
    findings: Sequence[Finding]
    lasted_s: float = 0.0


Player = Callable[["Loaded[Profile]"], Played]
"""Plays a profile against the unit."""


@final
@dataclass(frozen=True, slots=True)
class Failure:
    """What a unit did wrong.

    Attributes:
        step: the step in which it was found.
        number: of the response in that step.
        signal: what showed it.
        kind: of the response.
        demand: what was demanded.
        why: what the judge saw.
    """

    step: int
    number: int
    signal: str
    kind: str
    demand: str
    why: str

    @property
    def same_as(self) -> tuple[str, str]:
        """What two failures have in common that are the same one."""
        return self.signal, self.kind


@final
@dataclass(frozen=True, slots=True)
class Find:
    """A sequence in which the unit does not do what its table says.

    Attributes:
        written: the sequence, with the one demand that failed where that alone fails too.
        failure: what the unit did wrong.
    """

    written: PlannedSequence
    failure: Failure

    @property
    def name(self) -> str:
        """What its profile is called."""
        return f"found by exploring, {self.failure.signal} {self.failure.kind.replace('_', ' ')}"

    @property
    def text(self) -> str:
        """What was demanded of the unit, since when, and what it did instead."""
        failure = self.failure
        after = self.written.steps[failure.step - 1][failure.number].after
        since = "" if after is None else f", counted from: {self.written.sequence[after].move.planned.about}"
        return f"Required: {failure.signal} {failure.demand}{since}. Observed: {failure.why}."


@final
@dataclass(slots=True)
class Tally:
    """What was done so far.

    Attributes:
        played: sequences played, those that were made shorter included.
        undecided: those of them that neither passed nor failed.
        not_begun: those of the undecided whose unit never came to the start state.
        broken_off: those that the bench broke off.
        greenhouse_s: time of greenhouse in them all, seconds.
        first_actions: how many things were done in the sequence that first failed; 0 while none has.
        until_found: how many were played until then.
        best: the simplest sequence so far that fails.
        finished: whether it can be made no simpler.
        unfit: sequences that were not played because they could have taken longer than what was left.
    """

    played: int = 0
    undecided: int = 0
    not_begun: int = 0
    broken_off: int = 0
    greenhouse_s: float = 0.0
    first_actions: int = 0
    until_found: int = 0
    best: Find | None = None
    finished: bool = False
    unfit: int = 0

    @property
    def code(self) -> int:
        """The exit code: a find first, then a bench that broke off, then whatever was not decided."""
        if self.best is not None:
            return EXIT_FAIL
        if self.broken_off:
            return EXIT_BENCH
        return EXIT_INCONCLUSIVE if self.undecided or not self.played else EXIT_PASS

    def take(self, played: Played) -> None:
        """Take how a sequence ended."""
        self.played += 1
        self.greenhouse_s += played.lasted_s
        if played.verdict is None:
            self.broken_off += 1
        elif played.verdict is Verdict.INCONCLUSIVE:
            self.undecided += 1
            self.not_begun += any(f.step == 0 and f.status is not Status.PASS for f in played.findings)


class _Over(BaseException):
    """Ends the search from within; nothing on the way takes it for an answer of the unit's."""


class _FoundError(Exception):
    """Tells the engine that a sequence fails."""


@final
@dataclass(slots=True)
class Explorer:
    """Explores one unit.

    Attributes:
        writer: writes profiles for what the unit must do, and the bench that it is wired to.
        play: plays a profile.
        seed: another seed tries other sequences.
        examples: so many sequences are tried at most until one fails.
        left_s: how much of the time is left, seconds.
        real: playing takes the time that it takes on the clock, so that only what fits is played.
        longest_s: nothing is done later than this after a sequence begins, seconds.
        told: called after every sequence that was played.
        known: how profiles end that were played before, by their digest: this takes no time.
        tally: what was done before.
    """

    writer: Writer
    play: Player
    seed: int | str = 0
    examples: int = 1000
    left_s: Callable[[], float] = field(default=lambda: inf)
    real: bool = False
    longest_s: float = _LATEST_S
    told: Callable[[Tally], None] = field(default=lambda _: None)
    known: Mapping[str, Played] = field(default_factory=dict)
    tally: Tally = field(default_factory=Tally)
    _seen: dict[PlannedSequence, Failure | None] = field(init=False, default_factory=dict)

    def run(self) -> Find | None:
        """Explore; return the simplest sequence found that fails, or None.

        The same table, bench and seed give the same sequences, unless the time runs out.

        Raises:
            KeyboardInterrupt: the operator broke it off; what was found is in `tally.best`.
        """
        with suppress(_Over):
            self._search(shorten=True)
            self._reduce()
            self.tally.finished = not self.tally.unfit
        return self.tally.best

    def look(self) -> Find | None:
        """Explore up to the first sequence that fails, as `run` does before it makes that shorter."""
        with suppress(_Over):
            self._search(shorten=False)
        return self.tally.best

    def _search(self, *, shorten: bool) -> None:
        from hypothesis import HealthCheck, Phase, Verbosity, given, reject, seed, settings  # noqa: PLC0415 - slow to import
        from hypothesis.errors import Flaky, Unsatisfiable  # noqa: PLC0415 - as above

        moves, gaps = self.writer.moves.moves, gaps_s(self.writer.table.model)

        @seed(self.seed)
        @settings(
            max_examples=self.examples,
            database=None,
            deadline=None,
            phases=(Phase.generate, Phase.shrink),
            suppress_health_check=list(HealthCheck),
            verbosity=Verbosity.quiet,
            report_multiple_bugs=False,
        )
        @given(sequences(moves, gaps, self.longest_s))
        def keeps_to_the_table(sequence: WeatherSequence) -> None:
            written = self.writer.planned(sequence) if sequence else None
            if written is None:
                reject()  # whenever it is drawn, or the engine takes it for a unit that is once so and once so
            if self._fails(written):
                if not shorten:
                    raise _Over
                raise _FoundError

        # On real wires a unit may fail one time and not the next; and perhaps nothing drawn demands anything.
        with suppress(_FoundError, Flaky, Unsatisfiable):
            keeps_to_the_table()

    def _fails(self, whole: PlannedSequence) -> bool:
        """Play a sequence unless that was done before; return whether it shows the fault that was found first."""
        tally, sequence = self.tally, whole.sequence
        written = whole if tally.best is None else whole.alike(tally.best.failure.same_as)
        failure = None if written is None else self._failure(written)
        if written is None or failure is None:
            return False
        if tally.best is None:
            tally.first_actions, tally.until_found = len(sequence), tally.played
        if tally.best is None or _simpler(sequence, tally.best.written.sequence):
            tally.best = Find(written, failure)
        return True

    def _failure(self, written: PlannedSequence) -> Failure | None:
        """Return what the unit does wrong, if it is the same as what was found before."""
        if written not in self._seen:
            profile = self.writer.profile("sequence", written, name=_NAME, about=_NAME)
            played = self.known.get(profile.digest)
            if played is None:
                left_s = self.left_s()
                if left_s <= 0:
                    raise _Over
                if self.real and longest_s(profile.model) > left_s:
                    self.tally.unfit += 1
                    return None
                played = self.play(profile)
            self._seen[written] = self._taken(played)
            self.told(self.tally)
        return self._seen[written]

    def _taken(self, played: Played) -> Failure | None:
        self.tally.take(played)
        if played.verdict is not Verdict.FAIL:
            return None
        wanted = self.tally.best.failure.same_as if self.tally.best is not None else None
        failures = [
            Failure(f.step, f.number, f.signal, f.kind, f.demand, f.why)
            for f in played.findings
            if f.status is Status.FAIL and f.step is not None
        ]
        return next((f for f in failures if wanted in {None, f.same_as}), None)

    def _reduce(self) -> None:
        """Leave only the demand that failed, if it fails alone as well."""
        best = self.tally.best
        if best is None:
            return
        alone = best.written.only(best.failure.step, best.failure.number)
        failure = self._failure(alone)
        if failure is not None:
            self.tally.best = Find(alone, failure)


def _simpler(one: WeatherSequence, other: WeatherSequence) -> bool:
    """Return whether a sequence has fewer actions than another, or as many in less time."""
    return (len(one), one[-1].at_s) <= (len(other), other[-1].at_s)


def found_profile(writer: Writer, path: str, find: Find, *, seed: int) -> Loaded[Profile]:
    """Return what was found as a profile that tells where it comes from; `path` only names it in messages."""
    table = writer.table
    about = (
        f"Weather in which a unit did not do what the override table {table.model.table!r} says\n"
        f"(SHA-256 {table.digest[:16]}), found by exploring with seed {seed}.\n"
        f"{find.text}"
    )
    return writer.profile(path, find.written, name=find.name, about=about)
