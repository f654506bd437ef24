"""The rack file: which unit stands at which place, on which bench, and what is run there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, final

from pydantic import Field

from ventproof_bench.yamlfile.fields import BareLine, FileModel, Line, Name
from ventproof_bench.yamlfile.load import Loaded, checked_document, load_checked

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ventproof_bench.base.errors import Problem


_Files = Annotated[tuple[Line, ...], Field(min_length=1)]


class PlaceTest(FileModel):
    """What is tested at a place; at the top of the file, what counts for each place that does not state it."""

    bench: Line | None = None
    """Its bench file. All files are named from the folder of the rack file."""
    profiles: _Files | None = None
    """Its profiles: files, or folders of them."""
    firmware: BareLine | None = None
    """Firmware version of the unit."""
    map: Mapping[Name, Name] | None = None
    """Bench names to use where profiles use others: `{rain: rain_spare}`."""
    table: Line | None = None
    """Override table to attach to the logs."""
    selfcheck: Line | None = None
    """Log of the bench's self-check, to name in the record."""
    acceptance: Line | None = None
    """Acceptance file for the record and the report."""
    waivers: Line | None = None
    """Known fails that are accepted."""


class PlaceSpec(PlaceTest):
    """One place of the rack: a unit on a bench of its own."""

    unit: BareLine | None = None
    """Serial number of the unit at this place."""


class RackFile(PlaceTest):
    """Units that are tested at the same time, each on a bench of its own."""

    rack: Line
    """Name of the rack; the folder of its logs is called after it."""
    places: Annotated[Mapping[Name, PlaceSpec], Field(min_length=1)]
    """The places, by name; the logs of each are in a folder of that name."""


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class PlacePlan:
    """One place with all that counts for it; files are named from where the command runs.

    Attributes:
        name: of the place.
        bench: its bench file.
        profiles: its profiles.
        unit: serial number of the unit; empty where it is not stated.
        firmware: its version, likewise.
        use: `NAME=BENCH_NAME`, as the option `--map` takes them.
        table: the override table; None: there is none.
        selfcheck: the log of the self-check, likewise.
        acceptance: the acceptance file, likewise.
        waivers: the waivers, likewise.
    """

    name: str
    bench: Path
    profiles: tuple[Path, ...]
    unit: str
    firmware: str
    use: tuple[str, ...]
    table: Path | None
    selfcheck: Path | None
    acceptance: Path | None
    waivers: Path | None

    @property
    def words(self) -> tuple[str, ...]:
        """It as the command line of `run` states it."""
        options = {
            "--bench": self.bench,
            "--unit": self.unit,
            "--firmware": self.firmware,
            "--table": self.table,
            "--selfcheck": self.selfcheck,
            "--acceptance": self.acceptance,
            "--waivers": self.waivers,
        }
        said = [f"{option}={value}" for option, value in options.items() if value]
        return (*said, *(f"--map={pair}" for pair in self.use), "--", *map(str, self.profiles))


_NEEDED: Final = {"bench": "bench: left.yaml", "profiles": "profiles: [rain.yaml]"}


def load_rack(path: Path) -> Loaded[RackFile]:
    """Load a rack file; the files that it names are not opened.

    Raises:
        FileError: something in it is wrong; every fault found, in file order.
    """
    return load_checked(path, RackFile, _problems)


def read_rack(path: str, text: str) -> Loaded[RackFile]:
    """Read the text of a rack file, as `load_rack` does; `path` only names it in messages.

    Raises:
        FileError: something in it is wrong; every fault found, in file order.
    """
    return checked_document(path, text, RackFile, _problems)


def _problems(rack: Loaded[RackFile]) -> Iterator[Problem]:
    lacks = {part[-1] for part in rack.lacks}
    for name, place in rack.model.places.items():
        for key, example in _NEEDED.items():
            if getattr(place, key) is None and getattr(rack.model, key) is None and key not in lacks:
                reason = f"place {name} has no {key}"
                hint = f"write `{example}` there, or at the top for all places"
                yield rack.problem(("places", name), reason, hint, at_key=True)


def plans_of(rack: Loaded[RackFile]) -> list[PlacePlan]:
    """Return the places of a rack file in its order, each with what the top of the file says for all."""
    file, folder = rack.model, Path(rack.path).parent
    plans = []
    for name, place in file.places.items():
        own = {key: getattr(place, key) for key in place.model_fields_set}
        said = {key: getattr(file, key) for key in PlaceTest.model_fields} | own
        files = {
            key: said[key] and folder / said[key]
            for key in ("bench", "table", "selfcheck", "acceptance", "waivers")
        }
        plan = PlacePlan(
            name=name,
            unit=place.unit or "",
            firmware=said["firmware"] or "",
            use=tuple(f"{one}={other}" for one, other in (said["map"] or {}).items()),
            profiles=tuple(folder / one for one in said["profiles"]),
            **files,
        )
        plans.append(plan)
    return plans
