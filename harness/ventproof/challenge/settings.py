"""The smallest change of each setting of the unit that a suite catches: how sharp its thresholds and delays are.

A unit whose gale begins a little too late is no fault of the catalogue, and a suite may let it pass. So each delay,
threshold, position and travel that an override table would state is moved, up and down, to find the smallest change
that a profile still fails. The search begins with the largest change that is tried and halves (by its logarithm); it
takes what is caught to be caught when it is larger, too.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, Literal, final

from ventproof.challenge.search import smallest_found
from ventproof.challenge.trial import Missed, Trial, attempt, missed_of, own_suite
from ventproof_bench.base.quantities import Quantity, canonical_symbol
from ventproof_bench.mock.rules.terms import (
    ColdTerm,
    ContactTerm,
    RainTerm,
    SilentTerm,
    Term,
    TogetherTerm,
    WindTerm,
    place_of,
)

if TYPE_CHECKING:
    from ventproof.profile.model import Profile
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.mock.settings import MockSettings
    from ventproof_bench.yamlfile.load import Loaded


Sign = Literal[-1, 1]
Path = tuple[str | int, ...]

_RATIO: Final = 1.5
"""What is returned is caught, and this many times less may not be."""
_LEAST: Final = 1 / 64
"""Of the largest change: a suite that catches so little is sharp enough."""
_FINDERS: Final = 2
"""So many profiles that catch the largest change are tried with smaller ones; another may catch less still."""
_POSITION_PERCENT: Final = 20.0
_SPAN_S: Final = 10.0
_SHORTEST_S: Final = 1e-3
_FULL_PERCENT: Final = 100.0


@final
@dataclass(frozen=True, slots=True)
class MockSetting:
    """A setting of the mock that a line of an override table states.

    Attributes:
        line: the line's name.
        unit: of its value.
        value: what it is.
        most: the largest change that is tried.
        shows_by: inputs of the unit, or its bus, by which it shows; empty for any.
        paths: what moves with it in the mock's settings, and how many times as far.
    """

    line: str
    unit: str
    value: float
    most: float
    shows_by: tuple[str, ...]
    paths: Mapping[Path, float]


@final
@dataclass(frozen=True, slots=True)
class Moved:
    """What became of a setting that was moved one way.

    Attributes:
        sign: 1 for more, -1 for less.
        most: the largest change that was tried; 0 where there is no room.
        smallest: a change that the suite catches, at most half as much again as the smallest; None for none.
        by: number of the profile that catches it.
        missed: why it catches none; None where it does, or where there is no room.
    """

    sign: Sign
    most: float
    smallest: float | None = None
    by: int | None = None
    missed: Missed | None = None


@final
@dataclass(frozen=True, slots=True)
class MovedSetting:
    """A setting, moved less and more."""

    setting: MockSetting
    ways: tuple[Moved, Moved]


def settings_of(bench: BenchFile) -> dict[str, MockSetting]:
    """Return the settings of a bench's mock by the names of an override table's lines, in a table's order."""
    assert bench.mock is not None, "whoever moves them sees to it"
    return {setting.line: setting for setting in _Finder(bench, bench.mock).every()}


