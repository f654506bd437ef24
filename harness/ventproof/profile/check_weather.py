"""Checks of the weather in a profile: what is stated of it, and whether the bench's sensors can show it."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from pathlib import Path as FilePath
from typing import TYPE_CHECKING

from ventproof.profile.check_responses import contact_problems, no_output
from ventproof.profile.model import VENT
from ventproof.profile.rains import buckets_of, found_by_rains
from ventproof.profile.stimulus import (
    CloseContact,
    Fail,
    OpenContact,
    PulseContact,
    Rainfall,
    Restore,
    Stimulus,
    VentFailure,
    Wind,
    WriteValue,
)
from ventproof.profile.vent_failures import parts_of
from ventproof.profile.weather import (
    EMPTY,
    anemometer,
    end_levels,
    is_at_terminals,
    level_of,
    measuring_span,
    rain_edges,
    rain_of,
    wind_of,
)
from ventproof.weather.levels import FAULT_FROM_MA, FAULT_UP_TO_MA
from ventproof_bench.base.edges import check_plan
from ventproof_bench.base.errors import FileError, Refusal
from ventproof_bench.base.quantities import FAHRENHEIT, Dimension, Quantity, canonical_symbol, value_fault
from ventproof_bench.benchcheck.levels import put_fault
from ventproof_bench.drivers.driver import fastest_edge_s

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from ventproof.profile.model import Profile
    from ventproof.weather.rain_gauge import Left
    from ventproof_bench.base.errors import Problem
    from ventproof_bench.benchfile.model import (
        BenchFile,
        ContactOutput,
        LevelOutput,
        OutputSpec,
        ResistanceOutput,
        ValueOutput,
    )
    from ventproof_bench.yamlfile.load import Loaded
    from ventproof_bench.yamlfile.tree import Path


_CONTACT = "contact"
WIND_UNIT = canonical_symbol(Dimension.SPEED)
"""What a profile needs of an output that shows a wind by its level."""


def stated_problems(profile: Loaded[Profile], here: Path, stimulus: Stimulus) -> Iterator[Problem]:
    """Yield what is wrong with what one stimulus states of weather or of a failure."""
    match stimulus:
        case Rainfall(rainfall=name):
            yield from contact_problems(profile, (*here, "rainfall"), name)
            yield from _course_problems(profile, here, lambda: rain_of(stimulus))
        case Wind(wind=name):
            if profile.model.needs.outputs.get(name) != WIND_UNIT:
                yield from contact_problems(profile, (*here, "wind"), name)
            yield from _course_problems(profile, here, lambda: wind_of(stimulus))
        case Fail(fail=name) | VentFailure(fail=name) | Restore(restore=name):
            key = "restore" if isinstance(stimulus, Restore) else "fail"
            needs = profile.model.needs.outputs
            if name not in needs:
                yield no_output(profile, (*here, key), name)
            elif isinstance(stimulus, Fail) and needs[name] == VENT:
                reason = f"{name!r} is a vent, and its drive cannot fail so"
                yield profile.problem(
                    (*here, "mode"), reason, "say which part of it fails, as `part: position`"
                )
            elif isinstance(stimulus, VentFailure) and needs[name] != VENT:
                reason = f"{name!r} is not a vent that the bench plays, and fails otherwise"
                hint = f"write it below needs: `{name}: {VENT}`, or let a sensor fail: open, short, stuck, drift, …"
                yield profile.problem((*here, "fail"), reason, hint)


def _course_problems(profile: Loaded[Profile], here: Path, made: Callable[[], object]) -> Iterator[Problem]:
    """Yield why a stated course cannot be; what is wrong in a series is placed in its own file."""
    try:
        made()
    except ValueError as error:
        wrong = Refusal.of(error)
        yield profile.problem(here, wrong.reason, wrong.hint)
    except FileError as error:
        folder = FilePath(profile.path).parent
        yield from (replace(fault, file=str(folder / fault.file)) for fault in error.problems)


def _stimuli(profile: Loaded[Profile]) -> Iterator[tuple[Path, Stimulus]]:
    for number, step in enumerate(profile.model.steps):
        for index, stimulus in enumerate(step.do):
            yield ("steps", number, "do", index), stimulus


def weather_problems(profile: Loaded[Profile]) -> Iterator[Problem]:
    """Yield what is wrong with the weather of all steps together."""
    yield from _failure_problems(profile)
    plays: dict[str, str] = {}
    failing: set[str] = set()
    for path, stimulus in _stimuli(profile):
        if isinstance(stimulus, Fail):
            failing.add(stimulus.fail)
        kind = _plays(stimulus)
        if kind is None:
            continue
        (name,) = stimulus.outputs
        if plays.setdefault(name, kind) != kind:
            reason = f"{name!r} stands for {plays[name]} further up and for {kind} here"
            yield profile.problem(path, reason, "let each contact stand for one thing in a profile")
    for index, invariant in enumerate(profile.model.always):
        for name, value in (invariant.while_ or {}).items():
            if not profile.model.needs.is_contact(name, value):
                continue
            if plays.get(name, _CONTACT) != _CONTACT:
                path = ("always", index, "while", name)
                reason = f"{name!r} stands for {plays[name]}: it opens and closes all the time"
                yield profile.problem(
                    path, reason, "name a contact that keeps its state, or leave `while` out"
                )
            elif name in failing:
                reason = f"{name!r} fails in this profile: what its contact does then is not followed"
                yield profile.problem(
                    ("always", index, "while", name), reason, "name another contact, or leave `while` out"
                )


def _plays(stimulus: Stimulus) -> str | None:
    """Return what a stimulus makes of its contact; None when it moves none."""
    if isinstance(stimulus, CloseContact | OpenContact | PulseContact):
        return _CONTACT
    if isinstance(stimulus, Rainfall):
        return "rain"
    return "wind" if isinstance(stimulus, Wind) else None


def _failure_problems(profile: Loaded[Profile]) -> Iterator[Problem]:
    failed: dict[str, set[str]] = {}
    for path, stimulus in _stimuli(profile):
        match stimulus:
            case Fail(fail=name) | VentFailure(fail=name):
                parts = parts_of(stimulus).keys() if isinstance(stimulus, VentFailure) else {""}
                if parts & failed.setdefault(name, set()):
                    yield profile.problem((*path, "fail"), f"{name!r} has failed already", "restore it first")
                failed[name] |= parts
            case Restore(restore=name):
                if name not in failed:
                    yield profile.problem((*path, "restore"), f"{name!r} has not failed", "use `fail` first")
                failed.pop(name, None)
            case PulseContact(pulse=name):
                if name in failed:
                    reason = f"{name!r} has failed: its pulses would reach nothing"
                    yield profile.problem(path, reason, "restore it first")


def sensor_problems(
    profile: Loaded[Profile], bench: Loaded[BenchFile], names: Mapping[str, str]
) -> Iterator[Problem]:
    """Yield what the sensors that the bench's outputs stand for cannot show."""
    for name, value in profile.model.start.write.items():
        yield from _level_problems(
            profile, ("start", "write", name), bench.model.outputs[names[name]], value.value
        )
    found = found_by_rains(profile.model, buckets_of(bench.model.outputs, names))
    for path, stimulus in _stimuli(profile):
        for name in stimulus.outputs:
            if name not in names:
                continue  # a vent
            output = bench.model.outputs[names[name]]
            at = f"{names[name]!r} on bench {bench.path}"
            if isinstance(stimulus, WriteValue):
                yield from _level_problems(profile, (*path, "value"), output, stimulus.value.value)
            elif isinstance(stimulus, Fail):
                yield from _can_fail(profile, path, stimulus, output, at)
                yield from _chatter_problems(profile, path, stimulus, output, (at, bench.model))
            elif isinstance(stimulus, Wind) and output.kind != "contact":
                yield from _blown_problems(profile, path, stimulus, output, at)
            elif isinstance(stimulus, Rainfall | Wind) and output.kind == "contact":
                _, number, _, index = path
                left = found.get((int(number), int(index))) or EMPTY
                yield from _shown_problems(profile, path, stimulus, output, (at, bench.model, left))
    outputs = {name: bench.model.outputs[at] for name, at in names.items()}
    yield from _wandering_problems(profile, outputs)
    yield from _mending_problems(profile, outputs)


