"""Bench files that are wrong: the mock's, quick enough to be checked by the hundred, with slips of many kinds."""

from __future__ import annotations

import copy
from itertools import combinations
from typing import TYPE_CHECKING, Any

import yaml

from ventproof.cli.options import SHIPPED_BENCH
from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.yamlfile.tree import as_data

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from random import Random

    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded

Slip = "Callable[[dict[str, Any]], None]"

_QUICKER = (
    ("full_travel: 28 s", "full_travel: 2800 ms"),
    ("full_travel: 38 s", "full_travel: 3800 ms"),
    ("{full_travel: 30 s, dead_time: 400 ms,", "{full_travel: 3 s, dead_time: 400 ms,"),
    ("{full_travel: 40 s, dead_time: 500 ms,", "{full_travel: 4 s, dead_time: 500 ms,"),
    ("poll_every: 100 ms", "poll_every: 200 ms"),
    ("settles: 110 s", "settles: 10 s"),
    ("settles: 35 s", "settles: 6 s"),
    ("within: 45 s", "within: 8 s"),
    ("within: 60 s", "within: 6 s"),
    ("within: 25 s", "within: 8 s"),
    ("within: 20 s", "within: 8 s"),
    ("200 mm/h", "400 mm/h"),
    ("release_delay: 30 s", "release_delay: 3 s"),
    ("release_delay: 60 s", "release_delay: 3 s"),
    ("entry_delay: 10 s", "entry_delay: 3 s"),
    ("within: 15 s", "within: 6 s"),
)


def quick_text() -> str:
    """Return the shipped bench file with a mock unit that is ten times as quick."""
    text = SHIPPED_BENCH.read_text(encoding="utf-8")
    for said, instead in _QUICKER:
        assert said in text, said
        text = text.replace(said, instead)
    return text


def bench_of(raw: dict[str, Any]) -> Loaded[BenchFile]:
    """Return a bench file's data as a bench."""
    return read_bench("bench.yaml", yaml.safe_dump(raw, sort_keys=False, allow_unicode=True))


def quick() -> dict[str, Any]:
    """Return the quick bench file as data."""
    raw: dict[str, Any] = as_data(read_bench("bench.yaml", quick_text()).tree)
    return raw


_PLACE = ("table", "address", "type", "bit", "scale", "word_order")


def _place(spec: dict[str, Any]) -> dict[str, Any]:
    return {key: spec[key] for key in _PLACE if key in spec}


def slips(raw: dict[str, Any]) -> Iterator[tuple[str, Callable[[dict[str, Any]], None]]]:
    """Yield slips of the pen in a bench file, each with its name; whoever makes one reads or drives something else."""
    signals, outputs = raw["signals"], raw["outputs"]
    judged = [name for name, spec in signals.items() if spec.get("selfcheck") != "leave"]
    for name in judged:
        yield from _of_signal(name, signals[name])
    for one, two in combinations(judged, 2):
        yield f"{one} and {two} swapped", _swap(one, two)
    for name, output in outputs.items():
        yield from _of_output(name, output)
    for one, two in (
        ("rain", "cups"),
        ("rain", "bucket"),
        ("cups", "bucket"),
        ("house_thermometer", "wind_direction"),
    ):
        yield f"outputs {one} and {two} swapped", _wires(one, two)
    yield "all addresses one off", _all_off


def _set(section: str, name: str, **fields: object) -> Callable[[dict[str, Any]], None]:
    def slip(raw: dict[str, Any]) -> None:
        raw[section][name].update(fields)

    return slip


def _of_signal(name: str, spec: dict[str, Any]) -> Iterator[tuple[str, Callable[[dict[str, Any]], None]]]:
    numeric = spec["unit"] not in ("flag", "count", "state")
    if numeric:
        for factor in (10, 0.1):
            scale = float(f"{spec.get('scale', 1) * factor:g}")
            yield f"{name} scale x {factor}", _set("signals", name, scale=scale)
    if spec.get("type") in ("f32", "u32"):
        yield f"{name} word order", _set("signals", name, word_order="low-first")
    for kind in _other_types(spec):
        yield f"{name} as {kind}", _set("signals", name, type=kind)
    for shift in (-1, 1):
        address = spec["address"] + shift
        if address >= 0:
            yield f"{name} address {shift:+}", _set("signals", name, address=address)
    if spec.get("type") == "bit":
        for bit in range(14):
            if bit != spec["bit"]:
                yield f"{name} bit {bit}", _set("signals", name, bit=bit)
    yield f"{name} from the holding table", _set("signals", name, table="holding")
    yield f"{name} of unit 7", _set("signals", name, unit_id=7)


def _other_types(spec: dict[str, Any]) -> Iterator[str]:
    """Yield the types that would show another value for something that the signal can be."""
    told = spec.get("type", "u16")
    for kind in ("u16", "s16", "u32", "s32", "f32"):
        harmless = {told, kind} in ({"u32", "s32"}, {"u16", "s16"}) and spec["unit"] != "°C"
        plain = spec["unit"] in ("flag", "count", "state")
        if told not in ("bit", kind) and not harmless and not (kind == "f32" and plain):
            yield kind


def _swap(one: str, two: str) -> Callable[[dict[str, Any]], None]:
    def slip(raw: dict[str, Any]) -> None:
        a, b = raw["signals"][one], raw["signals"][two]
        place_a, place_b = _place(a), _place(b)
        for spec, place in ((a, place_b), (b, place_a)):
            for key in _PLACE:
                spec.pop(key, None)
            spec.update(place)

    return slip


def _wires(one: str, two: str) -> Callable[[dict[str, Any]], None]:
    def slip(raw: dict[str, Any]) -> None:
        a, b = raw["outputs"][one], raw["outputs"][two]
        a["wired"], b["wired"] = b["wired"], a["wired"]

    return slip


def _of_output(name: str, output: dict[str, Any]) -> Iterator[tuple[str, Callable[[dict[str, Any]], None]]]:
    kind = output.get("kind")
    if kind == "register" and "hookup" in output:
        wired = output["wired"]
        for key, value in (
            ("scale", 1),
            ("scale", 0.01),
            ("address", 1),
            ("address", 3),
            ("address", 9),
            ("unit_id", 7),
            ("type", "u32"),
            ("type", "f32"),
        ):
            yield f"{name} {key} {value}", _set("outputs", name, wired={**wired, key: value})
    elif kind == "level":
        low, high = output["range"]
        yield f"{name} range the other way", _set("outputs", name, range=[high, low])


def _all_off(raw: dict[str, Any]) -> None:
    for spec in raw["signals"].values():
        spec["address"] += 1


def drawn(raw: dict[str, Any], draw: Random, *, most: int) -> tuple[str, Loaded[BenchFile]]:
    """Return a bench file with some slips drawn at random, and their names; one that loads."""
    known = list(slips(raw))
    while True:
        made = copy.deepcopy(raw)
        chosen = draw.sample(known, draw.randint(1, most))
        for _, slip in chosen:
            slip(made)
        try:
            return " & ".join(name for name, _ in chosen), bench_of(made)
        except FileError:
            continue  # found when it is loaded: never a bench
