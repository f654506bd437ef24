"""What a log's figures draw: each signal's whole course, what was done to the unit, and what was decided of it."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from ventproof.envelope.readings import Arrived, as_read
from ventproof.envelope.spans import INF, Piece, clip
from ventproof.judge.watch import simple_envelope
from ventproof.log.events import GapSeen, PollSeen, StimulusApplied
from ventproof.log.read import header_of, rare_of
from ventproof.rejudge.again import follow
from ventproof.verdict.finding import Rule
from ventproof_bench.base.evidence import Gap, Sample, SignalTraits, Window
from ventproof_bench.plant.contacts import ReckonedTraits

if TYPE_CHECKING:
    from ventproof.case.case import Case
    from ventproof.log.events import Event, Header
    from ventproof.log.read import LogState
    from ventproof.profile.bind import Bound
    from ventproof.profile.model import Profile
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded


_MOST_PIECES: Final = 750
"""A little more than the columns of pixels that a figure has."""


@final
@dataclass(frozen=True, slots=True)
class Course:
    """One signal over the run.

    Attributes:
        traits: what the bench file declares of it.
        arrived: its readings; a counter's are counted on, and what is reckoned from contacts has none.
        pieces: between which bounds it was, at every moment since the first reading.
        gaps: when its bus brought nothing, neighbours joined.
    """

    traits: SignalTraits
    arrived: tuple[Arrived, ...]
    pieces: tuple[Piece, ...]
    gaps: tuple[Gap, ...]

    def between(self, from_s: float, to_s: float) -> Course:
        """Return the part of it in a span of log time."""
        pieces = [piece for piece in self._near(from_s, to_s) if piece.t1 > piece.t0]
        for end in (0, -1):
            if pieces and (part := clip(pieces[end], from_s, to_s)):
                pieces[end : end + 1 or None] = [part] if part.t1 > part.t0 else []
        first = bisect_left(self.arrived, from_s, key=moment)
        return Course(
            self.traits,
            self.arrived[first : bisect_right(self.arrived, to_s, first, key=moment)],
            tuple(_thinned(pieces, (to_s - from_s) / _MOST_PIECES)),
            tuple(gap for gap in self.gaps if gap.to_s > from_s and gap.from_s < to_s),
        )

    def at(self, t_s: float) -> tuple[float, float]:
        """Return the bounds at a moment; infinite where unknown."""
        parts = [part for piece in self._near(t_s, t_s) if (part := clip(piece, t_s, t_s))]
        return (max(p.l0 for p in parts), min(p.u0 for p in parts)) if parts else (-INF, INF)

    def _near(self, from_s: float, to_s: float) -> Sequence[Piece]:
        """Return the pieces that touch a span of log time; they follow one another without holes."""
        first = bisect_left(self.pieces, from_s, key=lambda piece: piece.t1)
        return self.pieces[first : bisect_right(self.pieces, to_s, first, key=lambda piece: piece.t0)]

    def read_before(self, t_s: float) -> tuple[float, float]:
        """Return the last value that was surely read before a moment, as bounds; infinite when there was none.

        Of what has no readings, what was known at the moment.
        """
        if isinstance(self.traits, ReckonedTraits):
            return self.at(t_s)
        value = next((a.sample.value for a in reversed(self.arrived) if a.reading.b <= t_s), None)
        return (-INF, INF) if value is None else (value, value)

    def edges(self) -> list[float]:
        """Return between which values its readings lie; of what has none, its bounds."""
        read = [edge for a in self.arrived for edge in (a.reading.lo, a.reading.hi)]
        if read:
            return read
        bounds = (edge for p in self.pieces for edge in (p.l0, p.u0, p.l1, p.u1))
        return [edge for edge in bounds if -INF < edge < INF]

    def last(self) -> float | None:
        """Return the value that was read last, or the middle of the last bounds; None where nothing is known."""
        if self.arrived:
            return self.arrived[-1].sample.value
        ends = ((p.l1 + p.u1) / 2 for p in reversed(self.pieces) if p.l1 > -INF and p.u1 < INF)
        return next(ends, None)


def moment(arrived: Arrived) -> float:
    """Return the middle of the span in which the unit may have read the value, log time."""
    return (arrived.reading.a + arrived.reading.b) / 2


def _thinned(pieces: list[Piece], width_s: float) -> Iterator[Piece]:
    """Yield boxes of `width_s` around the pieces, if there are more of them than can be seen."""
    if len(pieces) <= _MOST_PIECES:
        yield from pieces
        return
    from_s, low, high = pieces[0].t0, INF, -INF
    for index, (_, l0, u0, t1, l1, u1) in enumerate(pieces, start=1):
        low, high = min(low, l0, l1), max(high, u0, u1)
        if t1 - from_s >= width_s or index == len(pieces):
            yield Piece(from_s, low, high, t1, low, high)
            from_s, low, high = t1, INF, -INF


@final
@dataclass(frozen=True, slots=True)
class Done:
    """One stimulus as it was applied; `edges` are `(closed, earliest, latest)`, none where a value was written."""

    step: int
    number: int
    output: str
    said: str
    edges: tuple[tuple[bool, float, float], ...]
    window: Window | None
    value: float | None

    @property
    def label(self) -> str:
        """What it did, in few words."""
        return self.said if len(self.edges) != 1 else contact_words(self.output, closed=self.edges[0][0])


def contact_words(output: str, *, closed: bool) -> str:
    """Return what became of a contact."""
    return f"{output}: contact {'closed' if closed else 'opened'}"


@final
@dataclass(frozen=True, slots=True)
class DecidedRun:
    """A log with what its evidence says.

    Attributes:
        bound: the profile on its bench.
        case: the profile, with everything found.
        events: the log's events.
        header: the log's first line.
        bench: what it was run on.
        digest: digest of the log's last line.
        courses: by the profile's signal names.
        done: every stimulus, in order.
        end_s: log time of the last evidence.
        complete: whether the log tells of a whole run; otherwise it was aborted.
    """

    bound: Bound
    case: Case
    events: Sequence[Event]
    header: Header
    bench: BenchFile
    digest: str
    courses: Mapping[str, Course]
    done: tuple[Done, ...]
    end_s: float
    complete: bool

    @property
    def rare(self) -> Sequence[Event]:
        """The log's events but polls."""
        return rare_of(self.events)


