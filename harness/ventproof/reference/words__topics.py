"""The words that are no keys, as `topics.yaml` tells them; what can be listed with them is."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Final, final

from bench.drivers import find, names
from bench.units import UNITS, Dimension
from bench.yamltree import as_data, grow_tree

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from bench.mock.fault import Fault


@final
@dataclass(frozen=True, slots=True)
class Topic:
    """A word with its meaning and, where they help, a list and an example."""

    text: str
    example: str = ""
    rows: str = ""


_WHOLE: Final = ("profile", "bench", "table")
"""The words whose example is a whole file, to begin one's own with."""


@cache
def topics() -> Mapping[str, Topic]:
    """Return the words that are no keys, with their meaning."""
    tree, _ = grow_tree((files("harness.profile") / "topics.yaml").read_text(encoding="utf-8"))
    assert tree is not None
    told = {word: Topic(**entry) for word, entry in as_data(tree).items()}
    told |= {word: replace(told[word], example=whole_text(word)) for word in _WHOLE}
    rows = {"units": _units(), "drivers": _drivers(), "faults": _faults()}
    return told | {word: replace(told[word], rows="\n".join(some)) for word, some in rows.items()}


def whole_text(kind: str) -> str:
    """Return the text of a whole profile, bench or table; they fit each other."""
    return (files("harness.profile") / "examples" / f"whole-{kind}.yaml").read_text(encoding="utf-8")


def _units() -> Iterator[str]:
    for dimension in Dimension:
        symbols = [u.symbol for u in UNITS.values() if u.dimension is dimension]
        yield f"{dimension}: {', '.join(symbols) or 'a bare number'}"


def _drivers() -> Iterator[str]:
    for name in names():
        try:
            driver = find(name)
        except ValueError as error:
            yield f"{name}: {error}"
            continue
        words = ", ".join(field.alias or key for key, field in driver.options.model_fields.items())
        yield f"{name} ({driver.kind}): {driver.about}\n  wired: {words}"


def _faults() -> Iterator[str]:
    from bench.mock.fault import FAMILIES  # noqa: PLC0415 - only where they are listed
    from bench.mock.faults import CATALOGUE  # noqa: PLC0415 - as above

    for family in FAMILIES:
        yield f"\n{family}"
        for fault in (fault for fault in CATALOGUE.values() if fault.family == family):
            yield f"{fault.name}: {fault.about}"
            yield from (f"  {row}" for row in _told_of(fault))


@cache
def fault_topics() -> Mapping[str, Topic]:
    """Return the faults by name; they are too many to be listed among the words."""
    from bench.mock.faults import CATALOGUE  # noqa: PLC0415 - only where they are explained

    return {
        name: Topic(
            f"a fault that the mock unit can be given. {fault.about}",
            f"--fault {name}=2" if fault.severity else f"--fault {name}",
            "\n".join(_told_of(fault)),
        )
        for name, fault in CATALOGUE.items()
    }


def _told_of(fault: Fault) -> Iterator[str]:
    yield f"Severity: {fault.severity or 'none, it is there or not'}."
    if fault.needs:
        yield f"For a unit with {fault.needs} only."
    if fault.undecided:
        yield f"A run with it has no verdict: {fault.undecided}."
    if fault.equivalent:
        yield f"No test can tell: {fault.equivalent}"
