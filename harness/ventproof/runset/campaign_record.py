"""The file in which a campaign notes what it is to run: nothing of it is lost unseen, and nothing real begins twice."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, final

from ventproof.log.decode import LineError, LineFields, plan_of
from ventproof.log.encode import plan_fields
from ventproof.log.names import logs_in, signature_path
from ventproof.log.plan import campaign_of
from ventproof.runset.closing import closing_of, read_closing
from ventproof_bench.base.files import whole_file
from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    from ventproof.log.plan import Plan
    from ventproof.runset.completeness import PresentLog


CAMPAIGN: Final = "campaign.json"
"""Name of this file; the logs are in folders beside it, one a plan."""

_FOLDER: Final = re.compile(r"\d{3,}-[a-z0-9-]+")
_FORMAT: Final = "ventproof campaign"
_VERSION: Final = 1

Place = tuple[int, int]
"""A job: number of its group, from 0, and number of the run in its plan, from 1."""


@final
@dataclass(frozen=True, slots=True)
class CampaignRecord:
    """What a campaign began.

    Attributes:
        campaign: its name.
        plans: what was to be run, by the name of the folder of each group.
        tokens: of each job that moves something real.
        spent: those of them with which no log will come any more.
    """

    campaign: str
    plans: Mapping[str, Plan]
    tokens: Mapping[Place, str]
    spent: tuple[Place, ...] = ()

    @property
    def content(self) -> bytes:
        """The file's bytes: of one record there is one spelling."""
        whole = {
            "format": _FORMAT,
            "version": _VERSION,
            "campaign": self.campaign,
            "groups": [{"folder": name, "plan": plan_fields(plan)} for name, plan in self.plans.items()],
            "tokens": [
                {"group": group, "run": run, "token": token, "spent": (group, run) in self.spent}
                for (group, run), token in self.tokens.items()
            ],
        }
        return (json.dumps(whole, ensure_ascii=False, indent=1) + "\n").encode("utf-8", "backslashreplace")

    def logs_left(self, folder: Path) -> list[Path]:
        """Return the logs of its groups that are in its folder."""
        return [log for name in self.plans for log in logs_in(folder / name)]

    def strangers(self, logs: Iterable[PresentLog]) -> Iterator[str]:
        """Yield which of some logs that lie in its folder are of none of its plans, a sentence each."""
        known = {plan.sha256 for plan in self.plans.values()}
        for log in logs:
            if log.place is None or log.place.plan.sha256 not in known:
                yield f"{log.name} is of no plan of campaign {self.campaign}: it was added, or is another's log."

    @property
    def all_here(self) -> str:
        """That all of it is here, as the begin of a sentence."""
        runs = sum(plan.runs for plan in self.plans.values())
        plans = number_of(len(self.plans), "plan")
        return f"All {number_of(runs, 'run')} in {plans} of campaign {self.campaign} are here"

    def write(self, folder: Path) -> None:
        """Write it into the folder of the campaign, in place of what stood there.

        Raises:
            FileError: it cannot be written.
        """
        path = folder / CAMPAIGN
        with whole_file(path) as file:
            file.write(self.content)
            # That of the record before says nothing of this one.
            signature_path(path).unlink(missing_ok=True)


def read_campaign_record(path: Path) -> CampaignRecord:
    """Read what a campaign noted.

    Raises:
        FileError: it cannot be read, or is not as ventproof writes it.
    """
    return read_closing(path, _record_of, "record of a campaign")


def _record_of(content: bytes) -> CampaignRecord:
    return closing_of(content, _FORMAT, _VERSION, _parsed)


def _parsed(line: LineFields) -> CampaignRecord:
    plans = {one.text("folder"): plan_of(one.part("plan")) for one in line.parts("groups")}
    if not all(map(_FOLDER.fullmatch, plans)):
        raise LineError("a folder of it is none that ventproof makes")
    whole = campaign_of(line.text("campaign"), list(plans.values()))
    if any(plan.part not in {None, whole} for plan in plans.values()):
        raise LineError("its plans are not those that the campaign had: somebody changed it")
    tokens = {(one.whole("group"), one.whole("run", 1)): one for one in line.parts("tokens")}
    return CampaignRecord(
        line.text("campaign"),
        plans,
        {place: one.text("token") for place, one in tokens.items()},
        tuple(place for place, one in tokens.items() if one.flag("spent")),
    )