def decided_run(state: LogState, profile: Loaded[Profile] | None = None) -> DecidedRun:
    """Judge a log's evidence and keep all of it, to be drawn.

    Args:
        state: the log, read.
        profile: an edited profile; its stimuli must be those that were applied.

    Raises:
        FileError: the log's own texts cannot be read, or the edited profile applies other stimuli.
        EvidenceError: the samples contradict what the bench file declares.
    """
    bound, case = follow(state, profile, keeps_all=True)
    end_s = state.told.last_s
    gaps = _gaps(bound.bench.model, set(bound.signals.values()), state.events)
    return DecidedRun(
        bound=bound,
        case=case,
        events=state.events,
        header=header_of(state),
        bench=bound.bench.model,
        digest=state.digest,
        courses={name: _course(case, name, gaps[bound.signals[name]], end_s) for name in case.traits},
        done=tuple(_done(event) for event in state.rare if isinstance(event, StimulusApplied)),
        end_s=end_s,
        complete=state.outcome != "aborted",
    )


def _course(case: Case, name: str, gaps: Sequence[Gap], end_s: float) -> Course:
    traits, trace = case.traits[name], case.traces[name]
    arrived, pieces = trace.arrived, trace.pieces(end_s)
    if Rule(case.profile.decision) is Rule.SIMPLE:
        envelope = simple_envelope(traits)
        pieces = [p for a in arrived for p in envelope.observe(as_read(a.sample), fresh=a.gap is not None)]
    if isinstance(traits, ReckonedTraits):
        arrived = ()
    return Course(traits, arrived, tuple(pieces), tuple(gaps))


def course_read(run: DecidedRun, at: str) -> Course:
    """Return what is known of a signal of the bench; where the profile has none such, its readings as they stand."""
    name = run.case.names.get(at)
    if name is not None:
        return run.courses[name]
    traits = run.bench.traits(at)
    envelope = simple_envelope(traits)
    polls = (e.poll for e in run.events if isinstance(e, PollSeen) and at in e.poll.values)
    samples = [as_read(Sample(poll.values[at], poll.requested_s, poll.replied_s)) for poll in polls]
    pieces = [piece for sample in samples for piece in envelope.observe(sample, fresh=False)]
    if samples:
        pieces += envelope.provisional(run.end_s)
    return Course(traits, (), tuple(pieces), tuple(_gaps(run.bench, [at], run.events)[at]))


def _gaps(bench: BenchFile, signals: Collection[str], events: Sequence[Event]) -> dict[str, list[Gap]]:
    """Return when the bus of each signal brought nothing; gaps of one reason with no reading in between are one."""
    gaps: dict[str, list[Gap]] = {at: [] for at in signals}
    if not any(isinstance(event, GapSeen) for event in rare_of(events)):
        return gaps
    traits = {at: bench.traits(at) for at in signals}
    read = {at: its.flags[0] if isinstance(its, ReckonedTraits) else at for at, its in traits.items()}
    bus = {at: bench.bus_of(at) for at in signals}
    unread: set[str] = set()  # since their last gap
    for event in events:
        if isinstance(event, PollSeen):
            unread -= {at for at in unread if read[at] in event.poll.values}
        elif isinstance(event, GapSeen):
            gap = event.gap
            for at in (at for at in signals if bus[at] == gap.bus):
                its = gaps[at]
                joined = its and at in unread and its[-1].reason == gap.reason
                its[-1:] = (
                    [Gap(gap.bus, its[-1].from_s, gap.to_s, gap.reason)] if joined else [*its[-1:], gap]
                )
                unread.add(at)
    return gaps


def _done(event: StimulusApplied) -> Done:
    edges = tuple(
        (edge.closed, edge.window.earliest_s, edge.window.latest_s)
        for edge in event.edges
        if edge.window is not None
    )
    window = event.window or (Window(edges[0][1], edges[-1][2]) if edges else None)
    assert event.of is not None, "reading the log again sees to it"
    return Done(event.of.step, event.of.stimulus, event.output, event.said, edges, window, event.value)
