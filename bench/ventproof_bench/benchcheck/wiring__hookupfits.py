"""Checks of what a bench file says of its outputs' answers: signals exist and can show what is said."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.fields import COUNT_UNIT, FLAG_UNIT
from bench.fits import value_fault
from bench.wiring import ContactOutput
from bench.wording import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.document import Loaded
    from bench.errors import Problem
    from bench.hookup import Answer, HookUp
    from bench.wiring import BenchFile, OutputSpec, SignalSpec
    from bench.yamltree import Path


def hookup_problems(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    """Yield what is wrong with `feedback`, `counted_by` and `hookup` of every output."""
    for name, output in bench.model.outputs.items():
        path: Path = ("outputs", name)
        if isinstance(output, ContactOutput):
            for key, unit in (("feedback", FLAG_UNIT), ("counted_by", COUNT_UNIT)):
                yield from _reads(bench, (*path, key), getattr(output, key), unit)
        if output.hookup is not None:
            yield from _hookup(bench, (*path, "hookup"), name, output, output.hookup)


def _reads(bench: Loaded[BenchFile], path: Path, signal: str | None, unit: str) -> Iterator[Problem]:
    signals = bench.model.signals
    if signal is None:
        return
    if signal not in signals:
        yield bench.problem(path, f"there is no signal {signal!r}", nearest(signal, signals))
    elif signals[signal].unit != unit:
        yield bench.problem(path, f"signal {signal!r} is in {signals[signal].unit}", f"name a {unit}")


def _hookup(
    bench: Loaded[BenchFile], path: Path, name: str, output: OutputSpec, hookup: HookUp
) -> Iterator[Problem]:
    signals = bench.model.signals
    for signal, wanted in hookup.answers.items():
        here = (*path, "answers", signal)
        if signal in signals:
            yield from _answer(bench, here, wanted, signal, signals[signal])
        else:
            reason = f"there is no signal {signal!r}"
            yield bench.problem(here, reason, nearest(signal, signals), at_key=True)
    yield from _first(bench, (*path, "first"), name, hookup)
    yield from _values(bench, path, name, output, hookup)


def _first(bench: Loaded[BenchFile], path: Path, name: str, hookup: HookUp) -> Iterator[Problem]:
    outputs = bench.model.outputs
    numbers = [key for key, found in outputs.items() if not isinstance(found, ContactOutput) and key != name]
    for other, value in hookup.first.items():
        takes = outputs.get(other)
        if takes is None or isinstance(takes, ContactOutput) or other == name:
            reason = f"{other!r} is not another output that takes a number"
            yield bench.problem((*path, other), reason, nearest(other, numbers), at_key=True)
        elif said := value_fault(value, takes.unit, f"output {other!r}"):
            yield bench.problem((*path, other), *said)


def _values(
    bench: Loaded[BenchFile], path: Path, name: str, output: OutputSpec, hookup: HookUp
) -> Iterator[Problem]:
    if isinstance(output, ContactOutput):
        if hookup.values is not None:
            hint = "leave `values` out: it opens and closes"
            yield bench.problem((*path, "values"), "a contact takes no values", hint, at_key=True)
        return
    if hookup.values is None:
        hint = "add `values: [18 °C, 30 °C]`, the value at the beginning and the one written then"
        yield bench.problem(
            path, f"output {name!r} takes a number and the hook-up gives none", hint, at_key=True
        )
    for index, value in enumerate(hookup.values or ()):
        if said := value_fault(value, output.unit, f"output {name!r}"):
            yield bench.problem((*path, "values", index), *said)


def _answer(
    bench: Loaded[BenchFile], path: Path, wanted: Answer, name: str, signal: SignalSpec
) -> Iterator[Problem]:
    flag = signal.unit == FLAG_UNIT
    if flag != (wanted.way in ("on", "off")):
        hint = "a flag answers `on` or `off`" if flag else f"write up, down, or two values in {signal.unit}"
        yield bench.problem(path, f"{wanted.text!r} is not an answer of {name!r}, in {signal.unit}", hint)
    for value in wanted.values or ():
        if not flag and (said := value_fault(value, signal.unit, f"signal {name!r}")):
            yield bench.problem(path, *said)
