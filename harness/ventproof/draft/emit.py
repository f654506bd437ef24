"""A profile as text, laid out as a technician would write it, and the mark of one that was drafted (pure)."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from textwrap import wrap
from typing import TYPE_CHECKING, Any, Final

from ventproof_bench.yamlfile.tree import resolve_scalar

if TYPE_CHECKING:
    from ventproof.profile.model import Profile


_WIDTH: Final = 116
_INDENT: Final = "  "
_DRAFTED: Final = "# Drafted from "
_SPECIAL: Final = frozenset('#:"')
_BRACED: Final = frozenset("[]{},")
_ESCAPED: Final = frozenset('"\\')
_ORDER: Final = {"signal": -1, "at": 1, "label": 2, "after": 1, "after_end_of": 1, "purpose": 3}
"""Where keys that every stimulus or response may have stand: before (-1) or behind (1 to 3) those of its kind."""


def profile_text(profile: Profile, comments: Mapping[str, str] | None = None) -> str:
    """Return the text of a profile; read again it is the same model.

    Quantities are written as their `text` says, so that `$name` stands where the profile names a value.

    Args:
        profile: the profile.
        comments: what is said beside a named value, by its name.
    """
    data: dict[str, Any] = profile.model_dump(mode="json", by_alias=True, exclude_defaults=True)
    lines: list[str] = []
    for key, node in data.items():
        if key == "about":
            lines += _folded(key, node)
        elif not isinstance(node, dict) and not _has_rows(node):
            lines += _entry(key, node, "")
        elif key == "values":
            lines += ["", "values:", *_values(node, comments or {})]
        else:
            lines += ["", f"{key}:", *_section(node)]
    return "\n".join(lines) + "\n"


def signed(body: str, source: str) -> str:
    """Return a drafted text below a line that tells whether it was changed since."""
    return f"{_DRAFTED}{source} [{_mark(body)}]; edit it as you like, what was changed is kept.\n{body}"


def drafted(text: str) -> bool:
    """Return whether a text was drafted, changed since or not."""
    return text.startswith(_DRAFTED)


def untouched(text: str) -> bool:
    """Return whether a text is as it was drafted."""
    first, _, body = text.partition("\n")
    return drafted(text) and f"[{_mark(body)}]" in first


def _mark(body: str) -> str:
    return hashlib.sha256(body.encode()).hexdigest()[:12]


def _values(values: Mapping[str, Any], comments: Mapping[str, str]) -> Iterator[str]:
    for name, value in values.items():
        (line,) = _entry(name, value, _INDENT)
        yield f"{line}  # {comments[name]}" if name in comments else line


def _section(node: Any) -> Iterator[str]:  # noqa: ANN401 - a part of a file
    if isinstance(node, dict):
        yield from _entries(node, _INDENT)
        return
    for number, item in enumerate(node):
        if number and _has_rows(item):
            yield ""
        yield from _item(item, _INDENT)


def _entries(mapping: Mapping[str, Any], indent: str) -> Iterator[str]:
    for key in sorted(mapping, key=lambda key: _ORDER.get(key, 0)):
        yield from _entry(key, mapping[key], indent)


def _entry(key: str, node: Any, indent: str) -> Iterator[str]:  # noqa: ANN401 - a part of a file
    """Yield a key and what it holds, on one line where that fits and holds no list of mappings."""
    head = f"{indent}{key}:"
    if not isinstance(node, dict | list):
        yield f"{head} {_scalar(node)}"
        return
    line = f"{head} {_flow(node)}"
    if len(line) <= _WIDTH and not _has_rows(node):
        yield line
        return
    yield head
    if isinstance(node, dict):
        yield from _entries(node, indent + _INDENT)
    else:
        for item in node:
            yield from _item(item, indent + _INDENT)


def _item(node: Any, indent: str) -> Iterator[str]:  # noqa: ANN401 - a part of a file
    line = f"{indent}- {_flow(node)}"
    if not isinstance(node, dict) or (len(line) <= _WIDTH and not _has_rows(node)):
        yield line
        return
    first, *more = _entries(node, indent + _INDENT)
    yield f"{indent}- {first.removeprefix(indent + _INDENT)}"
    yield from more


def _has_rows(node: Any) -> bool:  # noqa: ANN401 - a part of a file
    """Return whether there is a list of mappings in it: each of them has a line of its own."""
    if isinstance(node, dict):
        return any(map(_has_rows, node.values()))
    return isinstance(node, list) and any(isinstance(item, dict) for item in node)


def _flow(node: Any) -> str:  # noqa: ANN401 - a part of a file
    if isinstance(node, dict):
        keys = sorted(node, key=lambda key: _ORDER.get(key, 0))
        return f"{{{', '.join(f'{key}: {_flow(node[key])}' for key in keys)}}}"
    if isinstance(node, list):
        return f"[{', '.join(map(_flow, node))}]"
    return _scalar(node, braced=True)


def _scalar(value: str | float | None, *, braced: bool = False) -> str:
    """Return a value as it can stand in the file, in double quotes where it must; `braced` for one within braces."""
    if not isinstance(value, str):
        return json.dumps(value)
    special = _SPECIAL | _BRACED if braced else _SPECIAL
    begins = value[:1].isalnum() or value[:1] in {"$", "°"} or (value[:1] == "-" and value[1:2].isdigit())
    says = any(map(str.isalnum, value)) and value.isprintable() and value == value.rstrip()
    plain = begins and says and not special & set(value)
    if plain and resolve_scalar(value) == value:
        return value
    return _quoted(value)


def _quoted(text: str) -> str:
    signs = (sign if sign.isprintable() and sign not in _ESCAPED else f"\\U{ord(sign):08X}" for sign in text)
    return f'"{"".join(signs)}"'


def _folded(key: str, text: str) -> Iterator[str]:
    """Yield a text of several sentences, wrapped; one that wrapping would change stands in quotes."""
    paragraphs = text.removesuffix("\n").split("\n")
    even = all(part.isprintable() and part == " ".join(part.split()) for part in paragraphs)
    if not (even and paragraphs[0] and paragraphs[-1]):
        yield f"{key}: {_quoted(text)}"
        return
    yield f"{key}: {'>' if text.endswith(chr(10)) else '>-'}"
    for number, part in enumerate(paragraphs):
        if number:
            yield ""
        for line in wrap(part, _WIDTH, break_long_words=False, break_on_hyphens=False):
            yield f"{_INDENT}{line}"