def _level_problems(
    profile: Loaded[Profile], path: Path, output: OutputSpec, value: float, *, exact: bool = True
) -> Iterator[Problem]:
    if output.kind == "contact":
        return
    try:
        level = level_of(output, value)
    except ValueError as error:
        wrong = Refusal.of(error)
        yield profile.problem(path, wrong.reason, wrong.hint)
        return
    if (said := put_fault(output, level, exact=exact)) is not None:
        yield profile.problem(path, *said)


def _blown_problems(
    profile: Loaded[Profile], path: Path, stimulus: Wind, output: ValueOutput, at: str
) -> Iterator[Problem]:
    """Yield what is wrong with a wind on an output that shows it by its level."""
    if output.kind != "level":
        hint = "name an output of `kind: level` that stands for a wind sensor, or a contact of cups"
        yield profile.problem((*path, "wind"), f"{at} shows no wind that changes by itself", hint)
        return
    if stimulus.bounce is not None:
        yield profile.problem((*path, "bounce"), f"{at} is a level and does not bounce", "leave it out")
    low, high = sorted(output.range, key=lambda end: end.value)
    course = wind_of(stimulus)
    for speed in (course.slowest_m_per_s, course.fastest_m_per_s):
        if not low.value <= speed <= high.value:
            reason = f"a wind of {speed:.4g} m/s is beyond the range of {at}, {low} to {high}"
            yield profile.problem(path, reason, "let it blow within that range")
        elif (said := put_fault(output, level_of(output, speed))) is not None:
            yield profile.problem(path, *said)


