"""One profile tried against one mock unit in virtual time, without a log: how it ended and what the unit did."""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import blake2b
from typing import TYPE_CHECKING, final

from bench.build import assemble
from bench.virtual import run as run_loop
from harness.judge.verdict import Verdict
from harness.profile.bind import Bound, bind
from harness.run.case import Case, case_of
from harness.run.engine import Engine, Outcome
from harness.run.events import GapSeen, PollSeen
from harness.run.findings import finding_of
from harness.run.header import Header

if TYPE_CHECKING:
    from bench.document import Loaded
    from bench.mock.unit import MockUnit
    from bench.wiring import BenchFile
    from harness.profile.model import Profile
    from harness.run.events import Event


@final
@dataclass(frozen=True, slots=True)
class UnitDigests:
    """What a unit did during a run, as digests that are equal for equal courses.

    Attributes:
        truth: where every vent truly was.
        shown: every register that was polled, and every gap.
        watched: the readings of the signals that a response of the profile watches, and every gap.
    """

    truth: str
    shown: str
    watched: str


@final
@dataclass(frozen=True, slots=True)
class Trial:
    """How a profile ended.

    Attributes:
        verdict: None when the bench broke the run off.
        why: what did not pass first, or why there is no verdict; empty for a pass.
        course: what the unit did.
        polls: how much was read, a measure of what the trial costs.
        touched: what of the unit was moved.
    """

    verdict: Verdict | None
    why: str
    course: UnitDigests
    polls: int
    touched: frozenset[str] = frozenset()

    @property
    def failed(self) -> bool:
        """Whether the profile found the unit faulty; trouble with the bus and open questions are no finding."""
        return self.verdict is Verdict.FAIL

    @property
    def passed(self) -> bool:
        """Whether the profile holds the unit for healthy."""
        return self.verdict is Verdict.PASS


def attempt(profile: Loaded[Profile], bench: Loaded[BenchFile], *, seed: int) -> Trial:
    """Run a profile on a virtual bench.

    Args:
        profile: the profile.
        bench: a bench with a mock unit inside this process.
        seed: for what is random on the bench.

    Raises:
        FileError: the bench lacks what the profile needs.
        KeyboardInterrupt: the operator broke it off.
    """
    bound = bind(profile, bench, {})
    case = case_of(bound)
    notes = _Notes(bound, case)

    async def main() -> tuple[Outcome, MockUnit]:
        rig = assemble(bench.model, seed=seed)
        assert rig.mock is not None, "a virtual bench has one"
        engine = Engine(profile.model, rig, case, record=notes.take, output_names=bound.outputs)
        return await engine.run(Header()), rig.mock

    outcome, unit = run_loop(main(), virtual=True)
    truth = blake2b(digest_size=16)
    for vent in bench.model.mock.vents if bench.model.mock else ():
        truth.update(repr(unit.truth(vent)[:-1]).encode())  # the last is where it stood when the run ended
    course = UnitDigests(truth.hexdigest(), notes.shown.hexdigest(), notes.watched.hexdigest())
    why = outcome.aborted or _first_trouble(case)
    return Trial(outcome.verdict, why, course, notes.polls, frozenset(unit.touched.names))


class _Notes:
    """Digests what the unit shows."""

    def __init__(self, bound: Bound, case: Case) -> None:
        self.shown = blake2b(digest_size=16)
        self.watched = blake2b(digest_size=16)
        self.polls = 0
        self._signals = sorted({bound.signals[result.signal] for result in case.results})

    def take(self, event: Event) -> None:
        """Take an event of the run."""
        if isinstance(event, GapSeen):
            for digest in (self.shown, self.watched):
                digest.update(repr(event.gap).encode())
        elif isinstance(event, PollSeen):
            poll = event.poll
            self.polls += 1
            self.shown.update(repr((poll.address, poll.words)).encode())
            self.watched.update(repr([poll.values.get(name) for name in self._signals]).encode())


def _first_trouble(case: Case) -> str:
    """Return the first response that failed or, where none did, that stayed open."""
    findings = [finding_of(result) for result in case.results if result.ruling is not None]
    for verdict in (Verdict.FAIL, Verdict.INCONCLUSIVE):
        for finding in findings:
            if finding.verdict is verdict and not finding.skipped:
                return f"{finding.step_name}: {finding.signal} {finding.demand}"
    return ""
