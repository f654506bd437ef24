"""The mock unit that does what an override table says: a bench file's mock settings, written anew from the table."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, final

from ventproof.table.model import (
    ActiveCondition,
    BusSilentCondition,
    ContactCondition,
    FailedCondition,
    JoinedCondition,
    LevelCondition,
    OverrideTable,
    RainfallCondition,
    ThresholdCondition,
    WindCondition,
    condition_key,
    output_of,
)
from ventproof_bench.base.errors import FileError
from ventproof_bench.base.quantities import canonical_symbol
from ventproof_bench.benchcheck.load import with_mock
from ventproof_bench.yamlfile.load import in_file_order
from ventproof_bench.yamlfile.value_errors import nearest

if TYPE_CHECKING:
    from ventproof_bench.base.errors import Problem
    from ventproof_bench.base.quantities import Quantity
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.mock.settings import MockSettings
    from ventproof_bench.yamlfile.load import Loaded
    from ventproof_bench.yamlfile.tree import Path

_ONE_OF_EACH = (("contact", "rain"), ("wind", "gale"), ("level", "frost"))
"""The mock's override that a condition's kind leads to; one with none of these is its `failure`."""
_INPUTS = {"contact": "rain", "rainfall": "bucket", "wind": "cups", "level": "outside"}
_SECTIONS = {"rain": "rain", "gale": "wind", "frost": "frost"}
_KEPT = {
    "rain": ("debounce", "counted"),
    "wind": ("debounce", "slope", "offset", "mean_over"),
    "frost": (),
    "tip_rate": ("debounce", "tips", "counted"),
}
"""What stays the bench file's of the sections that the table writes."""


def with_table(bench: Loaded[BenchFile], table: Loaded[OverrideTable]) -> Loaded[BenchFile]:
    """Return the bench file with a mock unit that does what the table says.

    Overrides, precedence, sensor failure, supply and bus loss are the table's; vents, house, wiring and what the table
    does not say of an input stay the bench file's. The text is rewritten too, so that a log pins what was run.

    Raises:
        FileError: the bench has no mock, lacks what the table names, or the mock cannot do what the table says; every
            fault found, placed in the table.
    """
    if bench.model.mock is None:
        said = f"bench {bench.path} has no mock unit that could do what the table says"
        raise FileError([table.problem((), said, "name a bench whose bus is `link: in-process`")])
    made = _Rewriting(bench, table, bench.model.mock)
    mock = made.settings()
    if made.problems:
        raise FileError(in_file_order(made.problems))
    return with_mock(bench, mock)


