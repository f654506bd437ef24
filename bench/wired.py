"""Checks of a bench file that need drivers and register rules: where outputs and signals are wired to."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.drivers import find
from bench.registers import resolve
from bench.wiring import Location
from bench.wording import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.document import Loaded
    from bench.drivers import Driver
    from bench.errors import Problem
    from bench.fields import FileModel
    from bench.wiring import BenchFile, OutputSpec
    from bench.yamltree import Path


def location_problems(bench: Loaded[BenchFile], path: Path, location: Location) -> Iterator[Problem]:
    """Yield what is wrong with where a value lives: its bus, its table, its address and its coding."""
    if location.bus not in bench.model.buses:
        hint = nearest(location.bus, bench.model.buses)
        yield bench.problem((*path, "bus"), f"there is no bus {location.bus!r}", hint)
    try:
        resolve(location)
    except ValueError as error:
        reason, _, hint = str(error).partition("; ")
        # The register rules begin their messages with the key that is wrong.
        key = reason.partition(" ")[0]
        yield bench.problem((*path, key) if key in location.model_fields_set else path, reason, hint)


def outputs_problems(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    """Yield what is wrong with the outputs: drivers, their own words, two outputs on one relay."""
    first: dict[tuple[str, str], str] = {}
    for name, output in bench.model.outputs.items():
        path: Path = ("outputs", name)
        try:
            driver = find(output.driver)
        except ValueError as error:
            reason, _, hint = str(error).partition("; ")
            yield bench.problem((*path, "driver"), reason, hint)
            continue
        yield from _driver_problems(bench, path, output, driver)
        options, problems = bench.part((*path, "wired"), driver.options)
        yield from problems
        if options is None:
            continue
        wrong = list(_wired_problems(bench, (*path, "wired"), options))
        yield from wrong
        if wrong:
            continue  # where it is cannot be said
        place = driver.place(options)
        twin = first.setdefault((driver.name, place), name)
        if twin != name:
            reason = f"outputs {twin!r} and {name!r} are on one and the same {place}"
            yield bench.problem((*path, "wired"), reason, "give each output a place of its own", at_key=True)


def _driver_problems(
    bench: Loaded[BenchFile], path: Path, output: OutputSpec, driver: Driver
) -> Iterator[Problem]:
    if driver.kind != output.kind:
        hint = f"write `kind: {driver.kind}`, or name another driver"
        yield bench.problem((*path, "driver"), f"driver {driver.name!r} serves no {output.kind}", hint)
    if driver.clock == "virtual" and not bench.model.virtual:
        hint = "name the driver of the hardware that is wired"
        yield bench.problem((*path, "driver"), f"driver {driver.name!r} on a bench with real wires", hint)
    if driver.clock == "wall" and bench.model.virtual:
        hint = "in-process time jumps ahead and cannot wait for real wires; use driver 'mock'"
        yield bench.problem((*path, "driver"), f"driver {driver.name!r} on an in-process bench", hint)


def _wired_problems(bench: Loaded[BenchFile], path: Path, options: FileModel) -> Iterator[Problem]:
    if isinstance(options, Location):
        yield from location_problems(bench, path, options)
        return
    bus = getattr(options, "bus", None)
    if isinstance(bus, str) and bus not in bench.model.buses:
        yield bench.problem((*path, "bus"), f"there is no bus {bus!r}", nearest(bus, bench.model.buses))
