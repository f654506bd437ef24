"""The logs that are here, with the manifests that lie beside them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from enum import Enum
from pathlib import Path
from typing import final

from ventproof.log.events import RunBegin
from ventproof.log.names import plain_path, signature_path
from ventproof.log.read import LogCheck, LogState
from ventproof.runset.completeness import PresentLog, PresentManifest, SetCheck, check_set
from ventproof.runset.manifest import ENDING, read_manifest
from ventproof.runset.records import (
    SeenRecord,
    is_left_unsigned,
    read_record,
    records_above,
    seen_record,
    signature_said,
)
from ventproof_bench.base.errors import FileError


@final
class Choice(Enum):
    """How logs came to be looked at together."""

    FOLDER = "all that lies in some folders"
    RECORDED = "all that lies in some folders, which a rack or a campaign may have left"
    NAMED = "chosen one by one"
    OWN = "left by the command that looks at them"

    @property
    def all_there(self) -> bool:
        """Whether nothing that lies there was left out."""
        return self in {Choice.FOLDER, Choice.RECORDED}


def present_log(path: Path, log: LogState | LogCheck) -> PresentLog:
    """Return what a set of logs is counted by, of one that was read or checked; a self-check is of no plan."""
    if isinstance(log, LogCheck):
        place = log.place
    else:
        first = log.events[0]
        place = first.header.place if isinstance(first, RunBegin) else None
    return PresentLog(str(plain_path(path)), log.digest, log.sha256, place, log.outcome)


def checked_set(logs: Sequence[PresentLog], choice: Choice, owner: bytes | None = None) -> SetCheck:
    """Return what there is to say of a set of logs and of the manifests beside them.

    Args:
        logs: of runs; their names are their paths.
        choice: how they came to be looked at.
        owner: public key of whoever must have signed the manifests; None where anybody may, or nobody.
    """
    paths = [Path(log.name) for log in logs]
    labelled = [replace(log, name=name) for log, name in zip(logs, _labels(paths), strict=True)]
    manifests = manifests_beside(paths)
    closing = [
        replace(_present(path, owner), name=name)
        for path, name in zip(manifests, _labels(manifests), strict=True)
    ]
    records = [seen_record(path, owner) for path in records_above(paths)] if choice is Choice.RECORDED else []
    found = check_set(
        labelled,
        closing,
        named=choice is Choice.NAMED,
        every_plan=choice.all_there,
        apart=_lie_apart(logs, {one.path.parent for one in records}),
        promised=[plan for one in records for plan in one.plans],
        records={one.closes for one in records},
        wholes=choice is Choice.RECORDED,
    )
    return _with_records(found, records, list(zip(paths, labelled, strict=True))) if records else found


def _lie_apart(logs: Sequence[PresentLog], recorded: Collection[Path]) -> bool:
    """Return whether all logs lie in folders that a record closes, and each folder has one plan."""
    plans = {(Path(log.name).parent, log.place.plan.sha256) for log in logs if log.place}
    folders = {folder for folder, _ in plans}
    return len(plans) == len(folders) and all(folder.parent in recorded for folder in folders)


def _with_records(
    found: SetCheck, records: Sequence[SeenRecord], logs: Sequence[tuple[Path, PresentLog]]
) -> SetCheck:
    """Return what there is to say of a set of logs, with what the records that close their folders say."""
    wrong, missing, whole = list(found.wrong), list(found.missing), list(found.whole)
    for one in records:
        strange, gone = list(one.says_wrong(logs)), list(one.says_missing(logs))
        wrong += strange
        missing += gone
        whole += [] if strange or gone or found.standing else [one.says_whole]
    return replace(found, wrong=tuple(wrong), missing=tuple(missing), whole=tuple(whole))


def _labels(paths: Sequence[Path]) -> Iterator[str]:
    """Yield the names by which logs are told apart: the files' own, with as much before them as that takes."""
    ways = [
        [path.name for path in paths],
        [f"{path.parent.name}/{path.name}" for path in paths],
        [str(path) for path in paths],
    ]
    counts = [Counter(names) for names in ways]
    for names in zip(*ways, strict=True):
        yield next((name for name, count in zip(names, counts, strict=True) if count[name] == 1), names[-1])


def manifests_beside(logs: Iterable[Path]) -> list[Path]:
    """Return the manifests that lie in the folders of some logs, in order."""
    folders = dict.fromkeys(log.parent for log in logs)
    return [path for folder in folders for path in sorted(folder.glob(f"*{ENDING}"))]


def _present(path: Path, owner: bytes | None) -> PresentManifest:
    try:
        manifest = read_manifest(path)
    except FileError as error:
        return PresentManifest(path.name, None, "; ".join(problem.reason for problem in error.problems))
    wrong, signed = signature_said(path, manifest.content, owner)
    if not signed and (owner is not None or is_left_unsigned(path, manifest.logs_left(path.parent))):
        wrong = wrong or "it is not signed: its signature is missing"
    return PresentManifest(path.name, manifest, wrong, signed)


def left_unsigned(logs: Sequence[Path]) -> dict[Path, bytes]:
    """Return the files that close some logs and are not signed though their logs are, each with its bytes.

    What is no such file is left alone.
    """
    found: dict[Path, bytes] = {}
    for path in manifests_beside(logs):
        with suppress(FileError):
            closing = read_manifest(path)
            if is_left_unsigned(path, closing.logs_left(path.parent)):
                found[path] = closing.content
    for path in records_above(logs):
        with suppress(FileError):
            record = read_record(path)
            if is_left_unsigned(path, record.logs_left(path.parent)):
                found[path] = record.content
    return found


def belonging(logs: Sequence[Path], choice: Choice) -> list[Path]:
    """Return some logs with all that must not be parted from them: manifests that close them, and signatures.

    Args:
        logs: the logs.
        choice: how they were chosen; of logs chosen one by one a manifest belongs to them that lists one.
    """
    names = {plain_path(log).resolve() for log in logs}
    found = list(logs)
    for path in manifests_beside(logs):
        try:
            listed = {path.with_name(one.log).resolve() for one in read_manifest(path).left if one.log}
        except FileError:
            listed = set()
        found += [path] if choice.all_there or listed & names else []
    found += records_above(logs) if choice is Choice.RECORDED else []
    signatures = map(signature_path, found)
    return [*found, *(path for path in signatures if path.exists())]
