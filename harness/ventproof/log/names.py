"""What the files of a log are called, plain, archived and signed, and whether one is still written; light to import."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path
from typing import Final

from ventproof_bench.base.files import open_regular

PLAIN: Final = ".jsonl"
ARCHIVED: Final = ".zst"
"""What an archive's name has after that of its log."""


def plain_path(log: Path) -> Path:
    """Return a log's name as it was written: `rain.jsonl`, of `rain.jsonl.zst` too."""
    return log.with_name(log.name.removesuffix(ARCHIVED)) if log.name.endswith(f"{PLAIN}{ARCHIVED}") else log


def archive_path(log: Path) -> Path:
    """Return a log's name as an archive: `rain.jsonl.zst`."""
    plain = plain_path(log)
    return plain.with_name(f"{plain.name}{ARCHIVED}")


def log_at(log: Path) -> Path:
    """Return where a log lies now: as it was named, or archived or unpacked since."""
    return next((path for path in (log, plain_path(log), archive_path(log)) if path.exists()), log)


def logs_in(folder: Path, *, below: bool = False) -> list[Path]:
    """Return the logs in a folder, plain and archived, in order; with `below` those in its folders too."""
    pattern = f"{'**/' if below else ''}*{PLAIN}"
    return sorted(path for ending in ("", ARCHIVED) for path in folder.glob(f"{pattern}{ending}"))


def signature_path(path: Path) -> Path:
    """Return where the signature of a log or a manifest stands: `rain.jsonl.sig`, of `rain.jsonl.zst` too."""
    plain = plain_path(path)
    return plain.with_name(f"{plain.name}.sig")


def has_signature(path: Path) -> bool:
    """Return whether anything stands there."""
    return os.path.lexists(signature_path(path))


def free_path(folder: Path, stem: str, ending: str = PLAIN) -> Path:
    """Return `folder/stem.jsonl`, or the first of `stem-2.jsonl`, … that has no signature and no archive either."""
    candidate, number = folder / f"{stem}{ending}", 1
    while any(map(os.path.lexists, (candidate, archive_path(candidate), signature_path(candidate)))):
        number += 1
        candidate = folder / f"{stem}-{number}{ending}"
    return candidate


def is_being_written(path: Path) -> bool:
    """Return whether a run on this computer still writes a log."""
    try:
        with open_regular(path) as file:
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:  # whoever reads it says what is wrong
        return False
    return False
