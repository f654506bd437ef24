"""The file in which a campaign notes what it began, so that it can be taken up again and nothing real begins twice."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from secrets import token_hex
from typing import TYPE_CHECKING, Final, final

from ventproof.campaign.planned import PlannedGroup, begun_before
from ventproof.log.decode import LineError, LineFields, plan_of
from ventproof.log.encode import plan_fields
from ventproof.runset.manifest import fields_of
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.files import open_regular, write_whole

if TYPE_CHECKING:
    from ventproof.log.plan import Plan


JOURNAL: Final = "campaign.json"

_FORMAT: Final = "ventproof campaign"
_VERSION: Final = 1
_LARGEST_BYTES: Final = 256 * 2**20

Place = tuple[int, int]
"""A job: number of its group, from 0, and number of the run in its plan, from 1."""


@final
@dataclass(frozen=True, slots=True)
class Journal:
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

    def write(self, folder: Path) -> None:
        """Write it into the folder of the campaign, in place of what stood there.

        Raises:
            FileError: it cannot be written.
        """
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
        write_whole(folder / JOURNAL, json.dumps(whole, ensure_ascii=False, indent=1) + "\n")

    def continued(self, groups: Sequence[PlannedGroup]) -> list[PlannedGroup]:
        """Return the groups with the plans that they began with.

        Raises:
            FileError: the campaign is not what it was.
        """
        began = [
            begun_before(group, self.plans[group.folder]) if group.folder in self.plans else None
            for group in groups
        ]
        same = [group for group in began if group is not None]
        if len(same) != len(groups) or len(groups) != len(self.plans):
            reason = (
                f"campaign {self.campaign!r} is not as it was: its profiles, benches or combinations changed"
            )
            hint = "a campaign goes on with what it began with; begin a new one in another --out"
            raise FileError([Problem("--resume", None, None, reason, hint)])
        return same


def new_journal(campaign: str, groups: Sequence[PlannedGroup]) -> Journal:
    """Return what a campaign notes before its first job: a token for each run on real outputs."""
    tokens = {
        (number, run): token_hex(16)
        for number, group in enumerate(groups)
        if not group.bench.model.virtual
        for run in range(1, group.plan.runs + 1)
    }
    return Journal(campaign, {group.folder: group.plan for group in groups}, tokens)


def read_journal(folder: Path) -> Journal:
    """Read what a campaign noted in its folder.

    Raises:
        FileError: there is none, or it is not as ventproof writes it.
    """
    path = folder / JOURNAL
    try:
        with open_regular(path) as file:
            return _parsed(fields_of(file.read(_LARGEST_BYTES), _FORMAT, _VERSION))
    except FileNotFoundError:
        raise _refused(path, "no campaign began in this folder", "leave --resume out") from None
    except OSError as error:
        raise _refused(path, f"cannot be read: {error.strerror}") from error
    except LineError as error:
        raise _refused(path, f"not the journal of a campaign: {error}") from None


def _parsed(line: LineFields) -> Journal:
    plans = {one.text("folder"): plan_of(one.part("plan")) for one in line.parts("groups")}
    if any(Path(name).name != name for name in plans):
        raise LineError("a folder of it is elsewhere")
    tokens = {(one.whole("group"), one.whole("run", 1)): one for one in line.parts("tokens")}
    return Journal(
        line.text("campaign"),
        plans,
        {place: one.text("token") for place, one in tokens.items()},
        tuple(place for place, one in tokens.items() if one.flag("spent")),
    )


def _refused(path: Path, reason: str, hint: str = "") -> FileError:
    return FileError([Problem(str(path), None, None, reason, hint)])
