"""The campaign file: profiles, benches, units, firmware versions, seeds and faults of which each combination is run."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Final

from pydantic import AfterValidator, Field

from ventproof_bench.base.errors import Problem, Refusal
from ventproof_bench.base.files import stands_below
from ventproof_bench.yamlfile.fields import BareLine, FileModel, Line
from ventproof_bench.yamlfile.load import Loaded, checked_document, load_checked

HEALTHY: Final = "none"
"""What stands in place of a fault where the mock unit has none."""


def _each_once(values: list[Any]) -> list[Any]:
    for number, value in enumerate(values):
        if value in values[:number]:
            raise Refusal(f"{value!r} is listed twice", "list it once; `repeats` runs it again", bare=False)
    return values


def _unlike(values: list[str]) -> list[str]:
    for number, value in enumerate(values):
        for other in values[:number]:
            if other != value and other.casefold() == value.casefold():
                reason = f"{value!r} is {other!r} but for upper and lower case"
                raise Refusal(reason, "write a name in one way only", bare=False)
    return values


Lines = Annotated[list[Line], AfterValidator(_each_once)]
Names = Annotated[list[BareLine], AfterValidator(_each_once), AfterValidator(_unlike)]


class CampaignBench(FileModel):
    """One bench of a campaign."""

    file: Line
    """Its bench file, from the folder of the campaign file."""
    profiles: Annotated[Lines, Field(min_length=1, max_length=1000)] | None = None
    """Profiles for this bench, in place of those of the campaign."""
    units: Annotated[Names, Field(min_length=1)] | None = None
    """Serial numbers of the units on this bench, in place of those of the campaign. Real outputs have one unit."""
    firmware: Annotated[Names, Field(min_length=1)] | None = None
    """Firmware versions on this bench, in place of those of the campaign. Real outputs have one version."""


class CampaignFile(FileModel):
    """What a campaign runs: each profile on each bench with each unit, firmware version, fault and seed."""

    campaign: Line
    """Its name."""
    profiles: Annotated[Lines, Field(min_length=1, max_length=1000)] = Field(default=[])
    """Profiles, or folders of profiles, from the folder of the campaign file. The shipped suite unless stated."""
    benches: Annotated[list[CampaignBench], Field(min_length=1, max_length=100)] = Field(default=[])
    """The benches, each with a name of its own. The shipped mock bench unless stated."""
    units: Annotated[Names, Field(min_length=1, max_length=1000)] = Field(default=[])
    """Serial numbers of the units."""
    firmware: Annotated[Names, Field(min_length=1, max_length=1000)] = Field(default=[])
    """Firmware versions."""
    faults: Annotated[Lines, Field(min_length=1, max_length=1000)] = Field(default=[])
    """Faults of the mock unit, one a run: a name, with a severity such as `slow_debounce=2` where it has one; `none` is
    the healthy unit. For benches in virtual time only."""
    seeds: Annotated[
        list[Annotated[int, Field(ge=0, le=2**31)]],
        AfterValidator(_each_once),
        Field(min_length=1, max_length=10_000),
    ] = Field(default=[])
    """Seeds of what is random on a bench in virtual time, as far apart as there are repeats, at least: each repeat has
    the next seed. 0 unless stated."""
    repeats: Annotated[int, Field(ge=1, le=100_000)] = 1
    """How often each combination runs."""


Campaign = Loaded[CampaignFile]


def load_campaign(path: Path, *, any_path: bool = False) -> Campaign:
    """Load a campaign file.

    Args:
        path: the file.
        any_path: let it name files outside its own folder.

    Raises:
        FileError: something in it is wrong; every fault found, in file order.
    """
    return load_checked(
        path, CampaignFile, lambda loaded: (*_twins(loaded), *(() if any_path else _strays(loaded)))
    )


def read_campaign(path: str, text: str) -> Campaign:
    """Read the text of a campaign file, as `load_campaign` does; `path` only names it in messages.

    Raises:
        FileError: something in it is wrong; every fault found, in file order.
    """
    return checked_document(path, text, CampaignFile, _twins)


def _twins(campaign: Campaign) -> Iterator[Problem]:
    """Yield what would make the same run twice, and so count as evidence twice."""
    repeats, seeds = campaign.model.repeats, campaign.model.seeds
    for number, seed in enumerate(seeds):
        first = next((other for other in seeds if other < seed < other + repeats), None)
        if first is not None:
            reason = f"seed {seed} is that of repeat {seed - first + 1} of seed {first}: the same runs again"
            yield campaign.problem(("seeds", number), reason, f"write seeds that are {repeats} or more apart")
    known: dict[tuple[str, str], str] = {}
    for number, fault in enumerate(campaign.model.faults):
        name, _, severity = fault.partition("=")
        first_said = known.setdefault((name, _plain(severity)), fault)
        if first_said != fault:
            yield campaign.problem(("faults", number), f"{fault!r} is {first_said!r} again", "list it once")


def _plain(severity: str) -> str:
    """Return one spelling of a severity; of one that is no number its own. Without one it is 1."""
    try:
        return f"{float(severity or 1):g}"
    except ValueError:
        return severity


def _strays(campaign: Campaign) -> Iterator[Problem]:
    folder = Path(campaign.path).parent
    named: list[tuple[tuple[str | int, ...], str]] = [
        (("profiles", number), name) for number, name in enumerate(campaign.model.profiles)
    ]
    for number, one in enumerate(campaign.model.benches):
        named.append((("benches", number, "file"), one.file))
        own = enumerate(one.profiles or ())
        named += [(("benches", number, "profiles", place), name) for place, name in own]
    for place, name in named:
        if not stands_below(folder / name, folder):
            reason = f"{name!r} is outside the folder of the campaign file"
            yield campaign.problem(place, reason, "put it below that folder, or give --any-path")
