"""Values of a profile that are given for one run (pure).

They are written into its text, in place of those that stand there: so what runs, what is logged and what is judged
again is one profile, and its digest tells it from the file.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from difflib import get_close_matches
from typing import TYPE_CHECKING, Final, cast

import yaml

from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from ventproof.profile.model import Profile
    from ventproof_bench.yamlfile.load import Loaded

_OPTION: Final = "--set"

_MARK: Final = "\ufeff"
"""What some editors write before the first character; YAML's reader does not count it."""

_PLAIN: Final = re.compile(r"[\w.+-][\w .°%/²³+-]*(?<! )")
"""What YAML takes as it stands, also within brackets; whatever else there is, is put in quotes."""


def value_pairs(pairs: Iterable[str]) -> dict[str, str]:
    """Read `NAME=VALUE` options.

    Raises:
        FileError: one of them is no such pair, or a name is given twice.
    """
    values: dict[str, str] = {}
    problems = []
    for pair in pairs:
        name, equals, value = (part.strip() for part in pair.partition("="))
        if not (name and equals and value):
            problems.append(Problem(_OPTION, None, None, f"{pair!r} is not a pair", "write delay='20 min'"))
        elif name in values:
            problems.append(Problem(_OPTION, None, None, f"{name!r} is set twice", "give each name once"))
        values.setdefault(name, value)
    if problems:
        raise FileError(problems)
    return values


def unknown_values(values: Mapping[str, str], suite: Iterable[Loaded[Profile]]) -> list[Problem]:
    """Return a problem for each given value that no profile has."""
    known = {name: None for profile in suite for name in profile.model.values}
    problems = []
    for name in values:
        if name not in known:
            near = get_close_matches(name, known, n=1)
            there = f"there are {', '.join(known)}" if known else "name values in a profile, under `values:`"
            hint = f"did you mean {near[0]!r}?" if near else there
            problems.append(Problem(_OPTION, None, None, f"no profile has a value {name!r}", hint))
    return problems


def given_said(suite: Iterable[Loaded[Profile]]) -> list[str]:
    """Return a line for each value that was given, and how many profiles have it."""
    times = Counter(pair for profile in suite for pair in profile.given.items())
    return [f"set: {name} = {value} in {number_of(n, 'profile')}" for (name, value), n in times.items()]


def text_with(profile: Loaded[Profile], values: Mapping[str, str]) -> str:
    """Return a right profile's text with some of its `values:` replaced; what else it says stays as it is.

    Args:
        profile: the profile.
        values: by name, as they would be written; each is one of the profile's.

    Raises:
        FileError: a value cannot be replaced alone, since an anchor or a block of lines stands there.
    """
    text = profile.text.removeprefix(_MARK)
    mark = profile.text[: len(profile.text) - len(text)]
    root = cast("yaml.MappingNode", yaml.compose(text, Loader=yaml.SafeLoader))
    holder = next(node for key, node in root.value if key.value == "values")
    nodes = {key.value: node for key, node in holder.value}
    times = [id(node) for _, node in holder.value]
    problems = []
    for name in sorted(values, key=lambda name: -nodes[name].start_mark.index):
        node = nodes[name]
        first, end = node.start_mark.index, node.end_mark.index
        inside = holder.start_mark.index <= first and times.count(id(node)) == 1
        if not inside or text[first : first + 1] in {"&", "!"} or node.style in {"|", ">"}:
            reason = f"the value {name!r} cannot be set with {_OPTION}: an anchor, alias, tag or block stands there"
            problems.append(profile.problem(("values", name), reason, "write the value itself there"))
            continue
        value = values[name]
        written = value if _PLAIN.fullmatch(value) else json.dumps(value, ensure_ascii=False)
        text = f"{text[:first]}{written}{text[end:]}"
    if problems:
        raise FileError(problems)
    return mark + text


def blamed(error: FileError, values: Mapping[str, str]) -> FileError:
    """Return what is wrong with a profile that was right before some values were given."""
    given = ", ".join(f"{_OPTION} {name}={value!r}" for name, value in values.items())
    return FileError(
        [
            Problem(
                one.file,
                one.line,
                one.column,
                one.reason,
                "; ".join(filter(None, [one.hint, f"with {given}"])),
            )
            for one in error.problems
        ]
    )
