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
from ventproof.log.names import has_signature, log_at, plain_path, signature_path
from ventproof.log.read import LogCheck, LogState
from ventproof.runset.completeness import PresentLog, PresentManifest, SetCheck, check_set
from ventproof.runset.manifest import ENDING, Manifest, read_manifest
from ventproof.runset.rack_record import RACK, read_rack_record
from ventproof_bench.base.errors import FileError


@final
class Choice(Enum):
    """How logs came to be looked at together."""

    FOLDER = "all that lies in some folders"
    RACK = "all that lies in some folders, of which one is a rack's"
    NAMED = "chosen one by one"
    OWN = "left by the command that looks at them"

    @property
    def all_there(self) -> bool:
        """Whether nothing that lies there was left out."""
        return self in {Choice.FOLDER, Choice.RACK}


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
    closing = [_present(path, owner) for path in manifests_beside(paths)]
    found = check_set(labelled, closing, named=choice is Choice.NAMED, every_plan=choice.all_there)
    if choice is not Choice.RACK:
        return found
    wrong, missing = _of_racks(racks_above(paths), {log.sha256 for log in logs})
    return replace(found, wrong=(*found.wrong, *wrong), missing=(*found.missing, *missing))


def racks_above(logs: Iterable[Path]) -> list[Path]:
    """Return the records of the racks of which some logs are, in order."""
    above = dict.fromkeys(log.parent.parent / RACK for log in logs)
    return [path for path in above if path.is_file()]


def _of_racks(records: Iterable[Path], here: Collection[str]) -> tuple[list[str], list[str]]:
    """Return what is wrong with records of racks, and what they list and is not here."""
    wrong, missing = list[str](), list[str]()
    for path in records:
        try:
            missing += read_rack_record(path).missing(here)
        except FileError as error:
            wrong.append(f"{path.name}: {'; '.join(problem.reason for problem in error.problems)}.")
    return wrong, missing


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
    if has_signature(path):
        from ventproof.runset.signature import manifest_signature  # noqa: PLC0415 - cryptography is slow to import

        signer, wrong = manifest_signature(path, manifest, owner)
        return PresentManifest(path.name, manifest, wrong, f", signed by {signer}" if signer else "")
    if owner is not None or is_left_unsigned(path, manifest):
        return PresentManifest(path.name, manifest, "it is not signed: its signature is missing")
    return PresentManifest(path.name, manifest)


def is_left_unsigned(path: Path, manifest: Manifest) -> bool:
    """Return whether a manifest has no signature though all the logs that it lists, as far as they are here, have."""
    logs = [path.with_name(one.log) for one in manifest.left if one.log]
    here = [log for log in logs if log_at(log).exists()]
    signed = bool(here) and all(map(has_signature, here))
    return signed and not has_signature(path)


def left_unsigned(logs: Iterable[Path]) -> list[Path]:
    """Return the manifests beside some logs that are not signed though their logs are; what is none is left alone."""
    found = []
    for path in manifests_beside(logs):
        with suppress(FileError):
            found += [path] if is_left_unsigned(path, read_manifest(path)) else []
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
    found += racks_above(logs) if choice is Choice.RACK else []
    signatures = map(signature_path, found)
    return [*found, *(path for path in signatures if path.exists())]
