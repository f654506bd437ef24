"""The folder that drafted profiles are written to: what a person changed there is kept."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from bench.errors import FileError, Problem
from harness.prove.page import drafted, untouched

if TYPE_CHECKING:
    from harness.prove.draft import Draft

Fate = Literal["new", "renewed", "as it was"]


def write_drafts(folder: Path, made: Sequence[Draft], *, force: bool) -> dict[str, Fate]:
    """Write drafted profiles, all or none.

    Args:
        folder: where to; made if need be.
        made: the profiles.
        force: write over files that were changed since they were drafted, too.

    Returns:
        What became of each file.

    Raises:
        FileError: a file there was changed by a person, or the folder cannot be written.
    """
    try:
        texts = {draft.file: _text(folder / draft.file) for draft in made}
        changed = [
            draft.file
            for draft in made
            if (text := texts[draft.file]) is not None and text != draft.text and not untouched(text)
        ]
        if changed and not force:
            reason = "was changed since it was drafted, or not drafted at all; nothing is written"
            hint = "move it away, or write over it with --force"
            raise FileError([Problem(str(folder / name), None, None, reason, hint) for name in changed])
        folder.mkdir(parents=True, exist_ok=True)
        for draft in made:
            if texts[draft.file] != draft.text:
                (folder / draft.file).write_text(draft.text, encoding="utf-8")
    except OSError as error:
        reason = error.strerror or str(error)
        raise FileError([Problem(str(folder), None, None, f"cannot be written: {reason}")]) from None
    return {draft.file: _fate(texts[draft.file], draft.text) for draft in made}


def left_over(folder: Path, made: Sequence[Draft]) -> list[str]:
    """Return the files of a folder that were drafted once and are not any more."""
    names = {draft.file for draft in made}
    others = (path for path in sorted(folder.glob("*.yaml")) if path.name not in names)
    return [path.name for path in others if drafted(_text(path) or "")]


def _text(path: Path) -> str | None:
    if not path.exists():
        return None
    return path.read_text(encoding="utf-8", errors="replace")


def _fate(before: str | None, text: str) -> Fate:
    if before is None:
        return "new"
    return "as it was" if before == text else "renewed"
