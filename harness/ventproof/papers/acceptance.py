"""The acceptance file: for whom, where and by whom a unit is tested; the first line of each log pins it."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import TYPE_CHECKING, Final, Literal, Self

from pydantic import model_validator

from ventproof_bench.base.errors import FileError, Refusal
from ventproof_bench.base.quantities import Dimension
from ventproof_bench.yamlfile.fields import AnyQuantity, FileModel, Line
from ventproof_bench.yamlfile.load import Loaded, load_document, read_document

if TYPE_CHECKING:
    from pathlib import Path

    from ventproof.log.events import PinnedText


# The three tests of IEC 62381 (Automation systems in the process industry: FAT, SAT and SIT), from its public scope.
TESTS: Final = {
    "FAT": "Factory acceptance test (FAT)",
    "SIT": "Site integration test (SIT)",
    "SAT": "Site acceptance test (SAT)",
}
"""What the tests are called in full."""


class AmbientConditions(FileModel):
    """The air at the bench while the unit was tested."""

    temperature: AnyQuantity | None = None
    """Temperature of the air, such as 21 °C."""
    humidity: AnyQuantity | None = None
    """Relative humidity, such as 45 %."""

    @model_validator(mode="after")
    def _are_what_they_are_called(self) -> Self:
        for key, wanted, example, lowest, highest in (
            ("temperature", Dimension.TEMPERATURE, "21 °C", -60, 80),
            ("humidity", Dimension.PERCENT, "45 %", 0, 100),
        ):
            said = getattr(self, key)
            if said is not None and said.dimension is not wanted:
                raise Refusal(f"{key} {said.text!r} is not a {key}", f"write it as {example!r}", key=key)
            if said is not None and not lowest <= said.value <= highest:
                reason = f"{key} {said.text!r} is not one of air at a bench"
                raise Refusal(reason, f"write from {lowest:g} to {highest:g} {example.split()[1]}", key=key)
        return self


class WitnessSpec(FileModel):
    """A person who watches the test for the customer or an authority."""

    name: Line
    """Name of the witness."""
    role: Line | None = None
    """For whom, or as what."""


class AcceptanceFile(FileModel):
    """The data of an acceptance test that no reading shows; what is left out is a blank line on the report."""

    acceptance: Literal["FAT", "SIT", "SAT"]
    """Which test it is, in the words of IEC 62381: at the factory, of the integration on site, or on site."""
    document: Line | None = None
    """Number of the document that the report becomes."""
    order: Line | None = None
    """Number of the order."""
    customer: Line | None = None
    """Who ordered the unit."""
    site: Line | None = None
    """Where the unit is, or will be, at work."""
    unit: Line | None = None
    """Serial number of the unit under test; `--unit` may state it instead."""
    hardware: Line | None = None
    """Hardware revision of the unit."""
    firmware: Line | None = None
    """Firmware version of the unit; `--firmware` may state it instead."""
    operator: Line | None = None
    """Who runs the test; `--operator` may state it instead."""
    ambient: AmbientConditions = AmbientConditions()
    """Temperature and humidity of the air at the bench."""
    witness: WitnessSpec | None = None
    """Who watches the test."""


Acceptance = Loaded[AcceptanceFile]


def load_acceptance(path: Path) -> Acceptance:
    """Load an acceptance file.

    Raises:
        FileError: something in it is wrong; every fault found, in file order.
    """
    return load_document(path, AcceptanceFile)


def agreed(acceptance: Acceptance | None, key: str, option: str) -> str:
    """Return what an acceptance file and an option of the command say of the unit or its operator.

    Args:
        acceptance: the file; None: there is none.
        key: `unit`, `firmware` or `operator`.
        option: what the command says; empty where it says nothing.

    Raises:
        FileError: they contradict each other.
    """
    said: str = (acceptance and getattr(acceptance.model, key)) or ""
    if acceptance and said and option and said != option:
        reason = f"{key} {said!r} contradicts {option!r}, which the command states"
        raise FileError([acceptance.problem((key,), reason, f"correct it, or leave --{key} out")])
    return option or said


NOTHING: Final = ("acceptance", "document", "order", "customer", "site", "hardware", "air", "witness")
"""What a first page says of an acceptance; without a file each of them is empty."""


@lru_cache(maxsize=4)
def read_acceptance(path: str, text: str) -> Acceptance:
    """Read the text of an acceptance file, as `load_acceptance` does; `path` only names it in messages.

    Raises:
        FileError: something in it is wrong; every fault found, in file order.
    """
    return read_document(path, text, AcceptanceFile)


def told_of(pinned: PinnedText | None) -> Mapping[str, str]:
    """Return what the acceptance file in a log says, by `NOTHING`; empty where it says nothing.

    Raises:
        FileError: it cannot be read.
    """
    empty = dict.fromkeys(NOTHING, "")
    if pinned is None:
        return empty
    file = read_acceptance("acceptance file in the log", pinned.text).model
    air = (
        (file.ambient.temperature, ""),
        (file.ambient.humidity, " relative humidity"),
    )
    witness = file.witness
    return empty | {
        "acceptance": TESTS[file.acceptance],
        "document": file.document or "",
        "order": file.order or "",
        "customer": file.customer or "",
        "site": file.site or "",
        "hardware": file.hardware or "",
        "air": ", ".join(f"{said.text}{what}" for said, what in air if said is not None),
        "witness": ", ".join(filter(None, (witness.name, witness.role))) if witness else "",
    }