@final
@dataclass(frozen=True, slots=True)
class _Finder:
    bench: BenchFile
    mock: MockSettings

    def every(self) -> Iterator[MockSetting]:
        for name in self.mock.vents:
            yield self._vent(name)
        for place in ("outside", "house", "wind"):
            if getattr(self.mock.sensors, place) is not None:
                line = f"sensors.{self._at(place)}"
                for key in ("fails_after", "recovers_after"):
                    yield self._span(f"{line}.{key}", ("sensors", place, key), place)
        if self.mock.sensors.cups is not None:
            line = f"sensors.{self._at('cups')}.fails_after"
            yield self._span(line, ("sensors", "cups", "silent_for"), "cups", "bus")
        yield from self._rain()
        yield from self._gale()
        yield from self._frost()
        yield from self._positions("failure", ("sensors", "failure"), "house", "outside", self._wind)
        for name in self.mock.rules:
            yield from self._of_rule(name)
        yield self._span("supply.rides_through", ("supply", "rides_through"), "supply")
        yield self._span("supply.boots_for", ("supply", "boots_for"), "supply")

    def _rain(self) -> Iterator[MockSetting]:
        yield self._span(f"rain.{self._at('rain')}.debounce", ("rain", "debounce"), "rain")
        if self.mock.tip_rate is not None and self.mock.tip_rate.wet_at is not None:
            yield from self._threshold("rain", "bucket", ("tip_rate",), "wet_at", rising=True)
        yield from self._rule("rain", ("rain",), "rain", "bucket")

    def _gale(self) -> Iterator[MockSetting]:
        if self.mock.wind is None:
            return
        wind = self._wind
        yield from self._threshold("gale", wind, ("wind",), "gale_at", rising=True)
        yield self._span(f"gale.{self._at(wind)}.averaged_over", ("wind", "gust_over"), wind)
        if self.mock.wind.gale_by_mean is not None:
            mean, line = ("wind", "gale_by_mean"), f"gale.{self._at(wind)}_2"
            yield from self._beyond(line, wind, mean, "at", rising=True)
            yield self._span(f"{line}.averaged_over", (*mean, "wind_over"), wind)
        if self.mock.bus_loss is not None and self.mock.bus_loss.treat_as == "gale":
            yield self._span("gale.bus_silent", ("bus_loss", "silent_for"), "bus")
        yield from self._rule("gale", ("wind",), wind, "bus")
        if self.mock.wind.settles_after:
            yield self._span("sides.settles_after", ("wind", "settles_after"), "direction")
        if band := self.mock.wind.dead_band.value:
            place: Path = ("wind", "dead_band")
            yield MockSetting("sides.dead_band", "°", band, band, ("direction",), {place: 1.0})
        for vent in self.mock.wind.leeward:
            yield self._position(f"gale.leeward.{vent}", ("wind", "leeward", vent), wind, "direction")

    def _frost(self) -> Iterator[MockSetting]:
        if self.mock.frost is not None:
            yield from self._threshold("frost", "outside", ("frost",), "frost_at", rising=False)
            yield from self._rule("frost", ("frost",), "outside")

    def _of_rule(self, name: str) -> Iterator[MockSetting]:
        """Yield the settings of a rule of its own; its terms are named as a table names its conditions."""
        places = [place for _, place in self._terms(name)]
        for number, (path, place) in enumerate(self._terms(name)):
            seen = places[: number + 1].count(place)
            line = f"{name}.{self._at(place)}" + (f"_{seen}" if seen > 1 else "")
            match _got(self.mock, path):
                case RainTerm():
                    yield from self._beyond(line, place, path, "rain_from", rising=True)
                case SilentTerm():
                    yield self._span(f"{name}.bus_silent", (*path, "bus_silent"), place)
                case ContactTerm(debounce=debounce_s) if debounce_s:
                    yield self._span(f"{line}.debounce", (*path, "debounce"), place)
                case WindTerm():
                    yield from self._beyond(line, place, path, "at", rising=True)
                    yield self._span(f"{line}.averaged_over", (*path, "wind_over"), place)
                case ColdTerm():
                    yield from self._beyond(line, place, path, "outside_below", rising=False)
        shows_by = tuple(place for place in dict.fromkeys(places) if place not in self.mock.overrides)
        yield from self._rule(name, ("rules", name), *shows_by)
        for vent, (first, _) in self.mock.rules[name].limits.items():
            ends: dict[Path, float] = {("rules", name, "limits", vent, end): 1.0 for end in (0, 1)}
            line = f"{name}.limits.{vent}"
            yield MockSetting(line, "%", first.value, _POSITION_PERCENT, shows_by, ends)

    @property
    def _wind(self) -> str:
        """The input of the wind."""
        return "cups" if self.mock.sensors.wind is None else "wind"

    def _terms(self, name: str) -> Iterator[tuple[Path, str]]:
        """Yield where each term of a rule stands, and the input that it is about."""
        for number, alternative in enumerate(self.mock.rules[name].when):
            here = ("rules", name, "when", number)
            if isinstance(alternative, TogetherTerm):
                for part, term in enumerate(alternative.all):
                    yield (*here, "all", part), self._place(term)
            else:
                yield here, self._place(alternative)

    def _place(self, term: Term) -> str:
        return self._wind if isinstance(term, WindTerm) else place_of(term)

    def _rule(self, line: str, path: Path, *shows_by: str) -> Iterator[MockSetting]:
        for key in ("entry_delay", "release_delay"):
            yield self._span(f"{line}.{key}", (*path, key), *shows_by)
        yield from self._positions(line, path, *shows_by)

    def _positions(self, line: str, path: Path, *shows_by: str) -> Iterator[MockSetting]:
        rule = _got(self.mock, path)
        for vent in rule.positions if rule is not None else ():
            yield self._position(f"{line}.positions.{vent}", (*path, "positions", vent), *shows_by)

    def _vent(self, name: str) -> MockSetting:
        value = self.mock.vents[name].full_travel
        return MockSetting(f"vents.{name}", "s", value, value / 2, (), {("vents", name, "full_travel"): 1.0})

    def _span(self, line: str, path: Path, *shows_by: str) -> MockSetting:
        value = float(_got(self.mock, path))
        return MockSetting(line, "s", value, max(value, _SPAN_S), shows_by, {path: 1.0})

    def _position(self, line: str, path: Path, *shows_by: str) -> MockSetting:
        return MockSetting(line, "%", _got(self.mock, path).value, _POSITION_PERCENT, shows_by, {path: 1.0})

    def _threshold(
        self, line: str, place: str, path: Path, key: str, *, rising: bool
    ) -> Iterator[MockSetting]:
        """Yield where a condition begins, with its end where it was, and the other way round."""
        yield from self._beyond(f"{line}.{self._at(place)}", place, path, key, rising=rising)

    def _beyond(self, name: str, place: str, path: Path, key: str, *, rising: bool) -> Iterator[MockSetting]:
        begins, apart = _got(self.mock, (*path, key)), _got(self.mock, (*path, "hysteresis")).value
        sign, unit = 1.0 if rising else -1.0, canonical_symbol(begins.dimension)
        hysteresis = (*path, "hysteresis")
        yield MockSetting(
            name, unit, begins.value, 2 * apart, (place,), {(*path, key): 1.0, hysteresis: sign}
        )
        ends = begins.value - sign * apart
        yield MockSetting(f"{name}.ends_at", unit, ends, 2 * apart, (place,), {hysteresis: -sign})

    def _at(self, place: str) -> str:
        """Return the output that is wired to an input; the input's own name where none is."""
        wired = (name for name, output in self.bench.outputs.items() if output.wired.get("input") == place)
        return next(wired, place)


