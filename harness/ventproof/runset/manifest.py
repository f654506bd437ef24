"""The file that closes a set of runs: its plan, and which log each run left."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final, final

from ventproof.log.decode import LineError, LineFields, plan_of
from ventproof.log.encode import plan_fields
from ventproof.log.plan import Plan
from ventproof.log.read import VERDICTS
from ventproof.log.run import ABORTED
from ventproof.runset.closing import closing_of, read_closing
from ventproof_bench.base.files import whole_file

ENDING: Final = ".manifest.json"
"""How the names of these files end."""

NOT_RUN: Final = "not run"
NOT_NEEDED: Final = "not needed"
"""The claim that the repeats were to prove was proved or refuted before."""

_FORMAT: Final = "ventproof manifest"
_VERSION: Final = 1
_SHA256: Final = re.compile("[0-9a-f]{64}")


@final
@dataclass(frozen=True, slots=True)
class LeftLog:
    """What one run of a plan left.

    Attributes:
        log: name of its log's file; empty where there is none.
        sha256: SHA-256 of the file; empty likewise.
        outcome: its verdict, `aborted`, `NOT_RUN` or `NOT_NEEDED`.
        earlier: what attempts at the same run left that were aborted before, in order.
    """

    log: str = ""
    sha256: str = ""
    outcome: str = NOT_RUN
    earlier: tuple[LeftLog, ...] = ()

    @property
    def fields(self) -> dict[str, object]:
        """It as JSON holds it; attempts stand there only where there were some."""
        earlier = [one.fields for one in self.earlier]
        return {
            "log": self.log or None,
            "sha256": self.sha256 or None,
            "outcome": self.outcome,
            **({"earlier": earlier} if earlier else {}),
        }


@final
@dataclass(frozen=True, slots=True)
class Manifest:
    """What closes a set of runs.

    Attributes:
        plan: what was to be run.
        left: what each run left, in the plan's order.
        broken_off: why not all were run; empty where they were.
    """

    plan: Plan
    left: tuple[LeftLog, ...]
    broken_off: str = ""

    def logs_left(self, folder: Path) -> list[Path]:
        """Return the logs that it lists, as they are called in its folder; without those of earlier attempts."""
        return [folder / one.log for one in self.left if one.log]

    @property
    def content(self) -> bytes:
        """The file's bytes: of one set of runs there is one spelling."""
        runs = [
            {
                "run": place.run,
                "profile": place.profile.name,
                "repeat": place.repeat,
                **one.fields,
            }
            for place, one in zip(self.plan.places, self.left, strict=True)
        ]
        whole = {
            "format": _FORMAT,
            "version": _VERSION,
            "plan": plan_fields(self.plan),
            "broken_off": self.broken_off,
            "runs": runs,
        }
        return (json.dumps(whole, ensure_ascii=False, indent=1) + "\n").encode("utf-8", "backslashreplace")


def manifest_of(content: bytes) -> Manifest:
    """Return the manifest that a file's bytes are.

    Raises:
        LineError: they are none, or not as ventproof writes it.
    """
    return closing_of(content, _FORMAT, _VERSION, _parsed)


def _parsed(line: LineFields) -> Manifest:
    plan = plan_of(line.part("plan"))
    left = tuple(map(_left, line.parts("runs")))
    if len(left) != plan.runs:
        raise LineError(f"it tells of {len(left)} runs, and its plan has {plan.runs}")
    return Manifest(plan, left, line.text("broken_off"))


def _left(line: LineFields) -> LeftLog:
    outcome = line.word("outcome", (*VERDICTS, ABORTED, NOT_RUN, NOT_NEEDED))
    log, sha256 = line.maybe("log", line.text) or "", line.maybe("sha256", line.text) or ""
    if (outcome in {NOT_RUN, NOT_NEEDED}) != (not log):
        raise line.wrong("log", "the name of a log where a run left one, and null elsewhere")
    if log and Path(log).name != log:
        raise line.wrong("log", "the name of a log in the manifest's folder")
    if log and not _SHA256.fullmatch(sha256):
        raise line.wrong("sha256", "64 digits from 0 to 9 and a to f")
    earlier = tuple(map(_left, line.parts("earlier"))) if "earlier" in line else ()
    if any(one.outcome != ABORTED or one.earlier for one in earlier):
        raise line.wrong("earlier", "attempts that were aborted")
    return LeftLog(log, sha256, outcome, earlier)


def read_manifest(path: Path) -> Manifest:
    """Read a manifest.

    Raises:
        FileError: it cannot be read, or is none as ventproof writes it.
    """
    return read_closing(path, manifest_of, "manifest")


def write_manifest(path: Path, manifest: Manifest) -> None:
    """Write a manifest: there as a whole or not at all, and never in place of another file.

    Raises:
        FileError: it cannot be written.
    """
    with whole_file(path, replaces=False) as file:
        file.write(manifest.content)
