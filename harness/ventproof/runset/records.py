"""The records of racks and campaigns, each of which closes the folders beside it, and what they say of logs there."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, final

from ventproof.log.names import has_signature, log_at
from ventproof.runset.campaign_record import CAMPAIGN, CampaignRecord, read_campaign_record
from ventproof.runset.rack_record import RACK, RackRecord, read_rack_record
from ventproof_bench.base.errors import FileError

if TYPE_CHECKING:
    from ventproof.log.plan import Plan
    from ventproof.runset.completeness import PresentLog, RecordedWhole


Record = RackRecord | CampaignRecord

RECORDS: Final[Mapping[str, Callable[[Path], Record]]] = {
    RACK: read_rack_record,
    CAMPAIGN: read_campaign_record,
}
"""What reads a record, by the name of its file."""


def read_record(path: Path) -> Record:
    """Read a record, of the kind that its name says.

    Raises:
        FileError: it cannot be read, or is not as ventproof writes it.
    """
    return RECORDS[path.name](path)


def records_above(logs: Iterable[Path]) -> list[Path]:
    """Return the records that close the folders of some logs, in order."""
    above = dict.fromkeys(log.parent.parent for log in logs)
    return [folder / name for folder in above for name in RECORDS if (folder / name).is_file()]


def signature_said(path: Path, content: bytes, owner: bytes | None) -> tuple[str, str]:
    """Return what is wrong with the signature of a file that closes runs, and who signed it, as the end of a sentence.

    Both are empty where there is none.
    """
    if not has_signature(path):
        return "", ""
    from ventproof.runset.signature import closing_signature  # noqa: PLC0415 - cryptography is slow to import

    signer, wrong = closing_signature(path, content, owner)
    return wrong, f", signed by {signer}" if signer else ""


@final
@dataclass(frozen=True, slots=True)
class SeenRecord:
    """A record as it lies there.

    Attributes:
        path: the file.
        record: what it says; None where that cannot be read.
        wrong: why it is not to be believed; empty where it is.
        signed: by whom it is signed, as the end of a sentence; empty where it is not.
        unsigned: whether it should be signed, and is not: it was asked for, or the logs that it closes are.
    """

    path: Path
    record: Record | None
    wrong: str
    signed: str = ""
    unsigned: bool = False

    @property
    def plans(self) -> Iterator[tuple[str, Plan]]:
        """The plans of which logs are to be here, each with the name of its folder; a rack does not know them."""
        if isinstance(self.record, CampaignRecord):
            yield from self.record.plans.items()

    @property
    def closes(self) -> RecordedWhole:
        """What it closes; nothing where it cannot be read."""
        match self.record:
            case CampaignRecord(campaign=name, plans=plans):
                return "campaign", name, len(plans)
            case RackRecord(rack=name, places=places):
                return "rack", name, len(places)
            case _:
                return "", "", 0

    def says_wrong(self, logs: Iterable[tuple[Path, PresentLog]]) -> Iterator[str]:
        """Yield what is wrong with it, and what is among some logs and none of its own."""
        if self.wrong:
            yield f"{self.path.name}: {self.wrong}."
        if isinstance(self.record, CampaignRecord):
            folder = self.path.parent
            yield from self.record.strangers(log for path, log in logs if path.is_relative_to(folder))

    def says_missing(self, logs: Collection[tuple[Path, PresentLog]]) -> Iterator[str]:
        """Yield what is missing, and what is here of which the record of a rack does not know.

        Args:
            logs: that are here.
        """
        if self.record is None:
            return
        if self.unsigned:
            what = "rack" if isinstance(self.record, RackRecord) else "campaign"
            yield f"{self.path.name} is not signed: it does not prove that all logs of the {what} are here."
        if isinstance(self.record, RackRecord):
            folder = self.path.parent
            yield from self.record.missing({log.sha256 for _, log in logs})
            yield from self.record.unlisted(log for path, log in logs if path.is_relative_to(folder))

    @property
    def says_whole(self) -> str:
        """That all of it is here."""
        assert self.record is not None, "it was read"
        return f"{self.record.all_here}, as {self.path.name} lists them{self.signed}."


def seen_record(path: Path, owner: bytes | None) -> SeenRecord:
    """Return a record as it lies there.

    Args:
        path: the file.
        owner: public key of whoever must have signed it; None where anybody may, or nobody.
    """
    try:
        record = read_record(path)
    except FileError as error:
        return SeenRecord(path, None, "; ".join(problem.reason for problem in error.problems))
    unsigned = not has_signature(path) and (
        owner is not None or is_left_unsigned(path, record.logs_left(path.parent))
    )
    return SeenRecord(path, record, *signature_said(path, record.content, owner), unsigned)


def is_left_unsigned(path: Path, closed: Iterable[Path]) -> bool:
    """Return whether a file has no signature though all the logs that it closes, as far as they are here, have."""
    here = [log for log in closed if log_at(log).exists()]
    signed = bool(here) and all(map(has_signature, here))
    return signed and not has_signature(path)
