"""All profiles, their folder."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal, final

from ventproof.draft.assembly import Band, assembled, named, percent
from ventproof.draft.combined import combined, opening, orders
from ventproof.draft.emit import drafted, profile_text, signed, untouched
from ventproof.draft.failures import mishaps
from ventproof.draft.resolution import Margins
from ventproof.draft.single import alone
from ventproof.draft.stimuli import number
from ventproof.draft.story import LONGEST_WAIT_S, Scenario, ScenarioBuilder, UndecidedError, places, steps_of
from ventproof.draft.timing import silences, too_short
from ventproof.oracle.played import as_stated
from ventproof.oracle.proofs import shown
from ventproof.profile.model import Reaches, Returns, Start
from ventproof.profile.stimulus import CloseContact, OpenContact, PulseContact
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.files import write_whole
from ventproof_bench.base.quantities import Quantity

if TYPE_CHECKING:
    from ventproof.draft.resolution import Margins
    from ventproof.oracle.proofs import Shown
    from ventproof.profile.model import Profile, Response, Step
    from ventproof.table.model import OverrideTable
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.fields import ContactState
    from ventproof_bench.yamlfile.load import Loaded


_START_HOLDS_S: Final = 5.0


@final
@dataclass(frozen=True, slots=True)
class Draft:
    """A drafted profile.

    Attributes:
        file: its file name.
        title: its name.
        shown: what it shows of the lines of the table that it claims.
        text: what stands in it.
    """

    file: str
    title: str
    shown: tuple[Shown, ...]
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
        profile, claims = _borne_out(_profile(scenario, steps, table.model, margins), table.model)
        text = signed(profile_text(profile, _comments(table.model, margins)), source)
        yield Draft(f"{scenario.file}.yaml", scenario.title, claims, text)


def _borne_out(profile: Profile, table: OverrideTable) -> tuple[Profile, tuple[Shown, ...]]:
    """Return a profile that claims only what it goes to the edge of, and what it shows of that."""
    claims = {its.line: its for its in shown(table, as_stated(profile, table), profile.proves) if its.told}
    names = [name for name in dict.fromkeys(profile.proves) if name in claims]
    return profile.model_copy(update={"proves": names}), tuple(claims[name] for name in names)


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
    """Return open vents: every contact that is used in its state of rest, a warm house, no weather."""
    contacts: dict[str, ContactState] = {
        name: table.rests(name)
        for step in steps
        for stimulus in step.do
        if isinstance(stimulus, CloseContact | OpenContact | PulseContact)
        for name in stimulus.outputs
    }
    longest_s = max(o.release_delay + o.delay_tolerance for o in table.overrides.values())
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
    yield from opening(builder)
    yield from combined(builder, strength)


Fate = Literal["new", "renewed", "as it was"]


def write_drafts(folder: Path, made: Sequence[Draft], *, replace: bool) -> dict[str, Fate]:
    """Write drafted profiles, all or none.

    Args:
        folder: where to; made if need be.
        made: the profiles.
        replace: write over drafts of before that nobody changed; what a person wrote or changed always stays.

    Returns:
        What became of each file.

    Raises:
        FileError: two profiles have one file name, a file there is another one, or the folder cannot be written.
    """
    try:
        texts = {draft.file: _text(folder / draft.file) for draft in made}
        if refused := [*_twin_files(folder, made), *_refused(folder, made, texts, replace=replace)]:
            raise FileError(refused)
        folder.mkdir(parents=True, exist_ok=True)
        for draft in made:
            if texts[draft.file] != draft.text:
                write_whole(folder / draft.file, draft.text)
    except OSError as error:
        reason = error.strerror or str(error)
        raise FileError([Problem(str(folder), None, None, f"cannot be written: {reason}")]) from None
    return {draft.file: _fate(texts[draft.file], draft.text) for draft in made}


def _twin_files(folder: Path, made: Sequence[Draft]) -> Iterator[Problem]:
    first: dict[str, Draft] = {}
    for draft in made:
        if first.setdefault(draft.file, draft) is not draft:
            reason = (
                f"{first[draft.file].title!r} and {draft.title!r} would both be this file; nothing is written"
            )
            hint = "give an override or an output of the table another name"
            yield Problem(str(folder / draft.file), None, None, reason, hint)


def _refused(
    folder: Path, made: Sequence[Draft], texts: Mapping[str, str | None], *, replace: bool
) -> Iterator[Problem]:
    for draft in made:
        text = texts[draft.file]
        if text is None or text == draft.text:
            continue
        if not untouched(text):
            reason = "was changed since it was drafted, or not drafted at all; nothing is written"
            yield Problem(str(folder / draft.file), None, None, reason, "move it away")
        elif not replace:
            reason = "is an earlier draft, and would be another now; nothing is written"
            hint = "name another folder, or write over it with --replace"
            yield Problem(str(folder / draft.file), None, None, reason, hint)


def left_over(folder: Path, made: Sequence[Draft]) -> list[str]:
    """Return the files of a folder that were drafted once and are not any more."""
    names = {draft.file for draft in made}
    others = (path for path in sorted(folder.glob("*.yaml")) if path.name not in names)
    return [path.name for path in others if drafted(_text(path) or "")]


def _text(path: Path) -> str | None:
    if not path.exists():
        return None
    return path.read_text(encoding="utf-8", errors="replace")


def _fate(before: str | None, text: str) -> Fate:
    if before is None:
        return "new"
    return "as it was" if before == text else "renewed"


_OF_A_FAILURE: Final = frozenset({"open", "short", "stuck", "failed", "recovers_after"})
_SAID: Final = {
    "averaged_over": "this bench cannot distinguish a mean over such a short time from no mean",
    "debounce": "this bench cannot open a contact for so short a time, or the entry delay is too short to show it",
    "dead_band": "the vane is too inexact to show it, or no override with a lee side can be played",
    "settles_after": "it is too short to show, or no override with a lee side can be played",
    "only_close": "no other override that can come with it sends a vent further down",
    "bus_silent": "such a silence cannot be played, or the override is released before anything can be read of it",
}


def why_undrafted(line: str, table: OverrideTable, margins: Margins) -> str:
    """Return why a line has no drafted profile; empty where nothing is to be said.

    Args:
        line: as `ventproof.draft.traceability` names it.
        table: the table.
        margins: what the bench needs.
    """
    head, _, what = line.rpartition(".")
    sensor = table.sensors.get(head.rpartition(".")[2])
    slow = sensor is not None and sensor.fails_after > LONGEST_WAIT_S
    if slow and what == "fails_after":
        return "a time of hours is shown from above only: that it is not shorter is left to a person"
    if slow and what in _OF_A_FAILURE:
        return "it takes hours of real time, which is left to a person"
    if line == "supply.rides_through" and table.supply is not None:
        fastest_s = margins.fastest_edge_s(table.supply.contact)
        asked, shortest = (number(1000 * span_s) for span_s in (table.supply.rides_through, fastest_s))
        return (
            f"an interruption of {asked} ms must be played to less than a millisecond, and the shortest that this bench"
            f" can play is {shortest} ms"
        )
    return _SAID.get(what, "")
