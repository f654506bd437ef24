"""The files that a profile names: measured series, read once with it, so that a log can pin what was played."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path as FilePath
from typing import TYPE_CHECKING

from bench.document import Loaded, in_file_order, read_attached
from bench.errors import FileError, Problem
from bench.wording import nearest
from harness.profile.stimulus import Rainfall, Wind

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from bench.yamltree import Path
    from harness.profile.courses import Series
    from harness.profile.model import Profile


def attach_from_disk(profile: Loaded[Profile]) -> Loaded[Profile]:
    """Return the profile with the files that it names, which stand beside it.

    Raises:
        FileError: a file cannot be read; every one is named.
    """
    folder = FilePath(profile.path).parent
    return _attach(profile, lambda name: read_attached(folder / name, "CSV"))


def attach_texts(profile: Loaded[Profile], texts: Mapping[str, str]) -> Loaded[Profile]:
    """Return the profile with the texts of the files that it names, as a log holds them.

    Raises:
        FileError: a text is missing.
    """

    def given(name: str) -> str:
        if name not in texts:
            hint = nearest(name, texts) if texts else ""
            raise FileError(
                [Problem(name, None, None, "the text of this file is not with the profile", hint)]
            )
        return texts[name]

    return _attach(profile, given)


def _attach(profile: Loaded[Profile], read: Callable[[str], str]) -> Loaded[Profile]:
    texts: dict[str, str] = {}
    problems: list[Problem] = []
    for path, series in _series(profile.model):
        try:
            if series.file not in texts:
                texts[series.file] = read(series.file)
            series.hold(texts[series.file])
        except FileError as error:
            problems += [
                profile.problem((*path, "file"), f"{series.file}: {fault.reason}", fault.hint)
                for fault in error.problems
            ]
    if problems:
        raise FileError(in_file_order(problems))
    return replace(profile, attached=texts)


def _series(profile: Profile) -> Iterator[tuple[Path, Series]]:
    for number, step in enumerate(profile.steps):
        for index, stimulus in enumerate(step.do):
            if isinstance(stimulus, Rainfall | Wind) and stimulus.series is not None:
                yield ("steps", number, "do", index, "series"), stimulus.series
