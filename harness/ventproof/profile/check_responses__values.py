"""Checks that profile parts share: names that must be needed, values that must be in a unit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.fits import difference_fault, value_fault
from bench.wording import nearest
from harness.profile.model import CONTACT, Profile

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from bench.document import Loaded
    from bench.errors import Problem
    from bench.fields import FileModel
    from bench.units import Quantity
    from bench.yamltree import Path


def no_signal(profile: Loaded[Profile], path: Path, name: str) -> Problem:
    """Return the problem of a signal that is named but not needed."""
    hint = nearest(name, profile.model.needs.signals)
    return profile.problem(path, f"{name!r} is not among the signals that this profile needs", hint)


def no_output(profile: Loaded[Profile], path: Path, name: str, *, at_key: bool = False) -> Problem:
    """Return the problem of an output that is named but not needed."""
    hint = nearest(name, profile.model.needs.outputs) or f"add `{name}` below needs: outputs:"
    return profile.problem(
        path, f"{name!r} is not among the outputs that this profile needs", hint, at_key=at_key
    )


def contact_problems(
    profile: Loaded[Profile], path: Path, name: str, *, at_key: bool = False
) -> Iterator[Problem]:
    """Yield what is wrong with a contact that is named at `path`."""
    needs = profile.model.needs.outputs
    if name not in needs:
        yield no_output(profile, path, name, at_key=at_key)
    elif needs[name] != CONTACT:
        reason = f"{name!r} is a value in {needs[name]}, not a contact"
        yield profile.problem(path, reason, "use `write`", at_key=at_key)


def written_problems(
    profile: Loaded[Profile], path: Path, value_path: Path, name: str, value: Quantity
) -> Iterator[Problem]:
    """Yield what is wrong with writing `value` to output `name`; `path` leads to the name."""
    at_key = path == value_path
    needs = profile.model.needs.outputs
    if name not in needs:
        yield no_output(profile, path, name, at_key=at_key)
    elif needs[name] == CONTACT:
        hint = "use `close`, `open` or `pulse`, or `set` in the start"
        yield profile.problem(path, f"{name!r} is a contact and takes no value", hint, at_key=at_key)
    else:
        said = value_fault(value, needs[name], f"output {name!r}")
        if said is not None:
            yield profile.problem(value_path, *said)


def value_problems(
    profile: Loaded[Profile],
    path: Path,
    part: FileModel,
    unit: str,
    *,
    values: Sequence[str] = (),
    differences: Sequence[str] = (),
) -> Iterator[Problem]:
    """Yield what is wrong with quantities of a part of the profile, by the names of their keys.

    Args:
        profile: the profile.
        path: where the part stands.
        part: the part itself.
        unit: unit of its signal.
        values: keys of values; keys not written are passed over.
        differences: keys of differences, such as tolerances.
    """
    for keys, check in ((values, value_fault), (differences, difference_fault)):
        for key in keys:
            quantity = getattr(part, key)
            if quantity is not None:
                said = check(quantity, unit, "the signal")
                if said is not None:
                    yield profile.problem((*path, key), *said)
