"""Finds the reports that lie beside logs: which of them tells of which run."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final, final

TITLE: Final = "History of override tests"
"""Title of a history's own page, which names runs as well but is no report."""

_DIGEST: Final = re.compile(r"\b[0-9a-f]{64}\b")


@final
class Reports:
    """Reports by the digests that stand in them; each folder is looked through once."""

    def __init__(self) -> None:
        self._folders: dict[Path, dict[str, Path]] = {}

    def of(self, digest: str, log: Path) -> Path | None:
        """Return the newest report in a log's folder that tells of it; None when there is none."""
        folder = log.parent
        if folder not in self._folders:
            self._folders[folder] = _told_in(folder)
        return self._folders[folder].get(digest)


def _told_in(folder: Path) -> dict[str, Path]:
    """Return the digests in a folder's pages; a page that cannot be read is none."""
    pages: list[tuple[float, Path, str]] = []
    for path in folder.glob("*.html"):
        try:
            pages.append((path.stat().st_mtime, path, path.read_text(encoding="utf-8", errors="replace")))
        except OSError:
            continue
    told: dict[str, Path] = {}
    for _, path, text in sorted(pages):
        if f"<title>{TITLE}</title>" not in text:
            told.update(dict.fromkeys(_DIGEST.findall(text), path))
    return told
