"""What outputs can put: numbers within their hardware, and broken wires by a contact in series with each."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.quantities import canonical_symbol
from ventproof_bench.drivers.driver import number_put
from ventproof_bench.yamlfile.value_errors import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ventproof_bench.base.errors import Problem
    from ventproof_bench.benchfile.model import BenchFile, ContactOutput, ValueOutput
    from ventproof_bench.yamlfile.load import Loaded
    from ventproof_bench.yamlfile.tree import Path


_ROUNDING: Final = 1e-6
"""A 32-bit float holds six digits."""


def put_fault(output: ValueOutput, number: float, *, exact: bool = True) -> tuple[str, str] | None:
    """Return reason and hint for a number that an output's hardware cannot put; None where it can.

    Args:
        output: an output with valid options.
        number: what its driver would be given.
        exact: a value that is written into a register must arrive as it is; a level is rounded all the same.
    """
    limits = None if output.kind == "register" else output.limits
    if limits is not None and not limits[0].value <= number <= limits[1].value:
        symbol = canonical_symbol(limits[0].dimension)
        reason = f"{number:.6g} {symbol} is beyond its `limits`, {limits[0]} to {limits[1]}"
        return reason, "stay within what its hardware puts"
    try:
        put = number_put(output, number)
    except ValueError as error:
        wrong = Refusal.of(error)
        return wrong.reason, wrong.hint or "use another value, or declare how the register really holds it"
    if exact and output.kind == "register" and abs(put - number) > _ROUNDING * max(1.0, abs(number)):
        reason = f"the register cannot hold {number:.10g} {output.unit}"
        return reason, f"write {put:.10g} {output.unit}, the nearest that it can, or declare its real `scale`"
    return None


def put_problems(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    """Yield the numbers of a bench file that an output cannot put: what it leaves behind, and those of its hook-up."""
    for name, output in bench.model.outputs.items():
        if output.kind == "contact":
            continue
        numbers: list[tuple[Path, float]] = []
        if output.kind == "register":
            numbers += [(("leaves",), output.leaves.value)] if output.leaves is not None else []
        elif output.safe is not None:
            numbers.append((("safe",), output.safe))
        if output.kind == "register" and output.hookup is not None:
            values = enumerate(output.hookup.values or ())
            numbers += [(("hookup", "values", index), value.value) for index, value in values]
        for path, number in numbers:
            if (said := put_fault(output, number)) is not None:
                yield bench.problem(("outputs", name, *path), *said)


def breaking_problems(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    """Yield what is wrong with each contact that breaks a wire.

    It has to be closed in its safe state: the bench goes there as it opens, and the wire is whole until a profile
    breaks it.
    """
    outputs, played = bench.model.outputs, bench.model.played_outputs
    contacts = {name: output for name, output in outputs.items() if output.kind == "contact"}
    first: dict[str, str] = {}
    for name, output in outputs.items():
        if output.kind == "contact":
            continue
        if output.kind == "register" or output.breaks_with is None:
            continue
        relay, path = output.breaks_with, ("outputs", name, "breaks_with")
        contact = contacts.get(relay)
        if contact is None:
            yield bench.problem(path, f"there is no contact {relay!r}", nearest(relay, contacts))
            continue
        yield from _whole(bench, path, relay, contact)
        yield from _wires_of_relay(bench, relay, contact)
        if contact.sensor is not None or relay in played:
            reason = f"contact {relay!r} stands for a sensor or a vent's switch of its own"
            yield bench.problem(path, reason, "name the relay in series with this wire")
        twin = first.setdefault(relay, name)
        if twin != name:
            reason = f"contact {relay!r} breaks the wire of {twin!r} already"
            yield bench.problem(path, reason, "give each wire a relay of its own")


def _wires_of_relay(bench: Loaded[BenchFile], relay: str, contact: ContactOutput) -> Iterator[Problem]:
    """Yield what is said of the wires of a contact that has none: it stands in those of another output."""
    for role, wire in {} if contact.wires is None else contact.wires.by_role.items():
        odd = (
            "colour"
            if wire.colour
            else "unit"
            if wire.unit
            else ""
            if role in ("contact", "common")
            else role
        )
        if odd:
            path = ("outputs", relay, "wires", role, *((odd,) if odd != role else ()))
            reason = f"contact {relay!r} stands in the wire of another output, and has no wires of its own"
            hint = "name its terminals alone: {contact: {bench: …}, common: {bench: …}}"
            yield bench.problem(path, reason, hint, at_key=True)


def _whole(bench: Loaded[BenchFile], path: Path, relay: str, contact: ContactOutput) -> Iterator[Problem]:
    if contact.safe != "closed":
        reason = f"contact {relay!r} is safe when open, which leaves this wire broken all the time"
        yield bench.problem(
            path, reason, f"wire its normally closed side, and write `safe: closed` of {relay!r}"
        )
