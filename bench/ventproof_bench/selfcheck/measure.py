"""What a bench's own evidence says of the bench: round trips, poll jitter, edges, refresh interval (pure)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import accumulate, pairwise
from typing import TYPE_CHECKING, Final, NamedTuple, final

from ventproof_bench.base.uncertainty import Component, scatter

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from ventproof_bench.base.evidence import EdgeReport, Gap, Poll, Sample, Window


_CLEAR_STEPS: Final = 4  # a movement of so many steps hides no refresh behind rounding
_PROVES: Final = 3  # changes of one movement before anything is said of the refresh interval
_MOST_CHANGES: Final = 150  # of one movement; more say nothing new
_REST: Final = 0.9  # of its fastest: a value that went on slower than this was at rest meanwhile


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Quantiles:
    """Order statistics of spans, seconds; each is one that was measured (nearest rank)."""

    count: int
    median_s: float
    p95_s: float
    p99_s: float
    worst_s: float


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class BusMeasured:
    """One bus while the self-check ran.

    Attributes:
        bus: its name.
        round_trip: from requests leaving to their replies.
        late: how much later than `poll_every` after the one before the same read's requests left.
        jitter: how much the time from a request to the same read's next one varies.
        gaps: spans without evidence.
        age_s: longest time from a request to the same request's next reply: how old the newest reading can get.
    """

    bus: str
    round_trip: Quantiles
    late: Quantiles
    jitter: Component
    gaps: int
    age_s: float


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class EdgesMeasured:
    """Edges of one contact: asked for and achieved.

    Attributes:
        output: the contact.
        late: from the instant asked for to the command leaving.
        width: from the command leaving to the latest instant of the edge, bounce included.
        missing: edges whose going out nothing proves.
    """

    output: str
    late: Quantiles
    width: Quantiles
    missing: int


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class EchoMeasured:
    """How a feedback signal followed its contact.

    Attributes:
        output: the contact.
        signal: its feedback.
        cycles: how often it was closed and opened.
        followed: how many of these edges were read back.
        at_least_s: the contact took this long after the latest instant that the bench file allows; above zero it is
            slower than declared. None when nothing was read back.
        at_most_s: longest time from a command leaving to the reading that shows it.
    """

    output: str
    signal: str
    cycles: int
    followed: int
    at_least_s: float | None
    at_most_s: float | None


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class CountMeasured:
    """Closures sent and closures counted; `certain` when every edge went out for certain."""

    output: str
    signal: str
    sent: int
    counted: int | None
    certain: bool


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class RefreshMeasured:
    """Bounds on the interval at which the unit refreshes a value.

    Attributes:
        signal: the value.
        changes: how many changes were seen.
        at_least_s: it was seen unchanged this long while it moved; 0 when polls were not quick enough to see that, or
            when nothing says that it moved meanwhile.
        at_most_s: two changes were seen within this; infinite without two.
        declared_s: `refreshed_every` in the bench file.
    """

    signal: str
    changes: int
    at_least_s: float
    at_most_s: float
    declared_s: float


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class LoopMeasured:
    """How a vent is played.

    Attributes:
        vent: the vent.
        signal: its position.
        delay: from the request that read the drive's commands to the acknowledgement of what was played back.
        off_percent: how far the position that the output holds is from the vent's at most; None where nothing reads it
            back.
    """

    vent: str
    signal: str
    delay: Quantiles
    off_percent: float | None


def quantiles(spans: Iterable[float]) -> Quantiles:
    """Return the order statistics of some spans.

    Raises:
        ValueError: there are none.
    """
    ranked = sorted(spans)
    if not ranked:
        raise ValueError("there is nothing to rank")

    def at(share: float) -> float:
        return ranked[max(0, math.ceil(share * len(ranked)) - 1)]

    return Quantiles(count=len(ranked), median_s=at(0.5), p95_s=at(0.95), p99_s=at(0.99), worst_s=ranked[-1])


def bus_measured(
    bus: str, polls: Sequence[Poll], gaps: Sequence[Gap], *, every_s: float
) -> BusMeasured | None:
    """Return what polls say of their bus; None when too few reads were answered in a row."""
    pairs = [
        pair
        for place in sorted({_place(p) for p in polls})
        for pair in pairwise(p for p in polls if _place(p) == place)
        if not any(_between(pair, gap) for gap in gaps)
    ]
    if len(pairs) < 2:  # noqa: PLR2004 - a deviation needs two
        return None
    return BusMeasured(
        bus=bus,
        round_trip=quantiles(p.replied_s - p.requested_s for p in polls),
        late=quantiles(max(0.0, b.requested_s - a.requested_s - every_s) for a, b in pairs),
        jitter=scatter("poll jitter", [b.requested_s - a.requested_s for a, b in pairs]),
        gaps=len(gaps),
        age_s=max(b.replied_s - a.requested_s for a, b in pairs),
    )


def loop_measured(
    vent: str, signal: str, polls: Sequence[Poll], *, command: str, off_percent: float | None
) -> LoopMeasured | None:
    """Return what the rounds of a vent in which something was played back say of it; None when there were none.

    Args:
        vent: the vent.
        signal: its position.
        polls: what was read on the bus that commands it, and the positions as they were played, as they came.
        command: a signal that commands it.
        off_percent: as in `LoopMeasured`.
    """
    delays: list[float] = []
    asked_s = math.nan
    for poll in polls:
        if command in poll.values:
            asked_s = poll.requested_s
        elif signal in poll.values and poll.replied_s > poll.requested_s and not math.isnan(asked_s):
            delays.append(poll.replied_s - asked_s)
    if not delays:
        return None
    return LoopMeasured(vent=vent, signal=signal, delay=quantiles(delays), off_percent=off_percent)


def _place(poll: Poll) -> tuple[str, int, tuple[str, ...]]:
    return poll.table, poll.address, tuple(poll.values)


def _between(pair: tuple[Poll, Poll], gap: Gap) -> bool:
    return gap.from_s < pair[1].replied_s and gap.to_s > pair[0].requested_s


def edges_measured(output: str, reports: Sequence[EdgeReport]) -> EdgesMeasured | None:
    """Return what the reports of a train say; None when no edge went out for certain."""
    out = [(report.due_s, report.window) for report in reports if report.window is not None]
    if not out:
        return None
    return EdgesMeasured(
        output=output,
        late=quantiles(max(0.0, window.earliest_s - due_s) for due_s, window in out),
        width=quantiles(window.latest_s - window.earliest_s for _, window in out),
        missing=len(reports) - len(out),
    )


def delay_bounds(
    samples: Sequence[Sample], window: Window, old: float, *, refresh_s: float, error: float = 0.0
) -> tuple[float, float] | None:
    """Return how long after a stimulus a value was another, by more than readings can be off: at least and at most.

    Args:
        samples: readings from before the stimulus on.
        window: holds the stimulus.
        old: the value before it.
        refresh_s: a reading may be this much older than its request.
        error: two readings of one value differ by no more than twice this.

    Returns:
        seconds; None when it never changed.
    """
    held_s = -math.inf
    for sample in samples:
        if abs(sample.value - old) <= 2 * error:
            held_s = sample.requested_s - refresh_s
        elif sample.replied_s > window.earliest_s:
            return max(0.0, held_s - window.latest_s), sample.replied_s - window.earliest_s
    return None


def echo_measured(
    output: str, signal: str, edges: Sequence[tuple[Window, tuple[Sample, ...], float]], refresh_s: float
) -> EchoMeasured:
    """Return how a feedback followed its contact.

    Args:
        output: the contact.
        signal: the feedback.
        edges: of each edge its window, the feedback's readings, and what it read before.
        refresh_s: the feedback's `refreshed_every`.
    """
    found = [delay_bounds(samples, window, old, refresh_s=refresh_s) for window, samples, old in edges]
    seen = [bounds for bounds in found if bounds is not None]
    return EchoMeasured(
        output=output,
        signal=signal,
        cycles=len(edges) // 2,
        followed=len(seen),
        at_least_s=max((least for least, _ in seen), default=None),
        at_most_s=max((most for _, most in seen), default=None),
    )


def refresh_measured(
    signal: str,
    samples: Sequence[Sample],
    *,
    step: float,
    declared_s: float,
    error: float = 0.0,
    rate_per_s: float | None = None,
) -> RefreshMeasured | None:
    """Return bounds on a value's refresh interval, from where its readings change.

    The unit copied a new value somewhere between the last reading of the old one and the first of the new one. Among
    n + 1 changes there are n intervals or more, so one is no longer than the n-th part of the time between their
    farthest ends. Two things show that one is no shorter than so long: a change that is too large for the time between
    its two readings (`jumped_s`), and a value that stood still while its actuator moved on, for it was then made up for
    by the next change. Neither asks the polls, or the unit, to be regular. Where a value that stood still did so
    longer than from poll to poll, and all through a movement, no refresh hides between two polls: there are n
    intervals, and one is no shorter than the n-th part between the nearest ends.

    That a value moves on all the time is known of an actuator under way only: one that comes of pulses, such as a wind
    speed, may rest for reasons of its own, and gives no lower bound.

    Args:
        signal: the value.
        samples: its readings in order of time.
        step: smallest step of the value, 0 where it has none.
        declared_s: what the bench file declares.
        error: half the step plus the accuracy, in the signal's unit.
        rate_per_s: the fastest that it can move, of an actuator's position; None for all else.

    Returns:
        None when fewer than three changes of one movement were seen.
    """
    movements = [run for run in _movements(samples) if len(run) >= _PROVES]
    if not movements:
        return None
    most_s = min((b.to_s - a.from_s) / n for run in movements for a, b, n in _apart(run))
    least_s = 0.0
    if rate_per_s is not None:
        least_s = max(_stood_s(samples, run, step, most_s) for run in movements)
        rate_per_s = max(rate_per_s, *(_fastest(run) for run in movements))
        least_s = max(least_s, jumped_s(samples, rate_per_s=rate_per_s, error=max(error, step / 2)))
    changes = sum(len(run) for run in movements)
    return RefreshMeasured(
        signal=signal, changes=changes, at_least_s=least_s, at_most_s=most_s, declared_s=declared_s
    )


def jumped_s(samples: Sequence[Sample], *, rate_per_s: float, error: float) -> float:
    """Return how old a reading must have been at least for the largest jump of a value; 0 when none is needed.

    Of two readings the older was copied up to one refresh R before its request. Until the newer's reply the value can
    have moved for the time W between these two and R, so a change by d, each reading off by up to e, says that
    d - 2e <= rate * (W + R).

    Args:
        samples: readings of an actuator's position in order of time.
        rate_per_s: the fastest that it can move.
        error: how far off a reading may be, in the signal's unit.
    """
    return max(
        (
            (abs(b.value - a.value) - 2 * error) / rate_per_s - (b.replied_s - a.requested_s)
            for a, b in pairwise(samples)
            if a.value != b.value
        ),
        default=0.0,
    )


def _stood_s(samples: Sequence[Sample], run: Sequence[_Change], step: float, most_s: float) -> float:
    """Return how long no refresh came in a movement although its actuator moved on; 0 where nothing shows that.

    A value stood still for P, and the W between its last reading and the next one's made up for nine tenths of P and W
    together. Had it been refreshed meanwhile, by R < P, then either it rested, and all of the change is of W and R, so
    that R is 0.9 P - 0.1 W at least; or it moved by less than its step shows, so that P is three steps at most.
    """
    fastest = _fastest(run)
    stood = [
        (b.from_s - a.to_s, b.to_s - b.from_s)
        for a, b in pairwise(run)
        if fastest * (b.from_s - a.to_s) >= _CLEAR_STEPS * step
        and abs(b.by) >= _REST * fastest * (b.to_s - a.to_s)
    ]
    all_made_up = all(
        abs(b.by) >= max(2 * step, _REST * fastest * (b.from_s - a.to_s)) for a, b in pairwise(run)
    )
    longest_s = max((b.from_s - a.to_s for a, b in pairwise(run)), default=0.0)
    found_s = max((_REST * still_s - (1 - _REST) * wait_s for still_s, wait_s in stood), default=0.0)
    if all_made_up and _farthest_polls_s(samples, run) <= longest_s <= most_s:
        found_s = max(found_s, longest_s, *((b.from_s - a.to_s) / n for a, b, n in _apart(run)))
    return max(0.0, found_s)


class _Change(NamedTuple):
    """Where a new value was copied, and by how much it differs."""

    from_s: float
    to_s: float
    by: float


def _movements(samples: Sequence[Sample]) -> list[list[_Change]]:
    """Return the changes, split where the value turns, without the first and last of each: they are part steps."""
    runs: list[list[_Change]] = []
    for a, b in pairwise(samples):
        if a.value == b.value:
            continue
        change = _Change(a.requested_s, b.replied_s, b.value - a.value)
        turned = not runs or runs[-1][-1].by * change.by < 0
        if turned:
            runs.append([])
        if len(runs[-1]) <= _MOST_CHANGES:
            runs[-1].append(change)
    return [run[1:-1] for run in runs]


def _fastest(run: Sequence[_Change]) -> float:
    """Return the fastest that a value moved in a movement, for certain but for rounding."""
    so_far = [0.0, *accumulate(abs(change.by) for change in run[1:])]
    return max(
        (so_far[j] - so_far[i]) / (run[j].to_s - run[i].from_s)
        for i in range(len(run))
        for j in range(i + 1, len(run))
    )


def _apart(run: Sequence[_Change]) -> Iterator[tuple[_Change, _Change, int]]:
    """Yield pairs of changes with how many intervals lie between them at least."""
    for i, a in enumerate(run):
        for j in range(i + 1, len(run)):
            yield a, run[j], j - i


def _farthest_polls_s(samples: Sequence[Sample], run: Sequence[_Change]) -> float:
    within = [s for s in samples if run[0].from_s <= s.requested_s and s.replied_s <= run[-1].to_s]
    return max(b.replied_s - a.requested_s for a, b in pairwise(within))
