"""One file to hand over: logs, signatures, manifests and the report, and a list of them."""

from __future__ import annotations

import hashlib
import json
import re
import stat
import zipfile
import zlib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from ventproof.log.decode import LineError
from ventproof.log.names import ARCHIVED, PLAIN
from ventproof.runset.closing import fields_of
from ventproof.runset.manifest import ENDING
from ventproof.runset.records import RECORDS
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.files import open_regular, whole_file

if TYPE_CHECKING:
    from ventproof.log.signing import Signer


CONTENTS: Final = "contents.json"
"""Name of the list of files in a bundle."""

REPORT: Final = "report.html"
"""Name of the report in a bundle."""

REPORT_RUNS: Final = "report-runs"
"""Folder of the report's pages of runs in a bundle, where each has its own."""

LOGS: Final = "logs"
"""Folder of the logs in a bundle."""

_FORMAT: Final = "ventproof bundle"
_VERSION: Final = 1
_LONGEST_LIST: Final = 64 * 2**20
LARGEST_BYTES: Final = 4 * 2**30
"""No bundle unpacks to more."""

_MOST_FILES: Final = 100_000
_CHUNK: Final = 2**20
_PLAIN: Final = re.compile(r"[^\x00-\x1f\x7f/\\:]+")
_ENDINGS: Final = (PLAIN, f"{PLAIN}{ARCHIVED}", f"{PLAIN}.sig", ENDING, f"{ENDING}.sig")
_KNOWN: Final = (CONTENTS, REPORT)
_UNPACKING: Final = (
    zipfile.BadZipFile,
    zlib.error,
    EOFError,
    NotImplementedError,
    RuntimeError,
    UnicodeError,
    ValueError,
)
"""What zipfile raises of archives that are cut, changed, or made by somebody who means harm."""


def write_bundle(path: Path, files: Mapping[str, Path | bytes], keys: Sequence[Signer]) -> None:
    """Write a bundle, the same to the byte for the same files; one that exists is never replaced.

    Args:
        path: the bundle.
        files: what it shall hold, by the name in it, as a file or as its bytes.
        keys: that signed something in it.

    Raises:
        FileError: a file cannot be read or has a name that no bundle holds, or the bundle cannot be written.
    """
    strange = [name for name in files if not _is_ours(name)]
    if strange:
        hint = "rename it, and its signature with it"
        raise FileError(
            [Problem(name, None, None, "no bundle holds a file of such a name", hint) for name in strange]
        )
    try:
        with whole_file(path, replaces=False) as whole, zipfile.ZipFile(whole, "w") as archive:
            listed = [_put(archive, name, files[name]) for name in sorted(files)]
            contents = {
                "format": _FORMAT,
                "version": _VERSION,
                "keys": [{"fingerprint": one.fingerprint, "signer": one.name} for one in keys],
                "files": listed,
            }
            text = json.dumps(contents, ensure_ascii=False, indent=1) + "\n"
            archive.writestr(_info(CONTENTS), text.encode("utf-8", "replace"), zipfile.ZIP_DEFLATED, 9)
    except zipfile.LargeZipFile as error:
        raise _refused(path, f"cannot be written: {error}") from error


def _info(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name)  # of 1980, so that only what is inside makes a bundle another one
    info.external_attr = (stat.S_IFREG | 0o644) << 16
    info.create_system = 3
    info.compress_type = zipfile.ZIP_DEFLATED
    return info


def _put(archive: zipfile.ZipFile, name: str, source: Path | bytes) -> dict[str, object]:
    digest, size = hashlib.sha256(), 0
    with archive.open(_info(name), "w", force_zip64=True) as member:
        for chunk in [source] if isinstance(source, bytes) else _chunks(source):
            member.write(chunk)
            digest.update(chunk)
            size += len(chunk)
    return {"name": name, "bytes": size, "sha256": digest.hexdigest()}


def _chunks(source: Path) -> Iterable[bytes]:
    try:
        with open_regular(source) as file:
            while chunk := file.read(_CHUNK):
                yield chunk
    except OSError as error:
        raise _refused(source, f"cannot be read: {error.strerror}") from error


