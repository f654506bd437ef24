"""Wind from cups or from a level, and rain from a tipping bucket: exact, without a time step (pure)."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections import deque
from functools import partial
from itertools import islice
from typing import TYPE_CHECKING, Final, Protocol, final

from ventproof_bench.mock.inputs import Counter
from ventproof_bench.mock.rules.settling import Settling, Threshold

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from ventproof_bench.mock.faults.behaviour import Behaviour
    from ventproof_bench.mock.rules.sensors import CupsWatch, TreatAs
    from ventproof_bench.mock.rules.terms import WindTerm
    from ventproof_bench.mock.settings import TipRate, WindSettings


# Evenly spaced pulses come and leave at one instant, which binary fractions miss a little.
_TOGETHER_S: Final = 1e-7
_S_PER_H: Final = 3600.0
_TWO: Final = 2  # tips that a span lies between


class Timed(Protocol):
    """Something that falls due."""

    @property
    def due_s(self) -> float:
        """When; infinite for never."""


Part = tuple[Timed, "Callable[[], None]"]
"""Something that falls due, and what then happens."""


@final
class PulseWindow:
    """Counts the pulses of the last `window_s` seconds: a pulse counts until so long after it came."""

    __slots__ = ("_leave_s", "_window_s", "due_s")

    def __init__(self, window_s: float) -> None:
        self._window_s = window_s
        self._leave_s: deque[float] = deque()
        self.due_s = math.inf  # when the oldest pulse leaves the window

    def hz(self, at_s: float) -> float:
        """Return the pulses a second over the window that ends at an instant; earlier ones are then forgotten."""
        self._forget(at_s)
        return len(self._leave_s) / self._window_s

    def pulse(self, now_s: float) -> None:
        """Take a pulse; what leaves at this instant has left, so that a steady train keeps a steady count."""
        self._forget(now_s + 2 * _TOGETHER_S)
        self._leave_s.append(now_s + self._window_s + _TOGETHER_S)
        self.due_s = self._leave_s[0]

    def _forget(self, until_s: float) -> None:
        leave_s = self._leave_s
        while leave_s and leave_s[0] <= until_s:
            leave_s.popleft()
        self.due_s = leave_s[0] if leave_s else math.inf


@final
class Silence:
    """Whether pulses have been missing for too long; the next pulse ends it."""

    __slots__ = ("_limit_s", "due_s", "failed", "treat_as")

    def __init__(self, limit_s: float, treat_as: TreatAs, now_s: float) -> None:
        self._limit_s = limit_s
        self.failed = False
        self.treat_as = treat_as
        self.due_s = now_s + limit_s

    def fire(self) -> None:
        """Find that the limit has passed."""
        self.failed = True
        self.due_s = math.inf

    def pulse(self, now_s: float) -> None:
        """Take a pulse."""
        self.failed = False
        self.due_s = now_s + self._limit_s


@final
class LevelWindow:
    """The mean of a value that jumps over the last `window_s` seconds; before its first value it was 0."""

    __slots__ = ("_points", "_threshold", "_window_s", "due_s")

    def __init__(self, window_s: float, threshold: Threshold | None = None) -> None:
        self._window_s, self._threshold = window_s, threshold
        self._points: deque[tuple[float, float]] = deque([(-math.inf, 0.0)])
        self.due_s = math.inf  # when the mean turns, or comes to the threshold

    def mean(self, at_s: float) -> float:
        """Return the mean over the window that ends at an instant; what was before it is then forgotten."""
        points, from_s = self._points, self._forget(at_s)
        ends_s = (*(t_s for t_s, _ in islice(points, 1, None)), at_s)
        spans = ((value, max(t_s, from_s), end_s) for (t_s, value), end_s in zip(points, ends_s, strict=True))
        return math.fsum(value * (end_s - begin_s) for value, begin_s, end_s in spans) / self._window_s

    @property
    def steady(self) -> bool:
        """Whether it knows one value only: the mean is that."""
        return len(self._points) == 1

    def take(self, now_s: float, value: float) -> None:
        """Take the value from an instant on."""
        self._forget(now_s)
        if value != self._points[-1][1]:
            self._points.append((now_s, value))

    def _forget(self, at_s: float) -> float:
        """Forget what was before the window that ends at an instant; returns when that begins."""
        # As `judge` reckons when that is: what leaves at this instant has left, whatever the rounding.
        while len(self._points) > 1 and self._points[1][0] + self._window_s <= at_s:
            self._points.popleft()
        return at_s - self._window_s

    def judge(self, now_s: float) -> None:
        """Hold the mean against the threshold, and find when to look again."""
        assert self._threshold is not None, "only those that are judged fall due"
        mean = self.mean(now_s)
        self._threshold.judge(mean)
        points = self._points
        self.due_s = points[1][0] + self._window_s if len(points) > 1 else math.inf
        slope = (points[-1][1] - points[0][1]) / self._window_s
        if slope:
            reached_s = now_s + (self._threshold.turns_at - mean) / slope + _TOGETHER_S
            if now_s < reached_s < self.due_s:
                self.due_s = reached_s


class WindInput(ABC):
    """A wind sensor: what it shows over a short and a long time, and whether the gust or the mean makes a gale.

    Attributes:
        silence: whether pulses have been missing for too long, where that is watched.
    """

    silence: Silence | None = None

    def __init__(self, wind: WindSettings, behaviour: Behaviour) -> None:
        at = wind.gale_at.value * behaviour.gale_at_factor
        hysteresis = wind.hysteresis.value * behaviour.gale_hysteresis_factor
        self._gale = Threshold(at, at - hysteresis, rising=True)
        self.gust_m_per_s = self._follow(wind.gust_over * behaviour.gust_window_factor, self._gale)
        self.mean_m_per_s = self.measure(wind.mean_over)
        self._strong = self.watch(wind.gale_by_mean) if wind.gale_by_mean and behaviour.mean_seen else None

    @property
    def gale(self) -> bool:
        """Whether it blows a gale: from the limit of the gust or of the mean to a hysteresis below it."""
        return self._gale.on or (self._strong is not None and self._strong.on)

    def watch(self, term: WindTerm) -> Threshold:
        """Return whether a mean wind counts, from now on."""
        threshold = Threshold(term.at.value, term.at.value - term.hysteresis.value, rising=True)
        self._follow(term.wind_over, threshold)
        return threshold

    def measure(self, over_s: float) -> Callable[[float], float]:
        """Return what tells the mean wind over some time, m/s, at an instant after the last change."""
        return self._follow(over_s, None)

    @property
    @abstractmethod
    def steady(self) -> bool:
        """Whether every mean stays as it is until something falls due."""

    @property
    @abstractmethod
    def parts(self) -> Sequence[Part]:
        """What falls due."""

    @abstractmethod
    def _follow(self, over_s: float, threshold: Threshold | None) -> Callable[[float], float]:
        """Hold the mean over some time against a threshold from now on; returns what tells that mean, m/s."""


@final
class Cups(WindInput):
    """Cups: their pulses are counted."""

    def __init__(
        self, wind: WindSettings, watch: CupsWatch | None, behaviour: Behaviour, now_s: float
    ) -> None:
        watched = watch is not None and behaviour.failures_seen and behaviour.silence_seen
        self.silence = Silence(watch.silent_for, watch.treat_as, now_s) if watch and watched else None
        self._slope_m = wind.slope
        self._offset_m_per_s = wind.offset.value * behaviour.cups_offset_factor
        self._per_pulse = behaviour.counts_per_pulse
        debounce_s = wind.debounce * behaviour.cups_debounce_factor
        self._contact = Settling(debounce_s, debounce_s)
        self._windows: list[tuple[PulseWindow, Threshold | None]] = []
        super().__init__(wind, behaviour)

    @property
    def steady(self) -> bool:
        """True: a pulse comes, or falls due to leave."""
        return True

    @property
    def parts(self) -> Sequence[Part]:
        """What falls due."""
        return (
            *((window, partial(self._leave, window, threshold)) for window, threshold in self._windows),
            (self._contact, self._settled),
            *([(self.silence, self.silence.fire)] if self.silence else ()),
        )

    def contact(self, now_s: float, *, closed: bool) -> None:
        """Take an edge of the contact."""
        self._contact.change(now_s, state=closed)

    def _follow(self, over_s: float, threshold: Threshold | None) -> Callable[[float], float]:
        window = PulseWindow(over_s)
        self._windows.append((window, threshold))
        return partial(self._speed_m_per_s, window)

    def _speed_m_per_s(self, window: PulseWindow, at_s: float) -> float:
        """Return the wind over a window, m/s; 0 without a pulse, whatever the offset."""
        hz = window.hz(at_s) * self._per_pulse
        return hz * self._slope_m + self._offset_m_per_s if hz else 0.0

    def _leave(self, window: PulseWindow, threshold: Threshold | None) -> None:
        speed = self._speed_m_per_s(window, window.due_s)
        if threshold is not None:
            threshold.judge(speed)

    def _settled(self) -> None:
        now_s = self._contact.due_s
        self._contact.fire()
        if self._contact.value:
            if self.silence:
                self.silence.pulse(now_s)
            for window, threshold in self._windows:
                window.pulse(now_s)
                if threshold is not None:
                    threshold.judge(self._speed_m_per_s(window, now_s))


@final
class Anemometer(WindInput):
    """A wind sensor whose level carries the speed."""

    def __init__(self, wind: WindSettings, behaviour: Behaviour) -> None:
        self._windows: list[LevelWindow] = []
        self._judged: list[LevelWindow] = []
        super().__init__(wind, behaviour)

    @property
    def steady(self) -> bool:
        """Whether every mean stays as it is: the level has not changed for longer than all of them look back."""
        return all(window.steady for window in self._windows)

    @property
    def parts(self) -> Sequence[Part]:
        """What falls due."""
        return tuple((window, partial(self._turn, window)) for window in self._judged)

    def take(self, now_s: float, speed_m_per_s: float) -> None:
        """Take what the sensor shows from an instant on; no wind is below 0 m/s."""
        for window in self._windows:
            window.take(now_s, max(0.0, speed_m_per_s))
        for window in self._judged:
            window.judge(now_s)

    def _follow(self, over_s: float, threshold: Threshold | None) -> Callable[[float], float]:
        window = LevelWindow(over_s, threshold)
        self._windows.append(window)
        if threshold is not None:
            self._judged.append(window)
        return window.mean

    @staticmethod
    def _turn(window: LevelWindow) -> None:
        window.judge(window.due_s)


@final
class Alarm:
    """A single instant that something waits for."""

    __slots__ = ("due_s",)

    def __init__(self, due_s: float = math.inf) -> None:
        self.due_s = due_s


@final
class Intensity:
    """The intensity of the last tips, and whether it is beyond a limit.

    At a tip the intensity is that of the last tips: their rain, the first one's excepted, over the time from the
    first to the last. Until the next one it is at most what one tip now would make it.

    Args:
        at: from here it is wet, mm/h.
        least: down to here it stays so; earlier tips are then forgotten.
        tips: number of the last tips that give the intensity.
        mm_s_per_h: intensity of tips that are a second apart.
        falls: whether it falls without a tip.

    Attributes:
        wet: on from the limit to the end of its hysteresis.
        overdue: when a tip is missing for so long that it is over.
    """

    def __init__(self, at: float, least: float, *, tips: int, mm_s_per_h: float, falls: bool) -> None:
        self.wet = Threshold(at, least, rising=True)
        self.overdue = Alarm()
        self._mm_s_per_h, self._falls = mm_s_per_h, falls
        self._longest_s = mm_s_per_h / least if least < math.inf else math.inf
        self._tips: deque[tuple[float, int]] = deque(maxlen=tips)

    def mm_per_h(self, at_s: float) -> float:
        """Return the intensity at an instant after the last tip, mm/h; 0 before the second tip of a shower."""
        if len(self._tips) < _TWO:
            return 0.0
        (first_s, first), (last_s, last) = self._tips[0], self._tips[-1]
        span_s = max(last_s - first_s, _TOGETHER_S)
        rate = max(0, last - first) * self._mm_s_per_h / span_s
        since_s = at_s - last_s
        return min(rate, self._mm_s_per_h / since_s) if self._falls and since_s > 0 else rate

    def stays_to_s(self, at_s: float, steps_per_mm_per_h: float = math.inf) -> float:
        """Return until when, without a tip, the intensity is as at an instant.

        Args:
            at_s: the instant, not before the last tip.
            steps_per_mm_per_h: to so many rounded steps a mm/h; exactly, unless stated.
        """
        mm_per_h = self.mm_per_h(at_s)
        if not self._falls or mm_per_h == 0:
            return math.inf
        if steps_per_mm_per_h < math.inf:
            step = round(mm_per_h * steps_per_mm_per_h) - 0.5
            if step < 0:
                return math.inf
            mm_per_h = min(mm_per_h, step / steps_per_mm_per_h)
        return max(at_s, self._tips[-1][0] + self._mm_s_per_h / mm_per_h)

    def wet_mm_per_h(self, at_s: float) -> float:
        """Return the intensity while it is wet, mm/h; 0 otherwise."""
        return self.mm_per_h(at_s) if self.wet.on else 0.0

    def dry(self) -> None:
        """Find that the next tip is missing for too long."""
        self.overdue.due_s = math.inf
        self.wet.on = False

    def tip(self, now_s: float, count: int) -> None:
        """Take a tip, and how many there have been."""
        if self._falls and self._tips and now_s - self._tips[-1][0] >= self._longest_s:
            self._tips.clear()
        self._tips.append((now_s, count))
        self.wet.judge(self.mm_per_h(now_s))
        self.overdue.due_s = now_s + self._longest_s if self.wet.on and self._falls else math.inf


@final
class Bucket:
    """A tipping bucket: its tips, and whether it is wet by their intensity.

    Attributes:
        counter: tips.
    """

    def __init__(self, tip_rate: TipRate, behaviour: Behaviour) -> None:
        self.counter = Counter(counted=tip_rate.counted, bits=behaviour.tip_bits)
        self._settings, self._behaviour = tip_rate, behaviour
        debounce_s = tip_rate.debounce * behaviour.bucket_debounce_factor
        self._contact = Settling(debounce_s, debounce_s)
        self._intensities: list[Intensity] = []
        self._own = self.watch(
            tip_rate.wet_at.value if tip_rate.wet_at else math.inf, tip_rate.hysteresis.value
        )

    @property
    def wet(self) -> Threshold:
        """On from the threshold to a hysteresis below it."""
        return self._own.wet

    @property
    def parts(self) -> Sequence[Part]:
        """What falls due."""
        return (
            *((its.overdue, its.dry) for its in self._intensities),
            (self._contact, self._settled),
        )

    def watch(self, at: float, hysteresis: float) -> Intensity:
        """Return whether the intensity counts from a value on, mm/h, from now on."""
        behaviour = self._behaviour
        least = at - hysteresis * behaviour.tip_hysteresis_factor
        mm_s_per_h = self._settings.tip.value * behaviour.tip_size_factor * _S_PER_H
        its = Intensity(
            at, least, tips=self._settings.tips, mm_s_per_h=mm_s_per_h, falls=behaviour.tip_rate_falls
        )
        self._intensities.append(its)
        return its

    def stays_to_s(self, at_s: float) -> float:
        """Return until when, without a tip, every intensity is exactly as at an instant, unless one falls due."""
        return min(its.stays_to_s(at_s) for its in self._intensities)

    def shown_to_s(self, at_s: float, steps_per_mm_per_h: float) -> float:
        """Return until when, without a tip, `rate_mm_per_h` is as at an instant, rounded to so many steps a mm/h."""
        return self._own.stays_to_s(at_s, steps_per_mm_per_h)

    def rate_mm_per_h(self, at_s: float) -> float:
        """Return the intensity at an instant after the last tip, mm/h; 0 before the second tip of a shower."""
        return self._own.mm_per_h(at_s)

    def contact(self, now_s: float, *, closed: bool) -> None:
        """Take an edge of the contact."""
        self._contact.change(now_s, state=closed)

    def _settled(self) -> None:
        now_s = self._contact.due_s
        self._contact.fire()
        if not self._contact.value:
            return
        self.counter.closure()
        for its in self._intensities:
            its.tip(now_s, self.counter.count)
