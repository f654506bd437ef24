"""What people on a bench are asked fits who is there, and what a person can do."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, get_args

from ventproof_bench.benchfile.model import ContactOutput
from ventproof_bench.mock.settings import OverrideName
from ventproof_bench.yamlfile.fields import FLAG_UNIT
from ventproof_bench.yamlfile.value_errors import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ventproof_bench.base.errors import Problem
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded
    from ventproof_bench.yamlfile.tree import Path


_LAMPS: Final = get_args(OverrideName)
_NOT_BY_HAND: Final = ("feedback", "counted_by", "sensor", "hookup")


def people_problems(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    """Yield what is wrong with the people of a bench, what they read and what they do."""
    yield from _who(bench)
    yield from _reading(bench)
    yield from _acting(bench)


def _who(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    model = bench.model
    busy = {signal.read_by for signal in model.told.values()}
    busy |= {str(output.wired.get("who")) for output in model.by_hand.values()}
    for name, person in model.people.items():
        path: Path = ("people", name)
        if name in model.buses:
            yield bench.problem(path, f"{name!r} is the name of a bus, too", "use another name", at_key=True)
        if not bench.lacks and name not in busy:
            hint = f"name {name!r} below `read_by` or `who`, or leave it out"
            yield bench.problem(path, f"{name!r} has nothing to read and nothing to do", hint, at_key=True)
        if person.played is None and model.virtual:
            reason = f"no person answers for {name!r}: the mock unit is in this process, and its time jumps"
            yield bench.problem(path, reason, "add `played: {answers_after: [2 s, 5 s]}`", at_key=True)
        if person.played is not None and not model.virtual:
            reason = f"{name!r} is played, and this bench is real"
            yield bench.problem((*path, "played"), reason, "leave `played` out", at_key=True)
        if person.played is not None and person.played.answers_after[0] > person.played.answers_after[1]:
            path = (*path, "played", "answers_after")
            yield bench.problem(path, "the shortest time is above the longest", "write [shortest, longest]")


def _reading(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    model = bench.model
    for name, signal in model.told.items():
        path = ("signals", name)
        if signal.read_by not in model.people:
            hint = nearest(signal.read_by, model.people) or "add them below `people:`"
            yield bench.problem((*path, "read_by"), f"there is no person {signal.read_by!r}", hint)
        if not model.virtual:
            if signal.mock is not None:
                hint = "leave `mock` out"
                yield bench.problem((*path, "mock"), "this bench has no mock unit", hint, at_key=True)
            continue
        vents = list(model.mock.vents) if model.mock else []
        known = {"%": vents, FLAG_UNIT: _LAMPS}.get(signal.unit, ())
        if not known:
            hint = "of the mock, people read vents in % and overrides as flags"
            yield bench.problem((*path, "unit"), f"a played person cannot read a {signal.unit}", hint)
        elif signal.mock not in known:
            said = f"there is no {signal.mock!r} to be read" if signal.mock else "nothing is there to be read"
            hint = f"write `mock:` with one of {', '.join(known)}"
            yield bench.problem(path, f"{said} of the mock unit", hint, at_key=True)


def _acting(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    model = bench.model
    for name, output in model.by_hand.items():
        path, wired = ("outputs", name), output.wired
        if wired.get("who") not in model.people and "who" in wired:
            hint = nearest(str(wired["who"]), model.people) or "add them below `people:`"
            yield bench.problem((*path, "wired", "who"), f"there is no person {wired['who']!r}", hint)
        if model.virtual and "mock" not in wired:
            hint = "write `mock: rain`, the contact of the mock unit that a played person moves"
            yield bench.problem((*path, "wired"), "what it is of the mock unit is missing", hint, at_key=True)
        if not model.virtual and "mock" in wired:
            hint = "leave `mock` out"
            yield bench.problem((*path, "wired", "mock"), "this bench has no mock unit", hint, at_key=True)
        if not isinstance(output, ContactOutput):
            continue
        if output.at_rest != "open":
            hint = "leave `at_rest` out: nothing but a person moves it"
            yield bench.problem((*path, "at_rest"), "an act has no rest", hint, at_key=True)
        for key in _NOT_BY_HAND:
            if getattr(output, key) is not None:
                hint = f"leave `{key}` out"
                yield bench.problem((*path, key), f"no {key} belongs to an act", hint, at_key=True)
