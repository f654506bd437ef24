"""Decider of flags and states, which keep each value for a while: follows all their courses at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Final, NamedTuple, final

from ventproof.deciders.base import Decider, Measures, Readings
from ventproof.deciders.formulas import EqualsFormula, StaysFormula, UnchangedFormula
from ventproof.envelope.spans import EPS_S, INF, Corners, Piece, Reading, Span
from ventproof.verdict.finding import Bounds, Verdict
from ventproof_bench.base.evidence import Window

_OTHERS: Final = (-INF, INF)
"""They stand for the values of a state that nobody has read yet: outside what is allowed, and inside."""
_MOST_COURSES: Final = 12
"""Of more courses than this those with one value go on together: a bound on cost, not on soundness."""


class Kept(NamedTuple):
    """What is declared of a flag or a state: for how long it keeps a value at least, and whether it is a flag."""

    keeps_s: float
    flag: bool


FlagFormula = EqualsFormula | StaysFormula | UnchangedFormula


class _Course(NamedTuple):
    """The best of all courses that now have the same value, and owe and have done the same.

    Attributes:
        value: the value now.
        since_s: it was taken no earlier, and is left no sooner than it must be kept.
        due: other values that were read and are still to be met, each with the instant until when; the soonest first.
        mark: what was done of the demand, the less the better; infinite: nothing.
    """

    value: float
    since_s: float
    due: tuple[tuple[float, float], ...]
    mark: float

    @property
    def last_s(self) -> float:
        """When this value must have been left."""
        return self.due[0][1] if self.due else INF

    def beats(self, other: _Course) -> bool:
        """Return whether whatever the other can do later this one can do, too."""
        value, since_s, due, mark = self
        if value != other.value or since_s > other.since_s or mark > other.mark:
            return False
        return not due or all(any(v == w and by_s <= at_s for w, by_s in other.due) for v, at_s in due)


def _joined(courses: list[_Course]) -> _Course:
    """Return one that beats some courses with the same value: it can do whatever one of them can."""
    values = set.intersection(*({v for v, _ in one.due} for one in courses))
    due = ((max(by_s for one in courses for w, by_s in one.due if w == v), v) for v in values)
    since_s, mark = min(one.since_s for one in courses), min(one.mark for one in courses)
    return _Course(courses[0].value, since_s, tuple((v, by_s) for by_s, v in sorted(due)), mark)


@final
class _Courses:
    """All courses that the readings so far allow, as far as they differ in what they can still do.

    A course is a chain of changes, each at least `keeps_s` after the one before; and in the window of every reading it
    has the value that was read, at some instant. Only the begins of windows tell one change from another one of the
    same kind: between two of them the earliest is as good as any.
    """

    def __init__(self, values: Iterable[float], keeps_s: float) -> None:
        self._values = sorted(values)
        self._keeps_s = keeps_s
        self.now = [_Course(value, -INF, (), INF) for value in self._values]

    def go_on(
        self,
        from_s: float,
        to_s: float,
        changed: Callable[[_Course, float, float], float],
        done_s: Callable[[float], float],
    ) -> None:
        """Follow all changes up to the next instant at which anything begins or ends.

        Args:
            from_s: the one before.
            to_s: that instant.
            changed: from a course, its next value and when it takes it, to its next mark.
            done_s: from a mark, when the demand is met if nothing changes until then.
        """
        found: dict[float, list[_Course]] = {value: [] for value in self._values}
        ahead, met = list(self.now), set[_Course]()
        while ahead:
            course = ahead.pop()
            if course in met:
                continue
            met.add(course)
            others = found[course.value]
            if any(other.beats(course) for other in others):
                continue
            others[:] = [*(other for other in others if not course.beats(other)), course]
            last_s = min(to_s, course.last_s)
            if -INF < course.mark < INF and (met_s := done_s(course.mark)) <= last_s:
                since_s = max(course.since_s, met_s - self._keeps_s)  # it goes on until then
                ahead.append(course._replace(since_s=since_s, mark=-INF))
            at_s = max(from_s, course.since_s + self._keeps_s)
            for value in self._values if at_s <= last_s else ():
                if value != course.value:
                    due = tuple(one for one in course.due if one[0] != value)
                    ahead.append(_Course(value, at_s, due, changed(course, value, at_s)))
        # What has been kept for long enough is as free as if it had been for longer.
        least_s = to_s - self._keeps_s
        self.now = [
            one if one.since_s >= least_s else one._replace(since_s=least_s)
            for others in found.values()
            for one in others
            if one.last_s > to_s  # else it has changed by then
        ]
        if len(self.now) > _MOST_COURSES:
            alike = ([one for one in self.now if one.value == value] for value in self._values)
            self.now = [_joined(courses) for courses in alike if courses]

    def read(self, value: float, span: Span, alike: Callable[[float, float], bool]) -> None:
        """A value is to be met in a span from now on; until now others like it may have stood for it."""
        if value not in self._values:
            self._values.append(value)
            self.now += [one._replace(value=value) for one in self.now if alike(one.value, value)]
        at_s, by_s = span
        now = []
        for one in self.now:
            if one.value == value or any(v == value for v, _ in one.due):
                now.append(one)
            elif by_s > at_s and one.since_s + self._keeps_s <= by_s:
                now.append(one._replace(due=(*one.due, (value, by_s))))
        self.now = now

    def mark(self, mark: Callable[[_Course], float]) -> None:
        """Change what was done of the demand."""
        self.now = [one._replace(mark=mark(one)) for one in self.now]

    def restart(self, mark: float) -> None:
        """Go on from anything at all."""
        self.now = [_Course(value, -INF, (), mark) for value in self._values]

    @property
    def lasting(self) -> bool:
        """Whether some of those that have done something outlast all others, whatever is read later."""
        plain = [one._replace(mark=0.0) for one in self.now]
        return any(
            one.mark < INF and all(best.beats(other) for other in plain)
            for one, best in zip(self.now, plain, strict=True)
        )

    def steady(self, value: float) -> bool:
        """Return whether all have one value and owe nothing."""
        return all(one.value == value and not one.due for one in self.now)


@final
class FlagDecider(Decider):
    """F[0,T] x = v, or G[0,F] low <= x <= high, or G[0,F] x = x(s), of what keeps each value for a while.

    Each turns on a span without a break: x is not v, or in the limits, or the same. All courses are followed at once:

        a course keeps:   it has no break in [s, s + span] for some s;  mark: since when it has none
        a course breaks:  it has a break in [s, s + span] for some s;   mark: when it had the first

    If no course keeps, `equals` passes and the others fail. If none breaks, `equals` fails and the others pass.
    """

    by_readings = True

    __slots__ = (
        *("_allowed", "_at_s", "_break", "_cuts", "_equals", "_keep", "_keeps_s", "_last_a", "_latest_s"),
        *("_span_s", "formula", "last_s", "left", "told_high", "told_low"),
    )

    def __init__(self, formula: FlagFormula, stimulus: Window, kept: Kept) -> None:
        self._equals = isinstance(formula, EqualsFormula)
        self._allowed: Callable[[float], bool] | None = None  # none in particular: the same all the time
        values: set[float] = {0.0, 1.0} if kept.flag else {*_OTHERS}
        match formula:
            case EqualsFormula(value=wanted, within_s=within_s):
                self._allowed = lambda x: x != wanted
                values = values - {-INF} | {wanted}
                self._span_s = within_s + EPS_S
            case StaysFormula(low=low, high=high, for_s=for_s):
                lower, upper = -INF if low is None else low, INF if high is None else high
                self._allowed = lambda x: x == INF or (lower <= x <= upper and x > -INF)
                self._span_s = INF if for_s is None else max(0.0, for_s - EPS_S)
            case UnchangedFormula(for_s=for_s):
                self._span_s = max(0.0, for_s - EPS_S)
        super().__init__(stimulus, self._span_s)
        self.last_s = INF  # the last instant at which what has no span of its own is in force for certain
        self.formula = formula
        self._keeps_s = kept.keeps_s
        self._keep, self._break = _Courses(values, kept.keeps_s), _Courses(values, kept.keeps_s)
        self._cuts = sorted({self.s1, self.s2, self.end_s})
        self._at_s = self._last_a = INF  # how far the courses are followed; the begin of the last window
        self._latest_s = self.s1  # by when a break was certain
        self.left: tuple[float, float, float] | None = None  # when it was first read outside, and what
        self.told_low, self.told_high = (
            INF,
            -INF,
        )  # what it was from the last reading on that may be from before

    def take(self, part: Piece) -> None:
        """The readings say it all."""

    def piece(self, piece: Piece) -> None:
        """The readings say it all."""

    def fill_in(self, piece: Piece) -> None:
        """The readings say it all."""

    def reading(self, reading: Reading) -> None:
        """Follow the courses to its window, and draw conclusions."""
        if self.verdict is not None:
            return
        value, _, a, b, restarted, _ = reading
        self._note(reading)
        if self._at_s == INF:
            self._at_s = min(a, self.s1)
        elif not restarted and self._cuts[:1] > [a] and self._says_nothing(value, b):
            self._at_s = self._last_a = a
            return
        self._go_to(a)
        if restarted:
            self._restart(self._last_a, b)
        self._last_a = a
        for courses in (self._keep, self._break):
            courses.read(value, (self._at_s, b), self._alike)
        self._keep.mark(self._hoped)
        self._conclude()

    def _note(self, reading: Reading) -> None:
        value, _, a, b, *_ = reading
        if b >= self.s1 and a <= self.end_s:
            self.seen_low, self.seen_high = min(self.seen_low, value), max(self.seen_high, value)
            before = a < self.s1
            self.told_low = value if before else min(self.told_low, value)
            self.told_high = value if before else max(self.told_high, value)
            if self.left is None and a >= self.s1 and self._allowed is not None and not self._allowed(value):
                self.left = (b, value, value)

    def _says_nothing(self, value: float, b: float) -> bool:
        """Return whether no change fits between this reading and the one before."""
        steady = self._keep.steady(value) and self._break.steady(value)
        return steady and b - self._last_a < self._keeps_s

    def _go_to(self, t_s: float) -> None:
        """Follow the courses to an instant, from one cut to the next."""
        while self._cuts and self._cuts[0] < t_s:  # one at that very instant: after what is read then
            self._step_to(self._cuts.pop(0))
            if self._at_s == self.s1:
                self._keep.mark(lambda one: self._since(one.value, self.s1))
                if self._allowed is not None:
                    self._break.mark(lambda one: INF if self._allows(one.value) else self.s1)
        self._step_to(t_s)

    def _step_to(self, t_s: float) -> None:
        if t_s > self._at_s:
            self._keep.go_on(self._at_s, t_s, self._kept, self._done_s)
            self._break.go_on(self._at_s, t_s, self._broken, lambda _: INF)
            self._at_s = t_s

    def _allows(self, value: float) -> bool:
        return self._allowed is None or self._allowed(value)

    def _alike(self, one: float, other: float) -> bool:
        """Return whether one stands for what is unread, and the other may be that."""
        return one in _OTHERS and self._allows(one) is self._allows(other)

    def _since(self, value: float, at_s: float) -> float:
        """Return the mark of what begins to keep at an instant."""
        return at_s if self._allows(value) else INF

    def _done_s(self, since_s: float) -> float:
        return min(since_s + self._span_s, self.last_s)

    def _kept(self, one: _Course, value: float, at_s: float) -> float:
        if one.mark == -INF or (
            self._allowed is not None and self._allows(one.value) and self._allows(value)
        ):
            return one.mark
        return self._since(value, at_s) if self.s1 <= self._at_s < self.s2 else INF

    def _broken(self, one: _Course, value: float, at_s: float) -> float:
        breaks = self._allowed is None or not self._allowed(value)
        return min(one.mark, at_s) if breaks and self.s1 <= self._at_s < self.end_s else one.mark

    def _hoped(self, one: _Course) -> float:
        """Return the mark, or none where what is due breaks the span before it is done."""
        if -INF < one.mark < INF:
            done_s = self._done_s(one.mark)
            for value, by_s in one.due:
                if by_s < done_s and (self._allowed is None or not self._allowed(value)):
                    self._latest_s = max(self._latest_s, by_s)
                    return INF
        return one.mark

    def _restart(self, from_s: float, to_s: float) -> None:
        """Anything may have happened from the reading before to this one."""
        kept, broken = (min([one.mark for one in x.now], default=INF) for x in (self._keep, self._break))
        if from_s <= self.s2 and to_s >= self.s1:
            kept = min(kept, max(from_s, self.s1))
        if from_s <= self.end_s and to_s >= self.s1:
            broken = min(broken, max(from_s, self.s1))
        self._keep.restart(kept)
        self._break.restart(broken)

    def _conclude(self) -> None:
        in_force = self.last_s >= self.s2  # else its condition may have been over before it began
        never_kept = in_force and self._at_s > self.s2 and all(one.mark == INF for one in self._keep.now)
        never_broken = self._at_s > self.end_s and all(one.mark == INF for one in self._break.now)
        if never_kept != never_broken:  # no course at all: the readings contradict what was declared
            self.verdict = Verdict.PASS if never_kept is self._equals else Verdict.FAIL
        elif self._at_s > self.end_s and self._keep.lasting and self._break.lasting:
            self.verdict = Verdict.INCONCLUSIVE

    def calm_until_s(self, corners: Corners, readings: Readings) -> float:  # noqa: ARG002 - the readings say it
        """While the value is the one that all courses have."""
        value = float(readings.lo[0])
        if not ((readings.lo == value).all() and self._says_nothing(value, float(readings.b[0]))):
            return -INF
        return self._cuts[0] - EPS_S if self._cuts else INF

    def stretch(self, corners: Corners, readings: Readings) -> None:  # noqa: ARG002 - the readings say it
        """Between readings that say nothing new nothing begins or ends."""
        value = float(readings.lo[0])
        self._note(Reading(value, value, float(readings.a[0]), float(readings.b[0])))
        self._at_s = self._last_a = float(readings.a[-1])

    def end_at(self, earliest_s: float, latest_s: float) -> None:
        """The condition ended at some instant between two: judge up to there."""
        self.last_s, self.end_s = min(self.last_s, earliest_s), min(self.end_s, latest_s)
        self._cuts = sorted({*self._cuts, *(x for x in (self.last_s, self.end_s) if self._at_s <= x < INF)})
        self._break.mark(lambda one: one.mark if one.mark <= self.end_s else INF)

    def finish(self) -> None:
        """Nothing more will come; an end at which the last reading begins is reached."""
        if self._at_s >= self.end_s - EPS_S:
            self.end_at(self.last_s, self._at_s - EPS_S)
            self._conclude()
        # An end before s1: it was never in force, and so nothing is broken.
        self.settle(passed=self.end_s < self.s1)

    def measures(self) -> Measures:
        """When the value was taken; a flag has no margin."""
        if not isinstance(self.formula, EqualsFormula) or self.verdict is not Verdict.PASS:
            return Measures()
        within_s = self.formula.within_s
        first_s = min(one.mark for one in self._break.now)
        latest = max(0.0, min(self._latest_s - self.s1, within_s))
        response = Bounds(min(latest, max(0.0, first_s - self.s2)), latest)
        return Measures(None, Bounds(within_s - response.high, within_s - response.low), response)
