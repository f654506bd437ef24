"""Checks of the weather in a profile: what is stated of it, and whether the bench's sensors can show it."""

from __future__ import annotations

from itertools import islice
from typing import TYPE_CHECKING

from bench.drivers import fastest_edge_s
from bench.fits import value_fault
from bench.pulses import check_plan
from bench.wiring import ContactOutput, RegisterOutput
from harness.profile.stimulus import (
    CloseContact,
    Fail,
    Mend,
    OpenContact,
    PulseContact,
    Rainfall,
    Stimulus,
    Wind,
    WriteValue,
)
from harness.profile.values import contact_problems, no_output
from harness.weather.sensing import anemometer, level_of, rain_edges, wind_edges

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from bench.document import Loaded
    from bench.errors import Problem
    from bench.units import Quantity
    from bench.wiring import BenchFile, OutputSpec
    from bench.yamltree import Path
    from harness.profile.model import Profile

_CONTACT = "contact"


def stated_problems(profile: Loaded[Profile], here: Path, stimulus: Stimulus) -> Iterator[Problem]:
    """Yield what is wrong with what one stimulus states of weather or of a failure."""
    match stimulus:
        case Rainfall(rainfall=name, intensity=intensity):
            yield from contact_problems(profile, (*here, "rainfall"), name)
            yield from _amount_problems(profile, (*here, "intensity"), intensity, "mm/h")
        case Wind(wind=name, speed=speed):
            yield from contact_problems(profile, (*here, "wind"), name)
            yield from _amount_problems(profile, (*here, "speed"), speed, "m/s")
        case Fail(fail=name) | Mend(mend=name):
            if name not in profile.model.needs.outputs:
                key = "fail" if isinstance(stimulus, Fail) else "mend"
                yield no_output(profile, (*here, key), name)


def _amount_problems(profile: Loaded[Profile], path: Path, amount: Quantity, unit: str) -> Iterator[Problem]:
    said = value_fault(amount, unit, "the weather")
    if said is None and amount.value < 0:
        said = (f"{amount.text!r} is below zero", f"write 0 {unit} for none")
    if said is not None:
        yield profile.problem(path, *said)


def _stimuli(profile: Loaded[Profile]) -> Iterator[tuple[Path, Stimulus]]:
    for number, step in enumerate(profile.model.steps):
        for index, stimulus in enumerate(step.do):
            yield ("steps", number, "do", index), stimulus


def weather_problems(profile: Loaded[Profile]) -> Iterator[Problem]:
    """Yield what is wrong with the weather of all steps together."""
    yield from _failure_problems(profile)
    plays: dict[str, str] = {}
    for path, stimulus in _stimuli(profile):
        kind = _plays(stimulus)
        if kind is None:
            continue
        (name,) = stimulus.outputs
        if plays.setdefault(name, kind) != kind:
            reason = f"{name!r} stands for {plays[name]} further up and for {kind} here"
            yield profile.problem(path, reason, "let each contact stand for one thing in a profile")
    for index, invariant in enumerate(profile.model.always):
        for name in invariant.while_ or {}:
            if plays.get(name, _CONTACT) != _CONTACT:
                path = ("always", index, "while", name)
                reason = f"{name!r} stands for {plays[name]}: it opens and closes all the time"
                yield profile.problem(
                    path, reason, "name a contact that keeps its state, or leave `while` out"
                )


def _plays(stimulus: Stimulus) -> str | None:
    """Return what a stimulus makes of its contact; None when it moves none."""
    if isinstance(stimulus, CloseContact | OpenContact | PulseContact):
        return _CONTACT
    if isinstance(stimulus, Rainfall):
        return "rain"
    return "wind" if isinstance(stimulus, Wind) else None


def _failure_problems(profile: Loaded[Profile]) -> Iterator[Problem]:
    failed: set[str] = set()
    for path, stimulus in _stimuli(profile):
        match stimulus:
            case Fail(fail=name):
                if name in failed:
                    yield profile.problem((*path, "fail"), f"{name!r} has failed already", "mend it first")
                failed.add(name)
            case Mend(mend=name):
                if name not in failed:
                    yield profile.problem((*path, "mend"), f"{name!r} has not failed", "use `fail` first")
                failed.discard(name)


def sensor_problems(
    profile: Loaded[Profile], bench: Loaded[BenchFile], names: Mapping[str, str]
) -> Iterator[Problem]:
    """Yield what the sensors that the bench's outputs stand for cannot show."""
    for name, value in profile.model.start.write.items():
        yield from _level_problems(profile, ("start", "write", name), bench.model.outputs[names[name]], value)
    for path, stimulus in _stimuli(profile):
        for name in stimulus.outputs:
            output = bench.model.outputs[names[name]]
            at = f"{names[name]!r} on bench {bench.path}"
            if isinstance(stimulus, WriteValue):
                yield from _level_problems(profile, (*path, "value"), output, stimulus.value)
            elif isinstance(stimulus, Fail):
                yield from _can_fail(profile, (*path, "fail"), output, at)
            elif isinstance(stimulus, Rainfall | Wind) and isinstance(output, ContactOutput):
                yield from _shown_problems(profile, path, stimulus, output, (at, bench.model))


def _level_problems(
    profile: Loaded[Profile], path: Path, output: OutputSpec, value: Quantity
) -> Iterator[Problem]:
    if isinstance(output, ContactOutput):
        return
    try:
        level_of(output, value.value)
    except ValueError as error:
        reason, _, hint = str(error).partition("; ")
        yield profile.problem(path, reason, hint)


def _can_fail(profile: Loaded[Profile], path: Path, output: OutputSpec, at: str) -> Iterator[Problem]:
    if isinstance(output, RegisterOutput):
        hint = "a value that is written over the bus has no wires; play it as a level or a resistance"
        yield profile.problem(path, f"{at} is a register, and no sensor that could fail", hint)
    elif isinstance(output, ContactOutput) and output.sensor is None:
        hint = "use `open` for a broken wire, `close` for a short, or declare its `sensor:`"
        yield profile.problem(path, f"{at} is a plain contact", hint)


def _shown_problems(
    profile: Loaded[Profile],
    path: Path,
    stimulus: Rainfall | Wind,
    output: ContactOutput,
    where: tuple[str, BenchFile],
) -> Iterator[Problem]:
    at, bench = where
    kind, key = ("bucket", "intensity") if isinstance(stimulus, Rainfall) else ("cups", "speed")
    if output.sensor is None or getattr(output.sensor, kind) is None:
        word = "rainfall" if isinstance(stimulus, Rainfall) else "wind"
        hint = f"declare `sensor: {{{kind}: …}}` of the output that stands for it"
        yield profile.problem((*path, word), f"{at} stands for no {kind}", hint)
        return
    fastest_s = fastest_edge_s(output, bench.buses)
    try:
        if isinstance(stimulus, Rainfall) and output.sensor.bucket is not None:
            edges = rain_edges(output.sensor.bucket, stimulus.intensity, for_s=stimulus.for_)
            check_plan(edges, fastest_edge_s=fastest_s)
        elif isinstance(stimulus, Wind) and output.sensor.cups is not None:
            cups = anemometer(output.sensor.cups, fastest_edge_s=fastest_s or 1e-6)
            list(islice(wind_edges(cups, stimulus.speed.value), 1))
    except ValueError as error:
        reason, _, hint = str(error).partition("; ")
        yield profile.problem((*path, key), f"{at}: {reason}", hint)