def _can_fail(
    profile: Loaded[Profile], path: Path, failure: Fail, output: OutputSpec, at: str
) -> Iterator[Problem]:
    is_contact = output.kind == "contact"
    if failure.level is not None:
        yield from _signalled_problems(profile, (*path, "level"), failure.level, output, at)
    elif output.kind == "register" and not failure.wanders:
        hint = "a value that is written over the bus has no wires; it can only drift, jump or chatter"
        yield profile.problem((*path, "fail"), f"{at} is a register, and no sensor that could fail so", hint)
    elif is_contact and failure.by is not None:
        yield profile.problem(
            (*path, "by"),
            f"{at} is a contact and shows no value",
            "leave `by` out, or fail it in another way",
        )
    elif is_at_terminals(output) and failure.mode in {"open", "short"}:
        if failure.mode == "open" and output.breaks_with is not None:
            return
        ends = end_levels(output)
        said = put_fault(output, ends.broken if failure.mode == "open" else ends.shorted)
        if said is not None:
            reason = f"{at} cannot show a wire that is {failure.mode}: {said[0]}"
            cure = "name a contact in series with it, `breaks_with:`, or " if failure.mode == "open" else ""
            yield profile.problem((*path, "mode"), reason, f"{cure}fail it in another way")
    elif not is_contact and failure.mode == "chatter" and failure.by is None:
        yield profile.problem((*path, "mode"), f"{at} is not a contact", "say `by:`, how far its value jumps")


def _signalled_problems(
    profile: Loaded[Profile], path: Path, level: Quantity, output: OutputSpec, at: str
) -> Iterator[Problem]:
    """Yield what is wrong with the level by which a transmitter signals its own failure."""
    if not is_at_terminals(output):
        hint = "only what puts a current, a voltage or a resistance on terminals signals a failure so"
        yield profile.problem(path, f"{at} has no level", hint, at_key=True)
        return
    said = value_fault(level, canonical_symbol(output.carries), at) or put_fault(output, level.value)
    if said is not None:
        yield profile.problem(path, *said)
    elif output.kind != "supply" and (hint := _value_hint(output, level.value)):
        yield profile.problem(path, f"{level.text!r} is a value and signals no failure", hint)
    elif output.carries == "current":
        ends = end_levels(output)
        if not ends.broken <= level.value <= ends.shorted:
            reason = f"{level.text!r} is a current that no transmitter puts and that may harm the input"
            hint = f"write {ends.broken:g} mA to {ends.shorted:g} mA"
            yield profile.problem(path, reason, hint)


def _value_hint(output: LevelOutput | ResistanceOutput, level: float) -> str:
    """Return which levels signal a failure, where this one stands for a value; empty where it does not."""
    if output.kind == "level" and output.signal == "4-20 mA":
        inside = FAULT_UP_TO_MA < level < FAULT_FROM_MA
        said = f"write at most {FAULT_UP_TO_MA:g} mA or at least {FAULT_FROM_MA:g} mA (NAMUR NE 43)"
        return said if inside else ""
    low, high = measuring_span(output)
    if not low <= level <= high:
        return ""
    unit = canonical_symbol(output.carries)
    below = [f"less than {low:.4g} {unit}"] if low else []
    to_spare = output.kind != "level" or high < output.most
    above = [f"more than {high:.4g} {unit}"] if to_spare else []
    ways = " or ".join((*below, *above))
    return (
        f"write {ways}, or play the value by `write:`" if ways else "fail it by `mode: open` or `mode: short`"
    )


def _chatter_problems(
    profile: Loaded[Profile], path: Path, failure: Fail, output: OutputSpec, where: tuple[str, BenchFile]
) -> Iterator[Problem]:
    at, bench = where
    if output.kind == "contact" and failure.every is not None:
        fastest_s = 2 * fastest_edge_s(output, bench.buses)
        if failure.every < fastest_s:
            reason = f"every {failure.every:g} s is faster than {at} can follow, which needs {fastest_s:g} s"
            yield profile.problem((*path, "every"), reason, "some changes are half of it apart")


def _error_fault(by: Quantity, unit: str, name: str) -> tuple[str, str] | None:
    if by.symbol == FAHRENHEIT:
        return f"{by.text!r} is a temperature; expected a temperature difference", "write it in °C"
    return value_fault(by, unit, f"output {name!r}")