def room(setting: MockSetting, bench: BenchFile, sign: Sign) -> float:
    """Return how far a setting can be moved at the most: times and hystereses stay above 0, positions on the scale."""
    most = setting.most
    for path, times in setting.paths.items():
        value = _got(bench.mock, path)
        step = sign * times
        if isinstance(value, Quantity) and setting.unit == "%":
            most = min(most, (_FULL_PERCENT - value.value) if step > 0 else value.value)
        elif step < 0 and path[-1] == "hysteresis":
            most = min(most, value.value)
        elif step < 0 and not isinstance(value, Quantity):
            most = min(most, value - _SHORTEST_S)
    return most


def with_moved(bench: Loaded[BenchFile], setting: MockSetting, by: float) -> Loaded[BenchFile]:
    """Return a bench whose mock has a setting moved by so much."""
    mock: Any = bench.model.mock
    for path, times in setting.paths.items():
        value = _got(mock, path)
        if isinstance(value, Quantity):
            at = value.value + times * by
            moved: object = Quantity(at, value.dimension, f"{at:g} {canonical_symbol(value.dimension)}")
        else:
            moved = value + times * by
        mock = _put(mock, path, moved)
    return replace(bench, model=bench.model.model_copy(update={"mock": mock}))


def _got(model: Any, path: Sequence[Any]) -> Any:  # noqa: ANN401 - whatever stands there
    for key in path:
        model = model[key] if isinstance(model, dict | list | tuple) else getattr(model, str(key))
    return model


def _put(model: Any, path: Sequence[str | int], value: object) -> Any:  # noqa: ANN401 - a model or a part of one
    key, *rest = path
    if rest:
        value = _put(_got(model, (key,)), rest, value)
    if isinstance(model, list | tuple):
        return type(model)(value if number == key else its for number, its in enumerate(model))
    return {**model, key: value} if isinstance(model, dict) else model.model_copy(update={key: value})


def could_show(
    setting: MockSetting,
    profiles: Sequence[Profile],
    inputs: Sequence[Collection[str]],
    healthy: Sequence[Trial],
) -> tuple[int, ...]:
    """Return the numbers of the profiles by which a setting could show, in the order in which to try them.

    Those that claim its line come first; among equals the cheaper one.

    Args:
        setting: the setting.
        profiles: the suite's.
        inputs: what each of them moves of the unit.
        healthy: how each ended against the healthy unit.
    """
    could = [
        number
        for number, moved in enumerate(inputs)
        if not setting.shows_by or any(its in moved for its in setting.shows_by)
    ]
    claims = [frozenset(profile.proves) for profile in profiles]
    return tuple(sorted(could, key=lambda n: (setting.line not in claims[n], healthy[n].polls)))


# What runs in the processes.


def move(line: str, sign: Sign, healthy: Mapping[int, Trial]) -> Moved:
    """Return the smallest change of a setting one way that a suite catches.

    Args:
        line: the setting's.
        sign: 1 for more, -1 for less.
        healthy: how each profile by which it could show ended against the healthy unit, by its number, in the order in
            which to try them.
    """
    bench = own_suite().bench
    setting = settings_of(bench.model)[line]
    most = room(setting, bench.model, sign)
    if most <= 0:
        return Moved(sign, 0.0)
    tried = _tried(setting, sign * most, healthy)
    finders = [number for number, trial in tried.items() if trial.failed]
    if not finders:
        return Moved(sign, most, missed=missed_of([(t, healthy[n]) for n, t in tried.items()]))

    def found(share: float) -> bool:
        for number in tuple(finders) if share < 1 else ():
            if attempt_moved(setting, sign * most * share, number).failed:
                # It is likely to find what is smaller, too.
                finders.remove(number)
                finders.insert(0, number)
                return True
        return share == 1

    share = smallest_found(found, least=_LEAST, ratio=_RATIO)
    return Moved(sign, most, share and share * most, finders[0])


def _tried(setting: MockSetting, by: float, order: Iterable[int]) -> dict[int, Trial]:
    tried: dict[int, Trial] = {}
    for number in order:
        tried[number] = attempt_moved(setting, by, number)
        if sum(trial.failed for trial in tried.values()) == _FINDERS:
            break
    return tried


def attempt_moved(setting: MockSetting, by: float, number: int) -> Trial:
    """Let a profile of this process's suite meet the unit with a setting moved by so much."""
    suite = own_suite()
    return attempt(suite.profiles[number], with_moved(suite.bench, setting, by), seed=suite.seed)
