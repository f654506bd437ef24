"""Contacts in series with the wires that levels stand on: each there, whole at rest, and of one wire."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ventproof_bench.benchfile.model import ContactOutput, RegisterOutput
from ventproof_bench.yamlfile.value_errors import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ventproof_bench.base.errors import Problem
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded
    from ventproof_bench.yamlfile.tree import Path


def breaking_problems(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    """Yield what is wrong with each contact that breaks a wire.

    It has to be closed in its safe state: the bench goes there as it opens, and the wire is whole until a profile
    breaks it.
    """
    outputs, played = bench.model.outputs, bench.model.played_outputs
    contacts = {name: output for name, output in outputs.items() if isinstance(output, ContactOutput)}
    first: dict[str, str] = {}
    for name, output in outputs.items():
        if isinstance(output, ContactOutput | RegisterOutput) or output.breaks_with is None:
            continue
        relay, path = output.breaks_with, ("outputs", name, "breaks_with")
        contact = contacts.get(relay)
        if contact is None:
            yield bench.problem(path, f"there is no contact {relay!r}", nearest(relay, contacts))
            continue
        yield from _whole(bench, path, relay, contact)
        if contact.sensor is not None or relay in played:
            reason = f"contact {relay!r} stands for a sensor or a vent's switch of its own"
            yield bench.problem(path, reason, "name the relay in series with this wire")
        twin = first.setdefault(relay, name)
        if twin != name:
            reason = f"contact {relay!r} breaks the wire of {twin!r} already"
            yield bench.problem(path, reason, "give each wire a relay of its own")


def _whole(bench: Loaded[BenchFile], path: Path, relay: str, contact: ContactOutput) -> Iterator[Problem]:
    if contact.safe != "closed":
        reason = f"contact {relay!r} is safe when open, which leaves this wire broken all the time"
        yield bench.problem(path, reason, f"wire its normally closed side, and write `safe: closed` of {relay!r}")