def _wandering_problems(profile: Loaded[Profile], outputs: Mapping[str, OutputSpec]) -> Iterator[Problem]:
    """Yield what is wrong with values while their sensor makes them wrong."""
    values = {name: (value.value,) * 2 for name, value in profile.model.start.write.items()}
    errors: dict[str, Sequence[float]] = {}
    for path, stimulus in _stimuli(profile):
        match stimulus:
            case WriteValue(write=name) | Wind(wind=name):
                values[name] = _extremes(stimulus)
            case Fail(fail=name, by=Quantity() as by):
                output = outputs[name]
                if output.kind == "contact":
                    continue
                if (said := _error_fault(by, output.unit, name)) is not None:
                    yield profile.problem((*path, "by"), *said)
                    continue
                if name not in values:
                    hint = "write its value first, here or in the start"
                    yield profile.problem((*path, "fail"), f"the value of {name!r} before is unknown", hint)
                    continue
                errors[name] = (by.value, -by.value) if stimulus.mode == "chatter" else (by.value,)
            case Restore(restore=name):
                errors.pop(name, None)
        for name in stimulus.outputs:
            for value, error in product({*values.get(name, ())}, errors.get(name, ())):
                yield from _level_problems(profile, path, outputs[name], value + error, exact=False)


def _extremes(stimulus: WriteValue | Wind) -> tuple[float, float]:
    """Return the lowest and the highest value that an output shows from a stimulus on."""
    if isinstance(stimulus, WriteValue):
        return stimulus.value.value, stimulus.value.value
    return wind_of(stimulus).slowest_m_per_s, wind_of(stimulus).fastest_m_per_s


def _mending_problems(profile: Loaded[Profile], outputs: Mapping[str, OutputSpec]) -> Iterator[Problem]:
    """Yield the sensors whose wires work again while nothing says what they show then."""
    known, cut = set(profile.model.start.write), set[str]()
    for path, stimulus in _stimuli(profile):
        match stimulus:
            case WriteValue(write=name) | Wind(wind=name):
                known.add(name)
            case Fail(fail=name, mode="open" | "short" | "signals"):
                cut.add(name)
            case Restore(restore=name):
                if name in cut - known and is_at_terminals(outputs[name]):
                    hint = "write its value first, here or in the start"
                    yield profile.problem(
                        (*path, "restore"), f"the value of {name!r} from now on is unknown", hint
                    )
                cut.discard(name)


def _bounce_problems(
    profile: Loaded[Profile],
    path: Path,
    stimulus: Rainfall | Wind,
    output: ContactOutput,
    where: tuple[str, float],
) -> Iterator[Problem]:
    """Yield what is wrong with the bounce of a bucket or of cups: too quick, or longer than a closure."""
    bounce, sensor, (at, fastest_s) = stimulus.bounce, output.sensor, where
    if bounce is None or sensor is None:
        return
    if bounce.each < fastest_s:
        reason = f"each {bounce.each:g} s is shorter than {at} can follow"
        yield profile.problem((*path, "bounce", "each"), reason, f"write {fastest_s:g} s or more")
    closed_s = None if sensor.bucket is None else sensor.bucket.closed_for
    if isinstance(stimulus, Wind) and sensor.cups is not None:
        hz = anemometer(sensor.cups).frequency_hz(wind_of(stimulus).fastest_m_per_s)
        closed_s = 1 / hz / 2 if hz else None
    if closed_s is not None and closed_s < bounce.least_s:
        reason = f"a contact that is closed for {closed_s:.4g} s has no time for this bounce of {bounce.least_s:.4g} s"
        yield profile.problem(
            (*path, "bounce"), reason, "let it bounce less often, or each time for less long"
        )


def _shown_problems(
    profile: Loaded[Profile],
    path: Path,
    stimulus: Rainfall | Wind,
    output: ContactOutput,
    where: tuple[str, BenchFile, Left],
) -> Iterator[Problem]:
    at, bench, left = where
    kind, word = ("bucket", "rainfall") if isinstance(stimulus, Rainfall) else ("cups", "wind")
    if output.sensor is None or getattr(output.sensor, kind) is None:
        hint = f"declare `sensor: {{{kind}: …}}` of the output that stands for it"
        yield profile.problem((*path, word), f"{at} stands for no {kind}", hint)
        return
    fastest_s = fastest_edge_s(output, bench.buses)
    yield from _bounce_problems(profile, path, stimulus, output, (at, fastest_s))
    try:
        if isinstance(stimulus, Rainfall) and output.sensor.bucket is not None:
            check_plan(rain_edges(output.sensor.bucket, stimulus, left), fastest_edge_s=fastest_s)
        elif isinstance(stimulus, Wind) and output.sensor.cups is not None:
            cups = anemometer(output.sensor.cups, fastest_edge_s=fastest_s)
            cups.frequency_hz(wind_of(stimulus).fastest_m_per_s)
    except ValueError as error:
        wrong = Refusal.of(error)
        yield profile.problem(path, f"{at}: {wrong.reason}", wrong.hint)
