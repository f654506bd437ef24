"""What runs are called where several are told of together, by what tells each from the others; versions in order."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Final, NamedTuple, Protocol, final

if TYPE_CHECKING:
    import datetime as dt

_APART: Final = {"unit": "unit {}", "firmware": "firmware {}", "bench": "bench {}", "faults": "fault {}"}
"""What tells runs of one profile apart, by its name among what is known of a run."""


_VERSION: Final = re.compile(
    r"[vV]?(?P<numbers>\d+(?:\.\d+)*)(?:-(?P<before>[0-9A-Za-z.-]+))?(?:\+[0-9A-Za-z.-]+)?"
)

_Key = tuple[list[int], int, list[tuple[int, int, str]]]


class Repeated(Protocol):
    """A run among others of the same profile, unit, firmware, bench and faults."""

    @property
    def repeat(self) -> int:
        """Which repeat it was, from 1."""

    @property
    def seed(self) -> int:
        """Of what was random."""

    @property
    def log(self) -> str:
        """Name of its log."""


@final
class NamedRun(NamedTuple):
    """A run that is to be named.

    Attributes:
        profile: name of its profile.
        known: unit, firmware, bench and faults, and whatever else is known of it, by name.
        repeat: which repeat it was, from 1.
        seed: of what was random.
        log: name of its log.
    """

    profile: str
    known: Mapping[str, str]
    repeat: int
    seed: int
    log: str


def told_apart(runs: Iterable[Mapping[str, str]]) -> Callable[[Mapping[str, str]], str]:
    """Return what tells a run from others by what is known of it, after a comma; empty where all agree in that."""
    every = list(runs)
    differing = [name for name in _APART if len({known[name] for known in every}) > 1]
    others = [name for name in differing if name != "bench"]
    if _kinds(every, others) == _kinds(every, differing):  # each unit has its own, say
        differing = others

    def said(known: Mapping[str, str]) -> str:
        parts = (_APART[name].format(known[name]) if known[name] else f"no {name}" for name in differing)
        return "".join(f", {part}" for part in parts)

    return said


def _kinds(runs: Sequence[Mapping[str, str]], names: Sequence[str]) -> int:
    """Return how many kinds of runs there are by what is known under some names."""
    return len({tuple(known[name] for name in names) for known in runs})


def repeats_apart(runs: Sequence[Repeated]) -> list[str]:
    """Return what each of some runs that are otherwise alike is called: its repeat, seed, log or place among them.

    It is the first of these that no two of them share.
    """
    ways = (
        [f"repeat {run.repeat}" for run in runs],
        [f"seed {run.seed}" for run in runs],
        [run.log for run in runs],
        [f"run {number}" for number in range(1, len(runs) + 1)],
    )
    return next(names for names in ways if len(set(names)) == len(names))


def files_apart(paths: Sequence[str]) -> list[str]:
    """Return the name of each file, with as many of its folders as tell it from the others."""
    parts = {path: path.split("/") for path in paths}
    names: dict[str, str] = {}
    depth = 1
    while left := [path for path in parts if path not in names]:
        tails = {path: "/".join(parts[path][-depth:]) for path in left}
        often = Counter(tails.values())
        names |= {path: tail for path, tail in tails.items() if often[tail] == 1 or depth >= len(parts[path])}
        depth += 1
    return [names[path] for path in paths]


def names_apart(runs: Sequence[NamedRun]) -> list[str]:
    """Return the name of each run: its profile, and what tells it from the other runs of that profile."""
    said = told_apart(run.known for run in runs)
    alike = defaultdict[str, list[int]](list)
    for number, run in enumerate(runs):
        alike[f"{run.profile}{said(run.known)}"].append(number)
    names = [""] * len(runs)
    for name, its in alike.items():
        for number, apart in zip(its, repeats_apart([runs[number] for number in its]), strict=True):
            names[number] = f"{name}, {apart}" if len(its) > 1 else name
    return names


def firmware_order(first_seen: Mapping[str, dt.datetime]) -> list[str]:
    """Return firmware versions, the oldest first.

    Numbers between points count as numbers, and what stands behind a hyphen comes before the version that it leads up
    to (Semantic Versioning 2.0.0, item 11): 2.4, 2.10-rc.1, 2.10. Where a single version is written otherwise, no
    order can be read from any, and the day counts on which each was first seen. Runs without a version come first.

    Args:
        first_seen: when each was seen first.
    """
    stated = {name: _key(name) for name in first_seen if name}
    keys = {name: key for name, key in stated.items() if key is not None}
    if len(keys) == len(stated):
        ordered = sorted(keys, key=lambda name: (keys[name], first_seen[name], name))
    else:
        ordered = sorted(stated, key=lambda name: (first_seen[name], name))
    return [name for name in first_seen if not name] + ordered


def _key(name: str) -> _Key | None:
    match = _VERSION.fullmatch(name.strip())
    if match is None:
        return None
    numbers = [int(number) for number in match["numbers"].split(".")]
    while len(numbers) > 1 and numbers[-1] == 0:
        numbers.pop()
    if match["before"] is None:
        return numbers, 1, []
    parts = match["before"].split(".")
    return numbers, 0, [(0, int(part), "") if part.isdigit() else (1, 0, part) for part in parts]
