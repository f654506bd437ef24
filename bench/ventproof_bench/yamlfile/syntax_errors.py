"""The YAML parser's errors in words that help whoever typed the file (pure)."""

from __future__ import annotations

import re
from collections.abc import Callable

import yaml

from ventproof_bench.yamlfile.tree import MAX_DEPTH, YamlFault

_NEEDS_QUOTES = "@`%"
_NO_SPACE = re.compile(r"\s*(?:- +)?(?P<key>[a-z_]+):(?P<value>[^\s/].*)")
_NO_VALUE = re.compile(r"(?P<key>[a-z_]\w*):$")
_TWO_KEYS = re.compile(r"\s*(?:- +)?(?P<key>[a-z_]+): +(?P<inner>[a-z_]\w*: +\S+)\s*")

# What the two parsers of PyYAML say; what we say: reason, hint, and whether we point at where it began.
_WORDS: tuple[tuple[str, str, str, bool], ...] = (
    (
        "mapping values are not allowed",
        "a ': ' stands where no key can be",
        "check the indentation, and put text that holds ': ' in quotes",
        False,
    ),
    ("tab character", "a tab; expected spaces", "indent with spaces, not tabs", False),
    ("could not find expected ':'", "a key without its ':'", "write `key: value`", True),
    ("expected ',' or ']'", "a list that begins with '[' is not closed", "add ']' or the missing ','", True),
    (
        "expected ',' or '}'",
        "a mapping that begins with '{' is not closed",
        "add '}' or the missing ','",
        True,
    ),
    ("unexpected end of stream", "a quoted text is not closed", "add the closing quote", True),
    ("unknown escape character", "an unknown escape after '\\'", "use single quotes, or write '\\\\'", False),
    (
        "expected '-' indicator",
        "a list item that is not in line with the others",
        "indent every '-' by the same number of spaces",
        False,
    ),
    (
        "block end",
        "a line that is not in line with its neighbours",
        "indent the keys of one mapping by the same number of spaces",
        False,
    ),
    (
        "did not find expected key",
        "a line that is not in line with its neighbours",
        "indent the keys of one mapping by the same number of spaces",
        False,
    ),
    (
        "unexpected ':'",
        "a ':' right before a bracket or comma",
        "write a value after it, or put the text in quotes",
        False,
    ),
    (
        "maximum nesting",
        f"brackets nest deeper than {MAX_DEPTH} levels",
        "no file of ventproof needs that",
        False,
    ),
    (
        "block sequence entries are not allowed",
        "a list begins on the line of its key",
        "begin each item with '- ' on a line of its own",
        False,
    ),
    (
        "expected node content",
        "nothing stands where a value must",
        "close the brackets that are open, and put text that begins with a sign in quotes",
        False,
    ),
    (
        "expected comment or line break",
        "text right after '>' or '|'",
        "begin the text on the next line, indented",
        False,
    ),
    (
        "expected <document start>",
        "something stands after the end of what the file says",
        "write one mapping of keys a file",
        False,
    ),
    ("incompatible YAML document", "a YAML version that is not supported", "leave the %YAML line out", False),
)


def word_yaml_error(error: yaml.YAMLError, text: str) -> YamlFault:
    """Return the fault that a parser's error stands for.

    Args:
        error: what the parser raised.
        text: the text that it read.
    """
    if not isinstance(error, yaml.MarkedYAMLError):
        return YamlFault(1, 1, "the text is not YAML", "see `ventproof explain files`")
    mark = error.problem_mark or error.context_mark
    line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
    problem = str(error.problem or "")
    for part, look in _LOOKS:
        if part in problem and (found := look(text, line, column)):
            return found
    for part, reason, hint, where_begun in _WORDS:
        if part in problem:
            begun = error.context_mark
            if where_begun and begun is not None:
                return YamlFault(begun.line + 1, begun.column + 1, reason, hint)
            return YamlFault(line, column, reason, hint)
    return YamlFault(line, column, f"not valid YAML: {problem}", "check quotes, brackets and indentation")


def _run_together(text: str, line: int, _column: int) -> YamlFault | None:
    """Return the fault of a key without a space after its ':' above a line, which makes text of that line too."""
    above = text.split("\n")[: line - 1]
    number = next((n for n in range(len(above), 0, -1) if above[n - 1].strip()), 0)
    found = _NO_SPACE.match(above[number - 1]) if number else None
    if found is None:
        return None
    key, value = found["key"], found["value"].rstrip()
    return YamlFault(
        number,
        found.start("key") + 1,
        f"the key '{key}:' without a space after it",
        f"write `{key}: {value}`",
    )


def _two_keys(text: str, line: int, _column: int) -> YamlFault | None:
    """Return the fault of a mapping of one key that stands on the line of the key that it belongs to."""
    found = _TWO_KEYS.fullmatch(text.split("\n")[line - 1])
    if found is None:
        return None
    inner = found["inner"]
    hint = f"write `{found['key']}: {{{inner}}}`, or, if it is text, put it in quotes"
    return YamlFault(line, found.start("inner") + 1, "two keys on one line", hint)


def _no_value(text: str, line: int, column: int) -> YamlFault | None:
    """Return the fault of a key, within brackets, that has no value."""
    found = _NO_VALUE.search(text.split("\n")[line - 1][:column])
    if found is None:
        return None
    key = found["key"]
    return YamlFault(line, found.start() + 1, f"nothing is written after '{key}:'", f"write `{key}: VALUE`")


def _bad_start(text: str, line: int, column: int) -> YamlFault:
    lines = text.split("\n")
    row = lines[line - 1] if line <= len(lines) else ""
    character = row[column - 1 : column]
    if character == "\t":
        return YamlFault(line, column, "a tab; expected spaces", "indent with spaces, not tabs")
    if character and character in _NEEDS_QUOTES:
        word = re.split(r"[,}\]#]", row[column - 1 :])[0].strip()
        return YamlFault(
            line, column, f"text cannot begin with {character!r} unquoted", f'write "{word}" in double quotes'
        )
    return YamlFault(line, column, f"{character!r} cannot begin a value", "put the text in quotes")


_LOOKS: tuple[tuple[str, Callable[[str, int, int], YamlFault | None]], ...] = (
    ("cannot start any token", _bad_start),
    ("mapping values are not allowed", _run_together),
    ("mapping values are not allowed", _two_keys),
    ("unexpected ':'", _no_value),
)
"""What looks at the text around an error of the parser for a better word than `_WORDS` has."""
