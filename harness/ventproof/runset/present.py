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
from ventproof.runset.manifest import ENDING, read_manifest
from ventproof.runset.rack_record import RACK, read_rack_record
from ventproof_bench.base.errors import FileError
from ventproof_bench.base.text import number_of


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
    apart = choice is Choice.RACK and _lie_apart(logs)
    found = check_set(
        labelled, closing, named=choice is Choice.NAMED, every_plan=choice.all_there, apart=apart
    )
    if choice is not Choice.RACK:
        return found
    wrong, missing, whole = _of_racks(racks_above(paths), {log.sha256 for log in logs}, owner)
    return replace(
        found,
        wrong=(*found.wrong, *wrong),
        missing=(*found.missing, *missing),
        whole=(*found.whole, *whole),
    )


def _lie_apart(logs: Sequence[PresentLog]) -> bool:
    """Return whether all logs are of places of racks, and each place has one plan."""
    plans = {(Path(log.name).parent, log.place.plan.sha256) for log in logs if log.place}
    places = {folder for folder, _ in plans}
    return len(plans) == len(places) and all((folder.parent / RACK).is_file() for folder in places)


def racks_above(logs: Iterable[Path]) -> list[Path]:
    """Return the records of the racks of which some logs are, in order."""
    above = dict.fromkeys(log.parent.parent / RACK for log in logs)
    return [path for path in above if path.is_file()]


def _of_racks(
    records: Iterable[Path], here: Collection[str], owner: bytes | None
) -> tuple[list[str], list[str], list[str]]:
    """Return what is wrong with records of racks, what they list and is not here, and which are here as a whole."""
    wrong, missing, whole = list[str](), list[str](), list[str]()
    for path in records:
        try:
            record = read_rack_record(path)
        except FileError as error:
            wrong.append(f"{path.name}: {'; '.join(problem.reason for problem in error.problems)}.")
            continue
        false, signed = _signed(path, record.content, owner)
        wrong += [f"{path.name}: {false}."] if false else []
        if owner is not None and not has_signature(path):  # of a rack that an older ventproof tested, too
            missing.append(
                f"{path.name} is not signed: it does not prove that all logs of the rack are here."
            )
        if gone := list(record.missing(here)):
            missing += gone
        else:
            places = number_of(len(record.places), "place")
            whole.append(
                f"All logs of the {places} of rack {record.rack} are here, as {path.name} lists them{signed}."
            )
    return wrong, missing, whole


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
    wrong, signed = _signed(path, manifest.content, owner)
    if not signed and (owner is not None or _is_left_unsigned(path, manifest.logs_left)):
        wrong = wrong or "it is not signed: its signature is missing"
    return PresentManifest(path.name, manifest, wrong, signed)


def _signed(path: Path, content: bytes, owner: bytes | None) -> tuple[str, str]:
    """Return what is wrong with the signature of a file that closes runs, and who signed it, as the end of a sentence.

    Both are empty where there is none.
    """
    if not has_signature(path):
        return "", ""
    from ventproof.runset.signature import closing_signature  # noqa: PLC0415 - cryptography is slow to import

    signer, wrong = closing_signature(path, content, owner)
    return wrong, f", signed by {signer}" if signer else ""


def _is_left_unsigned(path: Path, listed: Iterable[str]) -> bool:
    """Return whether a file has no signature though all the logs that it lists, as far as they are here, have."""
    here = [log for log in (path.parent / name for name in listed) if log_at(log).exists()]
    signed = bool(here) and all(map(has_signature, here))
    return signed and not has_signature(path)


def left_unsigned(logs: Sequence[Path]) -> list[Path]:
    """Return the files that close some logs and are not signed though their logs are; what is none is left alone."""
    found = []
    for path in manifests_beside(logs):
        with suppress(FileError):
            found += [path] if _is_left_unsigned(path, read_manifest(path).logs_left) else []
    for path in racks_above(logs):
        with suppress(FileError):
            found += [path] if _is_left_unsigned(path, read_rack_record(path).logs_left) else []
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