def is_bundle(path: Path) -> bool:
    """Return whether a file is, or claims to be, a bundle; no log begins as one."""
    try:
        with open_regular(path) as file:
            return file.read(4) == b"PK\x03\x04" or path.suffix.lower() == ".zip"
    except OSError:
        return False


def unpack(path: Path, folder: Path) -> None:
    """Unpack a bundle into an empty folder.

    Nothing is written outside the folder, nothing that the list does not name, and no more than a bundle may hold.

    Raises:
        FileError: it is no bundle, or not whole and unchanged.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            members = _members(path, archive)
            listed = _contents(archive, members.pop(CONTENTS))
            if members.keys() != listed.keys():
                odd = min(members.keys() ^ listed.keys())
                where = (
                    "is not in its list of files"
                    if odd in members
                    else "is in its list of files, and missing"
                )
                raise _refused(path, f"this bundle was changed: {odd!r} {where}")
            for name, info in members.items():
                _take(path, archive, info, folder / name, listed[name])
    except OSError as error:
        raise _refused(path, f"the bundle cannot be read: {error.strerror}") from error
    except LineError as error:
        raise _refused(path, f"not a bundle: its {CONTENTS} is not as ventproof writes it: {error}") from None
    except _UNPACKING as error:
        raise _refused(path, f"not a complete bundle: {error or type(error).__name__}") from None


def _members(path: Path, archive: zipfile.ZipFile) -> dict[str, zipfile.ZipInfo]:
    """Return the members by name, each of which may be unpacked."""
    infos = archive.infolist()
    if len(infos) > _MOST_FILES or sum(info.file_size for info in infos) > LARGEST_BYTES:
        most = f"{_MOST_FILES} files or {LARGEST_BYTES // 2**30} GiB"
        raise _refused(path, f"not a bundle of ventproof: it would unpack to more than {most}")
    members: dict[str, zipfile.ZipInfo] = {}
    seen: set[str] = set()
    for info in infos:
        kind = stat.S_IFMT(info.external_attr >> 16)
        plain = kind in {0, stat.S_IFREG} and not info.flag_bits & 1 and info.orig_filename == info.filename
        if not plain or not _is_ours(info.filename):
            raise _refused(path, f"not a bundle of ventproof: it holds {info.orig_filename!r}")
        if info.filename.casefold() in seen:
            raise _refused(path, f"this bundle was changed: it holds {info.filename!r} twice")
        seen.add(info.filename.casefold())
        members[info.filename] = info
    if CONTENTS not in members:
        raise _refused(path, f"not a bundle of ventproof: it holds no {CONTENTS}")
    return members


def _is_ours(name: str) -> bool:
    """Return whether a bundle may hold a file of such a name: a page, a log, what closes logs, or a signature."""
    folder, *parts = name.split("/")
    if not parts or not all(_PLAIN.fullmatch(part) and part.strip(".") for part in parts):
        return name in _KNOWN
    if folder == REPORT_RUNS:
        return len(parts) == 1 and name.endswith(".html")
    return folder == LOGS and (name.endswith(_ENDINGS) or parts[-1].removesuffix(".sig") in RECORDS)


def _contents(archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> dict[str, tuple[int, str]]:
    """Return the size and the digest of each file that a bundle's list names, by its name."""
    if info.file_size > _LONGEST_LIST:
        raise LineError("it is too long")
    line = fields_of(archive.read(info), _FORMAT, _VERSION)
    return {
        one.text("name"): (one.whole("bytes", 0, LARGEST_BYTES), one.text("sha256"))
        for one in line.parts("files")
    }


def _take(
    path: Path, archive: zipfile.ZipFile, info: zipfile.ZipInfo, target: Path, listed: tuple[int, str]
) -> None:
    """Unpack one member, as far as the list says that it goes."""
    target.parent.mkdir(parents=True, exist_ok=True)
    digest, left = hashlib.sha256(), listed[0]
    with archive.open(info) as member, target.open("xb") as file:
        while chunk := member.read(_CHUNK):
            left -= len(chunk)
            if left < 0:
                break
            digest.update(chunk)
            file.write(chunk)
    if left or digest.hexdigest() != listed[1]:
        raise _refused(
            path, f"this bundle was changed: {info.filename!r} is not the file that its list names"
        )


def _refused(path: Path, reason: str) -> FileError:
    return FileError([Problem(str(path), None, None, reason)])
