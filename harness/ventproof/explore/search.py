"""The search: random sequences of weather, played until one shows a fault, and that one made as short as it goes."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from math import inf
from typing import TYPE_CHECKING, Final, final

from ventproof.explore.emit import PlannedSequence, Writer, planned_sequence
from ventproof.explore.moves import Move, moves_of
from ventproof.explore.sequence import (
    SHORTEST_S,
    Action,
    SignalAccuracies,
    accuracies_of,
    gaps_s,
    longest_tail_s,
)
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
from ventproof_bench.base.errors import FileError, Problem

if TYPE_CHECKING:
    from hypothesis.strategies import DrawFn, SearchStrategy

    from ventproof.explore.sequence import Sequence as WeatherSequence
    from ventproof.profile.model import Profile
    from ventproof.table.model import OverrideTable
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded


MOST_ACTIONS: Final = 6
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


class _OutOfTime(BaseException):
    """Ends the search from within; nothing on the way takes it for an answer of the unit's."""


class _FoundError(Exception):
    """Tells the engine that a sequence fails."""


@final
@dataclass(slots=True)
class Explorer:
    """Explores one unit.

    Attributes:
        table: what the unit must do.
        bench: what it is wired to.
        play: plays a profile.
        seed: another seed tries other sequences.
        examples: so many sequences are tried at most until one fails.
        left_s: how much of the time is left, seconds.
        real: playing takes the time that it takes on the clock, so that only what fits is played.
        longest_s: nothing is done later than this after a sequence begins, seconds.
        told: called after every sequence that was played.
    """

    table: Loaded[OverrideTable]
    bench: Loaded[BenchFile]
    play: Player
    seed: int = 0
    examples: int = 1000
    left_s: Callable[[], float] = field(default=lambda: inf)
    real: bool = False
    longest_s: float = _LATEST_S
    told: Callable[[Tally], None] = field(default=lambda _: None)
    tally: Tally = field(init=False, default_factory=Tally)
    writer: Writer = field(init=False)
    _accuracies: SignalAccuracies = field(init=False)
    _seen: dict[str, Failure | None] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self._accuracies = accuracies_of(self.table.model, self.bench.model)
        moves = moves_of(self.table.model, self.bench, longest_s=longest_tail_s(self.table.model))
        self.writer = Writer(self.table, self.bench, moves)

    def run(self) -> Find | None:
        """Explore; return the simplest sequence found that fails, or None.

        The same table, bench and seed give the same sequences, unless the time runs out.

        Raises:
            FileError: this bench can do nothing of what the table speaks of.
            KeyboardInterrupt: the operator broke it off; what was found is in `tally.best`.
        """
        moves = self.writer.moves
        if not moves.moves:
            problems = [
                Problem(self.bench.path, None, None, f"not possible: {why}") for why in moves.left_out
            ]
            raise FileError(problems or [self.table.problem(("overrides",), "nothing in it can be tried")])
        with suppress(_OutOfTime):
            self._search()
            self._reduce()
            self.tally.finished = not self.tally.unfit
        return self.tally.best

    def profile(self, path: str, find: Find) -> Loaded[Profile]:
        """Return what was found as a profile that tells where it comes from; `path` only names it in messages."""
        about = (
            f"Weather in which a unit did not do what the override table {self.table.model.table!r} says\n"
            f"(SHA-256 {self.table.digest[:16]}), found by exploring with seed {self.seed}.\n"
            f"{find.text}"
        )
        return self.writer.profile(path, find.written, name=find.name, about=about)

    def _search(self) -> None:
        from hypothesis import HealthCheck, Phase, Verbosity, given, seed, settings  # noqa: PLC0415 - slow to import
        from hypothesis.errors import Flaky  # noqa: PLC0415 - as above

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
        @given(_sequences(self.writer.moves.moves, gaps_s(self.table.model), self.longest_s))
        def keeps_to_the_table(sequence: WeatherSequence) -> None:
            if self._fails(sequence):
                raise _FoundError

        with suppress(_FoundError, Flaky):  # on real wires a unit may fail one time and not the next
            keeps_to_the_table()

    def _fails(self, sequence: WeatherSequence) -> bool:
        """Play a sequence unless that was done before; return whether it shows the fault that was found first."""
        written = planned_sequence(self.table.model, self._accuracies, sequence) if sequence else None
        if written is not None and self.tally.best is not None:
            written = written.alike(self.tally.best.failure.same_as)
        if written is None:
            return False
        failure = self._failure(written)
        if failure is None:
            return False
        if self.tally.best is None:
            self.tally.first_actions, self.tally.until_found = len(sequence), self.tally.played
        if self.tally.best is None or _simpler(sequence, self.tally.best.written.sequence):
            self.tally.best = Find(written, failure)
        return True

    def _failure(self, written: PlannedSequence) -> Failure | None:
        """Return what the unit does wrong, if it is the same as what was found before."""
        profile = self.writer.profile("sequence", written, name=_NAME, about=_NAME)
        if profile.text not in self._seen:
            left_s = self.left_s()
            if left_s <= 0:
                raise _OutOfTime
            if self.real and longest_s(profile.model) > left_s:
                self.tally.unfit += 1
                return None
            self._seen[profile.text] = self._taken(self.play(profile))
            self.told(self.tally)
        return self._seen[profile.text]

    def _taken(self, played: Played) -> Failure | None:
        tally = self.tally
        tally.played += 1
        tally.greenhouse_s += played.lasted_s
        if played.verdict is None:
            tally.broken_off += 1
        elif played.verdict is Verdict.INCONCLUSIVE:
            tally.undecided += 1
            tally.not_begun += any(f.step == 0 and f.status is not Status.PASS for f in played.findings)
        if played.verdict is not Verdict.FAIL:
            return None
        wanted = tally.best.failure.same_as if tally.best is not None else None
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