@final
class _Rewriting:
    """One bench's mock being written anew; finds on the way what the mock cannot do."""

    def __init__(self, bench: Loaded[BenchFile], table: Loaded[OverrideTable], mock: MockSettings) -> None:
        self.problems: list[Problem] = []
        self._bench, self._table = bench, table
        self._mock: dict[str, Any] = mock.model_dump(mode="json", by_alias=True, exclude_defaults=True)
        self._names = self._mock_names()

    def settings(self) -> dict[str, Any]:
        """Return the mock section as data."""
        model, mock = self._table.model, self._mock
        for name in model.vents:
            if name not in mock["vents"]:
                self._cannot(("vents", name), f"the mock has no vent {name!r}", nearest(name, mock["vents"]))
        sensors = self._cleared()
        for name, override in model.overrides.items():
            its = self._section(name, sensors)
            self._write_rule(name, its)
            if self._is_rule(name):
                its["when"] = [self._alternative(name, number) for number in range(len(override.when))]
                continue
            for number, condition in enumerate(override.when):
                self._write_condition(("overrides", name, "when", number), name, its, condition)
        self._write_sensors(sensors)
        ranks = model.ranks
        if ranks is not None:
            moving = (name for rank in ranks for name in rank if model.overrides[name].positions)
            mock["precedence"] = [self._names[name] for name in moving]
        if model.supply is not None:
            self._wired(("supply", "contact"), model.supply.contact, "supply")
            mock["supply"] = {
                "rides_through": _seconds(model.supply.rides_through),
                "boots_for": _seconds(model.supply.boots_for),
                "restart": model.supply.restart,
            }
        if model.reset is not None:
            self._wired(("reset",), model.reset, "reset")
        if model.direction is not None:
            self._wired(("direction",), model.direction, "direction")
        self._drop_unused(sensors)
        return mock

    def _drop_unused(self, sensors: dict[str, Any]) -> None:
        """Take out the inputs that no override of the table needs."""
        needed = (("wind", "gale_at"), ("tip_rate", "tip"), ("frost", "frost_at"))
        for section, key in needed:
            if key not in self._mock[section]:
                del self._mock[section]
        if "wind" not in self._mock:
            sensors.pop("cups", None)
            sensors.pop("wind", None)

    def _cleared(self) -> dict[str, Any]:
        """Take out of the mock section what the table decides; returns its sensors."""
        for section, keys in _KEPT.items():
            has = self._mock.get(section, {})
            self._mock[section] = {key: has[key] for key in keys if key in has}
        for section in ("bus_loss", "precedence"):
            self._mock.pop(section, None)
        self._mock["rules"] = {}
        self._mock["wind"].pop("gale_by_mean", None)
        sensors: dict[str, Any] = self._mock.setdefault("sensors", {})
        sensors.pop("failure", None)
        for watched in sensors.values():
            watched.pop("treat_as", None)
        return sensors

    def _section(self, name: str, sensors: dict[str, Any]) -> dict[str, Any]:
        if self._is_rule(name):
            return self._mock["rules"].setdefault(name, {})
        if self._names[name] == "failure":
            return sensors.setdefault("failure", {})
        return self._mock[_SECTIONS[self._names[name]]]

    def _is_rule(self, name: str) -> bool:
        """Return whether the mock has no override of this kind, and needs a rule of its own for it."""
        override = self._table.model.overrides[name]
        return not override.positions or any(
            isinstance(its, JoinedCondition | ActiveCondition)
            or (
                isinstance(its, ContactCondition)
                and self._input(its.contact) not in {None, "rain", *_INPUTS.values()}
            )
            for its in override.when
        )

    def _input(self, name: str) -> object:
        output = self._bench.model.outputs.get(name)
        return None if output is None else output.wired.get("input")

    def _alternative(self, name: str, number: int) -> dict[str, Any]:
        """Return one alternative of a rule as the mock's settings say it."""
        path: Path = ("overrides", name, "when", number)
        alternative = self._table.model.overrides[name].when[number]
        if isinstance(alternative, JoinedCondition):
            parts = enumerate(alternative.all)
            return {"all": [self._term((*path, "all", part), its) for part, its in parts]}
        return self._term(path, alternative)

    def _term(self, path: Path, condition: object) -> dict[str, Any]:  # noqa: PLR0911 - a table of kinds
        match condition:
            case ContactCondition():
                term = {"contact": self._input(condition.contact), "debounce": _seconds(condition.debounce)}
                return term | ({"state": "open"} if condition.state == "open" else {})
            case WindCondition():
                over = {"wind_over": _seconds(condition.averaged_over)}
                return over | {"at": str(condition.begins_at), "hysteresis": _apart(condition)}
            case LevelCondition() if not condition.rising:
                self._wired((*path, "level"), condition.level, "outside")
                return {"outside_below": str(condition.begins_at), "hysteresis": _apart(condition)}
            case FailedCondition():
                return {"failed": self._input_of(path, condition.failed)}
            case RainfallCondition():
                self._mock["tip_rate"] |= {"tip": str(condition.tip), "tips": condition.tips}
                return {"rain_from": str(condition.begins_at), "hysteresis": _apart(condition)}
            case BusSilentCondition():
                return {"bus_silent": _seconds(condition.bus_silent)}
            case ActiveCondition():
                return {"active": self._names[condition.active]}
        self._cannot(path, "the mock joins no such condition", "")
        return {}

    def _mock_names(self) -> dict[str, str]:
        names: dict[str, str] = {}
        for name, override in self._table.model.overrides.items():
            if self._is_rule(name):
                names[name] = name
                continue
            kinds = [condition_key(condition) for condition in override.when]
            chosen = [mock_name for key, mock_name in _ONE_OF_EACH if key in kinds]
            names[name] = chosen[0] if chosen else "failure"
            if "rainfall" in kinds and "contact" not in kinds:
                self._cannot(
                    ("overrides", name, "when"), "the mock knows a bucket only beside a rain contact", ""
                )
            if len(chosen) > 1:
                reason = f"the mock has no override that {' and '.join(chosen)} call for together"
                self._cannot(("overrides", name, "when"), reason, "make them two overrides")
            twin = next((other for other, its in names.items() if its == names[name] and other != name), None)
            if twin is not None:
                reason = f"the mock has one override of this kind, which is {twin!r} already"
                self._cannot(("overrides", name), reason, "")
        if "rain" not in names.values():
            self._cannot(("overrides",), "the mock always has a rain contact, and the table has none", "")
        return names

    def _write_rule(self, name: str, its: dict[str, Any]) -> None:
        override = self._table.model.overrides[name]
        if self._names[name] == "failure":
            for key in ("entry_delay", "release_delay"):
                if getattr(override, key):
                    self._cannot(
                        ("overrides", name, key), "the mock's failure override knows no delay", "write 0 s"
                    )
        else:
            its["entry_delay"] = _seconds(override.entry_delay)
            its["release_delay"] = _seconds(override.release_delay)
        its["positions"] = {vent: str(position) for vent, position in override.positions.items()}
        self._write_lee(name, its)
        if override.fall_between is not None:
            its["limits"] = {vent: [str(at) for at in limits] for vent, limits in override.limits.items()}
            its["fall_between"] = [str(at) for at in override.fall_between]
        if not override.only_close:
            its["only_close"] = False
        if override.flag_while_active == "off":
            its["drops_out"] = True
        if override.latched:
            its["latched"] = True

    def _write_lee(self, name: str, its: dict[str, Any]) -> None:
        override = self._table.model.overrides[name]
        if not override.leeward:
            return
        if self._names[name] != "gale":
            self._cannot(("overrides", name, "leeward"), "the mock has a lee side in a gale only", "")
        its["leeward"] = {vent: str(position) for vent, position in override.leeward.items()}
        faces = {vent: its_vent.faces for vent, its_vent in self._table.model.vents.items()}
        its["faces"] = {vent: at for vent, at in faces.items() if at is not None}
        sides = self._table.model.sides
        if sides.dead_band.value:
            its["dead_band"] = str(sides.dead_band)
        its["settles_after"] = _seconds(sides.settles_after)

    def _write_condition(self, path: Path, name: str, its: dict[str, Any], condition: object) -> None:
        if isinstance(condition, ThresholdCondition | ContactCondition):
            key = condition_key(condition)  # type: ignore[arg-type]
            by_level = key == "wind" and "wind" in self._mock.get("sensors", {})
            place = "wind" if by_level else _INPUTS[key]  # type: ignore[arg-type]
            self._wired((*path, key), str(output_of(condition)), place)  # type: ignore[arg-type]
        if isinstance(condition, ThresholdCondition) and condition.rising == isinstance(
            condition, LevelCondition
        ):
            self._cannot(path, "the mock has no override on this side of the value", "")
        match condition:
            case ContactCondition():
                its["debounce"] = _seconds(condition.debounce)
                if condition.state == "open":
                    its["state"] = "open"
            case WindCondition():
                self._write_wind(path, its, condition)
            case RainfallCondition():
                bucket = self._mock["tip_rate"]
                bucket |= {"tip": str(condition.tip), "tips": condition.tips}
                bucket |= {"wet_at": str(condition.begins_at), "hysteresis": _apart(condition)}
            case LevelCondition():
                its |= {"frost_at": str(condition.begins_at), "hysteresis": _apart(condition)}
            case BusSilentCondition():
                if "bus_loss" in self._mock:
                    self._cannot(path, "the mock takes a silent bus for one override only", "")
                loss = {"silent_for": _seconds(condition.bus_silent), "treat_as": self._names[name]}
                self._mock["bus_loss"] = loss

    def _write_wind(self, path: Path, its: dict[str, Any], condition: WindCondition) -> None:
        if "gale_by_mean" in its:
            self._cannot(path, "the mock knows a gust and one mean", "")
        if "gale_at" in its:
            its["gale_by_mean"] = self._term(path, condition)
        else:
            its |= {"gust_over": _seconds(condition.averaged_over), "gale_at": str(condition.begins_at)}
            its["hysteresis"] = _apart(condition)

    def _write_sensors(self, sensors: dict[str, Any]) -> None:
        for name, sensor in self._table.model.sensors.items():
            path: Path = ("sensors", name)
            place = self._input_of(path, name)
            if place == "cups":
                sensors["cups"] = {"silent_for": _seconds(sensor.fails_after)}
            elif place == "loop" or place in sensors:
                sensors.setdefault(place, {})
                sensors[place] |= {
                    "fails_after": _seconds(sensor.fails_after),
                    "recovers_after": _seconds(sensor.recovers_after),
                }
                if sensor.loop == "open":
                    self._cannot((*path, "loop"), "the mock's loop is closed while its sensor works", "")
                if "stuck" in sensor.modes:
                    where = (*path, "modes", sensor.modes.index("stuck"))
                    self._cannot(
                        where, "the mock takes a value that stays as it is for a steady one", "leave it out"
                    )
            elif place is not None:
                self._cannot(path, f"the mock watches no sensor at its input {place!r}", "")
                continue
            if place is not None:
                self._treat(name, sensors[place])

    def _treat(self, name: str, its: dict[str, Any]) -> None:
        """Write which override a failed sensor counts as."""
        for override_name, override in self._table.model.overrides.items():
            if self._is_rule(override_name):
                continue
            if any(isinstance(c, FailedCondition) and c.failed == name for c in override.when):
                if "treat_as" in its:
                    reason = f"the mock takes a failed {name!r} for one override only"
                    self._cannot(("overrides", override_name, "when"), reason, "")
                its["treat_as"] = self._names[override_name]

    def _input_of(self, path: Path, name: str) -> str | None:
        output = self._bench.model.outputs.get(name)
        if output is None:
            hint = nearest(name, self._bench.model.outputs)
            self._cannot(path, f"bench {self._bench.path} has no output {name!r}", hint)
            return None
        place = output.wired.get("input")
        return place if isinstance(place, str) else None

    def _wired(self, path: Path, name: str, place: str) -> None:
        found = self._input_of(path, name)
        if found is not None and found != place:
            reason = f"output {name!r} of bench {self._bench.path} is wired to the mock's {found!r}"
            self._cannot(path, reason, f"this condition is read at its {place!r}")

    def _cannot(self, path: Path, reason: str, hint: str) -> None:
        self.problems.append(self._table.problem(path, reason, hint))


def _seconds(span_s: float) -> str:
    return f"{span_s!r} s".replace(".0 s", " s")


def _apart(condition: ThresholdCondition) -> str:
    """Return how far apart a condition's two values are, as the mock's settings say it."""
    begins: Quantity = condition.begins_at
    return f"{abs(begins.value - condition.ends_at.value):.9g} {canonical_symbol(begins.dimension)}"
