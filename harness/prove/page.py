"""The text of a drafted profile, as a technician would have written it (pure)."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from textwrap import wrap
from typing import TYPE_CHECKING, Final

from harness.prove.scenario import counted, places
from harness.prove.strokes import number

if TYPE_CHECKING:
    from bench.overridetable.model import OverrideTable
    from harness.prove.margins import Margins
    from harness.prove.scenario import DraftedStep, Response, Scenario

_WIDTH: Final = 116
_DRAFTED: Final = "# Drafted from "
_LABEL: Final = "begins"
_SPECIAL: Final = frozenset('#:"')
_BRACED: Final = frozenset("[]{},")
_BEGINNINGS: Final = frozenset("%@`&*!|>'?-[]{}")


def page(
    scenario: Scenario, steps: Sequence[DraftedStep], table: OverrideTable, margins: Margins, source: str
) -> str:
    """Return a profile's text.

    Args:
        scenario: what it is about.
        steps: its steps.
        table: the table that it was drafted from.
        margins: what the bench needs.
        source: the table, as a comment names it.
    """
    used = "\n".join(r.says for step in steps for r in step.responses)
    body = [
        *_head(scenario),
        *_needs(scenario, steps, table),
        *_values(scenario, table, margins, used),
        *_start(scenario, steps, table),
        "steps:",
        *_steps(steps),
    ]
    return signed("\n".join(body).rstrip() + "\n", source)


def signed(body: str, source: str) -> str:
    """Return a drafted text below a line that tells whether it was changed since."""
    return f"{_DRAFTED}{source} [{_mark(body)}]; edit it as you like, what was changed is kept.\n{body}"


def drafted(text: str) -> bool:
    """Return whether a text was drafted, changed since or not."""
    return text.startswith(_DRAFTED)


def untouched(text: str) -> bool:
    """Return whether a text is as it was drafted."""
    first, _, body = text.partition("\n")
    return drafted(text) and f"[{_mark(body)}]" in first


def _mark(body: str) -> str:
    return hashlib.sha256(body.encode()).hexdigest()[:12]


def _head(scenario: Scenario) -> Iterator[str]:
    yield f"profile: {quoted(scenario.title, braced=False)}"
    yield "about: >"
    yield from (f"  {line}" for line in wrap(scenario.about, _WIDTH))
    line = f"proves: [{', '.join(scenario.proves)}]"
    if len(line) <= _WIDTH:
        yield line
    else:
        yield "proves:"
        yield from (f"  - {name}" for name in scenario.proves)
    yield ""


def _needs(scenario: Scenario, steps: Sequence[DraftedStep], table: OverrideTable) -> Iterator[str]:
    outputs = {stroke.output: stroke.need for step in steps for _, stroke in step.strokes if stroke.output}
    outputs |= {name: said.split()[-1] for name, said in _written(scenario, table).items()}
    positions = {vent.signal for vent in table.vents.values()}
    signals = dict.fromkeys((*(v.signal for v in table.vents.values()),), '"%"')
    signals |= {r.signal: "flag" for step in steps for r in step.responses if r.signal not in positions}
    yield "needs:"
    yield from _mapping("outputs", {name: '"°"' if unit == "°" else unit for name, unit in outputs.items()})
    yield from _mapping("signals", signals)
    yield ""


def _mapping(key: str, pairs: Mapping[str, str]) -> Iterator[str]:
    line = f"  {key}: {{{', '.join(f'{name}: {said}' for name, said in pairs.items())}}}"
    if len(line) <= _WIDTH:
        yield line
        return
    yield f"  {key}:"
    yield from (f"    {name}: {said}" for name, said in pairs.items())


def _written(scenario: Scenario, table: OverrideTable) -> dict[str, str]:
    return {**{name: str(value) for name, value in table.opened_by.items()}, **scenario.writes}


def _values(scenario: Scenario, table: OverrideTable, margins: Margins, used: str) -> Iterator[str]:
    yield "values:"
    for name, value in places(scenario, table).items():
        if name.endswith("_open") or f"${name}," in used:
            yield f"  {name}: {number(value)} %"
    for name, vent in table.vents.items():
        tolerance = margins.tolerance(vent.signal, vent.tolerance.value)
        wider = f"  # the table asks for {vent.tolerance}; this bench can decide no less"
        yield f"  {name}_tolerance: {number(tolerance)} %{wider if tolerance > vent.tolerance.value else ''}"
    yield ""


def _start(scenario: Scenario, steps: Sequence[DraftedStep], table: OverrideTable) -> Iterator[str]:
    contacts = {
        change.name: "open"
        for step in steps
        for _, stroke in step.strokes
        for change in stroke.changes
        if change.kind == "contact"
    }
    if table.supply is not None and table.supply.contact in contacts:
        contacts[table.supply.contact] = "closed"
    yield "start:"
    if contacts:
        yield from _mapping("set", contacts)
    yield from _mapping("write", _written(scenario, table))
    yield "  until:"
    longest_s = max(o.release_delay + o.delays_within for o in table.overrides.values())
    longest_s += max(vent.starts_within + vent.full_travel[1] for vent in table.vents.values())
    minutes = int(longest_s // 60) + 2
    for name, vent in table.vents.items():
        band = f"reaches: ${name}_open, tolerance: ${name}_tolerance"
        yield f"    - {{signal: {vent.signal}, {band}, within: {minutes} min, holds: 5 s}}"
    yield ""


def _steps(steps: Sequence[DraftedStep]) -> Iterator[str]:
    for step in steps:
        yield f"  - step: {quoted(step.title, braced=False)}"
        labelled, first = sum(bool(stroke.output) for _, stroke in step.strokes) > 1, counted(step.strokes)
        if step.strokes:
            yield "    do:"
        for place, (after_s, stroke) in enumerate(step.strokes):
            at = f", at: {number(after_s)} s" if after_s else ""
            label = f", label: {_LABEL}" if labelled and place == first else ""
            yield f"      - {{{stroke.says}{at}{label}}}"
        yield "    expect:"
        for response in step.responses:
            yield from _response(response, labelled=labelled)
        yield ""


def _response(response: Response, *, labelled: bool) -> Iterator[str]:
    parts = [f"signal: {response.signal}", *_split(response.says)]
    if labelled:
        parts.append(f"after: {_LABEL}")
    if response.why:
        parts.append(f"why: {quoted(response.why)}")
    line = f"      - {{{', '.join(parts)}}}"
    if len(line) <= _WIDTH:
        yield line
        return
    yield f"      - {parts[0]}"
    yield from (f"        {part}" for part in parts[1:])


def _split(says: str) -> Iterable[str]:
    """Split a response at the commas outside braces."""
    depth, begin = 0, 0
    for place, sign in enumerate(says):
        depth += {"{": 1, "}": -1}.get(sign, 0)
        if sign == "," and depth == 0:
            yield says[begin:place].strip()
            begin = place + 1
    yield says[begin:].strip()


def quoted(text: str, *, braced: bool = True) -> str:
    """Return a text as it can stand as a value, in double quotes where it must; `braced` for one within braces."""
    special = _SPECIAL | _BRACED if braced else _SPECIAL
    return f'"{text}"' if special & set(text) or text[:1] in _BEGINNINGS else text