def _sequences(
    moves: Sequence[Move], gaps: Sequence[float], longest_s: float
) -> SearchStrategy[WeatherSequence]:
    from hypothesis import strategies  # noqa: PLC0415 - slow to import

    gap, move = strategies.sampled_from(gaps), strategies.integers(0, len(moves))
    more = strategies.sampled_from((False, True, True, True))

    @strategies.composite
    def sequences(draw: DrawFn) -> WeatherSequence:
        states: dict[str, str] = {}
        actions: list[Action] = []
        at_s = 0.0
        for number in range(MOST_ACTIONS):
            if number and not draw(more):
                break
            # Each turn draws alike, so that any can be left out, and 0 is a pause, which keeps the others' times.
            gap_s, chosen, back = draw(gap), draw(move), draw(strategies.booleans())
            at_s = max(at_s + gap_s, _next_s(actions)) if actions else 0.0
            if at_s > longest_s:
                break
            if chosen:
                # Half of the turns end what was begun, or what comes with an end would seldom be seen.
                ends = [one for one in moves if back and one.state == one.rest and one.possible(states)]
                among = ends or moves
                made = _next_possible(among, (chosen - 1) % len(among), states)
                actions.append(Action(round(at_s, 1), made))
                states[actions[-1].move.thing] = actions[-1].move.state
        if not actions:
            return ()
        return (*actions, *_put_back(moves, states, _next_s(actions)))

    return sequences()


def _next_s(actions: Sequence[Action]) -> float:
    """Return when the next thing can be done at the earliest."""
    return actions[-1].at_s + actions[-1].move.lasts_s + SHORTEST_S


def _next_possible(moves: Sequence[Move], number: int, states: Mapping[str, str]) -> Move:
    """Return a move, or the next one that changes something: what it is depends little on those before it."""
    return next(move for move in (*moves[number:], *moves[:number]) if move.possible(states))


def _put_back(moves: Sequence[Move], states: Mapping[str, str], at_s: float) -> list[Action]:
    """Return what gives the unit its supply back, so that it answers when the run ends."""
    return [
        Action(round(at_s, 1), move)
        for move in moves
        if move.supplies and move.state == move.rest and states.get(move.thing, move.rest) != move.rest
    ]
