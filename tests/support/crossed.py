"""Loop bench files with contacts, switches and feedback crossed, as a fitter may cross them."""

from __future__ import annotations

import copy
from typing import TYPE_CHECKING, Any

import yaml

from ventproof.cli.options import SHIPPED_BENCH
from ventproof_bench.benchcheck.load import load_bench, read_bench
from ventproof_bench.yamlfile.tree import as_data

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded

_ROOF, _SIDE = ("roof_opens", "roof_closes"), ("side_opens", "side_closes")


def crossings(name: str) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield a shipped loop bench file's data, crossed in one way or another, with what was crossed."""
    raw = as_data(load_bench(SHIPPED_BENCH.with_name(f"{name}.yaml")).tree)
    yield from _contacts(name, raw)
    yield from _feedback(name, raw)


def _contacts(name: str, raw: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    two = name != "loop-potentiometer"  # vents by contacts
    pairs = [_ROOF, _SIDE] if two else [_ROOF]
    for pair in pairs:
        yield f"directions of {pair}", _swapped(raw, "signals", [pair])
    if two:
        for pair in zip(_ROOF, _SIDE, strict=True):
            yield f"{pair} between vents", _swapped(raw, "signals", [pair])
        yield "both contacts between vents", _swapped(raw, "signals", zip(_ROOF, _SIDE, strict=True))
        yield "one of each", _swapped(raw, "signals", [("roof_opens", "side_closes")])


def _feedback(name: str, raw: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    if name == "loop-switches":
        shut, wide = ("roof_shut", "side_shut"), ("roof_wide", "side_wide")
        for pairs in (
            [shut],
            [wide],
            [shut, wide],
            [("roof_shut", "roof_wide")],
            [("side_shut", "side_wide")],
        ):
            yield f"switches {pairs}", _swapped(raw, "outputs", pairs, key="wired")
        for vent in ("roof", "side"):
            for switch in ("closed_switch", "open_switch"):
                yield f"polarity of {vent} {switch}", _changed(raw, vent, switch, reached="open")
    if name == "loop-reckoned":
        yield "switches between vents", _swapped(raw, "signals", [("roof_shut", "side_shut")])
    if name == "loop-potentiometer":
        yield "potentiometers", _swapped(raw, "outputs", [("roof_position", "side_position")], key="wired")
        for output in ("roof_position", "side_position"):
            made = copy.deepcopy(raw)
            made["outputs"][output]["range"].reverse()
            yield f"polarity of {output}", made


def bench_of(raw: dict[str, Any]) -> Loaded[BenchFile]:
    """Return a bench file's data as a bench."""
    return read_bench("bench.yaml", yaml.safe_dump(raw, sort_keys=False, allow_unicode=True))


def _swapped(raw: dict[str, Any], section: str, pairs: Any, key: str = "address") -> dict[str, Any]:
    made = copy.deepcopy(raw)
    for one, two in pairs:
        a, b = made[section][one], made[section][two]
        a[key], b[key] = b[key], a[key]
    return made


def _changed(raw: dict[str, Any], vent: str, switch: str, **fields: str) -> dict[str, Any]:
    made = copy.deepcopy(raw)
    made["vents"][vent]["plays"][switch].update(fields)
    return made
