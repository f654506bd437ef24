"""Names that files, logs and command lines had before: no shipped file, no message and no manual holds one."""

from __future__ import annotations

import re
from itertools import chain

from source import ROOT, modules, none_of

from ventproof.verdict.old_names import OPTIONS, renamed_keys

ELSEWHERE = {
    "harness/ventproof/verdict/old_names.py",  # the table of them
    "harness/ventproof/plugin.py",  # takes two of them as options without help
    "harness/ventproof/statistics/sequential.py",  # `good` is a probability there
}

STILL_WORDS = {"scale"}
"""Old names in one place that are names of now in another: reading finds them, words do not."""

KEYS = {old for old, _ in renamed_keys()} - STILL_WORDS
OWN_WORDS = sorted(key for key in KEYS if "_" in key or "-" in key)
"""Old names that are words of nothing else."""

WORDS = re.compile(
    rf"\b({'|'.join(OWN_WORDS)})\b"
    rf"|`({'|'.join(sorted(KEYS))})(:[^`]*)?`"
    rf"|(^|[{{,-]) *({'|'.join(sorted(KEYS))}): "
)
"""Old names of files: whole words, between backquotes, and as keys."""

OLD_OPTIONS = sorted({old for names in OPTIONS.values() for old in names} - {"--unit"})
COMMAND_LINE = re.compile(rf"(?<![\w-])({'|'.join(OLD_OPTIONS)})(?![\w-])|\bselfcheck\b[^`\n]*--unit\b")
"""Old options; `--unit` is that of other commands, too."""

MANUALS = ("README.md", "DEVELOPERS.md", "Makefile", ".ci/run")


def _found(place, text, *patterns):
    """Yield a line for each old name in a text."""
    for number, line in enumerate(text.splitlines(), 1):
        for match in chain.from_iterable(pattern.finditer(line) for pattern in patterns):
            yield f"{place}:{number}: {match[0]!r}"


def test_no_shipped_file_and_no_manual_holds_an_old_name():
    """Profiles, bench files, tables, explanations, README and the like are in the names of now."""
    shipped = chain.from_iterable(
        sorted((ROOT / folder).rglob("*.yaml"))
        for folder in ("profiles", "bench/files", "harness/ventproof/reference")
    )
    none_of(
        line
        for path in (*shipped, *(ROOT / name for name in MANUALS))
        for line in _found(path.relative_to(ROOT), path.read_text(encoding="utf-8"), WORDS, COMMAND_LINE)
    )


def test_no_message_and_no_help_holds_an_old_name():
    """Nor does the code, in which messages, help and the docs of fields stand."""
    own = re.compile(rf"\b({'|'.join(OWN_WORDS)})\b|`({'|'.join(sorted(KEYS))})(:[^`]*)?`")
    none_of(
        line
        for module in modules()
        if module.place not in ELSEWHERE
        for line in _found(module.place, module.text, own, COMMAND_LINE)
    )


def test_old_names_are_found_where_they_stand():
    """The patterns find a key, a word in a sentence and an option, and leave other words in peace."""
    old = (
        "{signal: roof, why: dry}",
        "  stays_below: 8 %",
        "give `mend`",
        "run --clear",
        "selfcheck --all --unit",
    )
    assert all([*_found("a", text, WORDS, COMMAND_LINE)] for text in old)
    now = ("why it is so", "run --confirm-clear", "run --unit U", "stays_at_most: 8 %", "give `restore`")
    assert not [*_found("a", "\n".join(now), WORDS, COMMAND_LINE)]
