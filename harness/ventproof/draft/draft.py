"""Profiles drafted from an override table, for one bench (pure but for the files that are written)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from bench.units import Quantity
from harness.profile.model import Reaches, Returns, Start
from harness.profile.stimulus import CloseContact, OpenContact, PulseContact
from harness.prove.alone import alone
from harness.prove.assembly import Band, assembled, named, percent
from harness.prove.delays import too_short
from harness.prove.margins import Margins
from harness.prove.mishaps import mishaps
from harness.prove.page import profile_text, signed
from harness.prove.scenario import Scenario, UndecidedError, places, steps_of
from harness.prove.scenes import ScenarioBuilder
from harness.prove.silences import silences
from harness.prove.together import combined, orders

if TYPE_CHECKING:
    from bench.document import Loaded
    from bench.fields import ContactState
    from bench.overridetable.model import OverrideTable
    from bench.wiring import BenchFile
    from harness.profile.model import Profile, Response, Step

_START_HOLDS_S: Final = 5.0


@final
@dataclass(frozen=True, slots=True)
class Draft:
    """A drafted profile.

    Attributes:
        file: its file name.
        title: its name.
        proves: the lines of the table that it proves.
        text: what stands in it.
    """

    file: str
    title: str
    proves: tuple[str, ...]
    text: str


def drafts(
    table: Loaded[OverrideTable], bench: Loaded[BenchFile], *, strength: int, source: str
) -> Iterator[Draft]:
    """Yield the profiles that together prove a table, on a bench.

    Args:
        table: the table.
        bench: the bench that is to run them; what it can decide sets how close to an edge they go.
        strength: how many conditions come together in every combination, and overrides in every order: 2 or 3.
        source: the table, as the profiles name it.

    Raises:
        FileError: the bench lacks something that the table names.
    """
    margins = Margins(bench.model)
    for scenario in scenarios(ScenarioBuilder(table.model, margins), strength):
        try:
            steps = steps_of(scenario, table.model, margins)
        except UndecidedError:
            continue
        profile = _profile(scenario, steps, table.model, margins)
        text = signed(profile_text(profile, _comments(table.model, margins)), source)
        yield Draft(f"{scenario.file}.yaml", scenario.title, tuple(profile.proves), text)


def _profile(scenario: Scenario, steps: Sequence[Step], table: OverrideTable, margins: Margins) -> Profile:
    responses = [response for step in steps for response in step.expect]
    named_values = {value for response in responses for _, value in response if isinstance(value, Quantity)}
    positions = {
        place.name: str(percent(place.percent))
        for place in places(scenario, table)
        if place.is_open or place.reference in named_values
    }
    tolerances = {
        f"{name}_tolerance": str(percent(margins.tolerance(vent.signal, vent.tolerance.value)))
        for name, vent in table.vents.items()
    }
    return assembled(
        margins.bench,
        title=scenario.title,
        about=scenario.about,
        start=_start(scenario, steps, table, margins),
        steps=steps,
        proves=(*scenario.proves, *_moved(table, responses)),
        values=positions | tolerances,
    )


def _comments(table: OverrideTable, margins: Margins) -> dict[str, str]:
    """Return what is said of the tolerances that are wider than the table asks for."""
    return {
        f"{name}_tolerance": f"the table asks for {vent.tolerance}; this bench can decide no less"
        for name, vent in table.vents.items()
        if margins.tolerance(vent.signal, vent.tolerance.value) > vent.tolerance.value
    }


def _start(scenario: Scenario, steps: Sequence[Step], table: OverrideTable, margins: Margins) -> Start:
    """Return open vents: every contact that is used open but for the supply's, a warm house, no weather."""
    contacts: dict[str, ContactState] = {
        name: "open"
        for step in steps
        for stimulus in step.do
        if isinstance(stimulus, CloseContact | OpenContact | PulseContact)
        for name in stimulus.outputs
    }
    if table.supply is not None and table.supply.contact in contacts:
        contacts[table.supply.contact] = "closed"
    longest_s = max(o.release_delay + o.delays_within for o in table.overrides.values())
    longest_s += max(vent.starts_within + vent.full_travel[1] for vent in table.vents.values())
    within_s = 60.0 * (int(longest_s // 60) + 2)
    bands = (
        Band(
            vent.signal,
            named(f"{name}_open", vent.open.value),
            named(f"{name}_tolerance", margins.tolerance(vent.signal, vent.tolerance.value)),
        )
        for name, vent in table.vents.items()
    )
    return Start(
        set=contacts,
        write={**table.opened_by, **scenario.writes},
        until=[band.reaches(within_s, _START_HOLDS_S) for band in bands],
    )


def _moved(table: OverrideTable, responses: Sequence[Response]) -> Iterator[str]:
    """Yield the vents that must arrive somewhere, and so show how they travel."""
    arriving = {response.signal for response in responses if isinstance(response, Reaches | Returns)}
    return (f"vents.{name}" for name, vent in table.vents.items() if vent.signal in arriving)


def scenarios(builder: ScenarioBuilder, strength: int) -> Iterator[Scenario]:
    """Yield every scenario that is drafted."""
    for name in builder.table.overrides:
        yield from alone(builder, name)
    yield from too_short(builder)
    yield from mishaps(builder)
    yield from silences(builder)
    for length in range(2, strength + 1):
        yield from orders(builder, length)
    yield from combined(builder, strength)
