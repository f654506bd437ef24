"""What pydantic found wrong, in plain words and with the path of the value in the file (pure)."""

from __future__ import annotations

import re
from collections.abc import Callable, Container, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from types import NoneType, UnionType
from typing import TYPE_CHECKING, Annotated, Any, Literal, Union, final, get_args, get_origin

from pydantic import BaseModel, Tag, ValidationError

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.quantities import DECIMAL_COMMA, with_point

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pydantic_core import ErrorDetails

    from ventproof_bench.yamlfile.tree import Path


_LONGEST_SHOWN = 50
_NOT_MADE = "default_factory_not_called"
"""Of a key that was not written, and whose value follows from others of which one is wrong."""
_RUN_TOGETHER = re.compile(r"(\w+)\s*[: =]\s*(\S.*)")
_NAME_RULE = "use lower-case letters, digits and underscores, at most 40, a letter first"
_IDENT_RULE = "use letters, digits and . - _ / without spaces, a letter or digit first"


@final
@dataclass(frozen=True, slots=True)
class PathFault:
    """Something wrong at a path of the file; `at_key` means the key itself rather than its value."""

    path: Path
    reason: str
    hint: str = ""
    at_key: bool = False


def show(value: object) -> str:
    """Return a value from a file as an operator would name it, shortened."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a mapping"
    if isinstance(value, list | tuple):
        return "a list"
    text = repr(value)
    return text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 2] + "…" + text[0]


def near(word: str, known: Iterable[str]) -> str | None:
    """Return the known word that is meant, if one is near enough to be."""
    small = {each.lower(): each for each in known}
    matches = get_close_matches(word.lower(), small, n=1, cutoff=0.6)
    return small[matches[0]] if matches else None


def nearest(word: str, known: Iterable[str]) -> str:
    """Return `did you mean …?` for the nearest known word, or the list of known words."""
    words = list(known)
    meant = near(word, words)
    if meant is not None:
        return f"did you mean {meant!r}?"
    return f"known: {', '.join(words)}" if words else ""


def word_errors(error: ValidationError, model: type[BaseModel]) -> list[PathFault]:
    """Return one fault for everything that pydantic found wrong with data that was to become a `model`."""
    faults: list[PathFault] = []
    branches: dict[Path, tuple[object, list[str]]] = {}
    renamed: set[Path] = set()
    doubled: set[Path] = set()
    details = error.errors(include_url=False)
    places = [_place(model, detail["loc"]) for detail in details]
    for detail, place in zip(details, places, strict=True):
        if detail["type"] == "extra_forbidden":
            key = str(place.path[-1])
            near = _run_together(key, place.keys)[:1] or get_close_matches(key, place.keys, n=1, cutoff=0.6)
            renamed.update((*place.path[:-1], name) for name in near)
            doubled.update([place.path[:-1]] if key in place.kinds else ())
    for detail, place in zip(details, places, strict=True):
        if place.branch:
            _, wanted = branches.setdefault(place.path, (detail["input"], []))
            wanted.append(_branch(place.branch))
        elif not ((detail["type"] == "missing" and place.path in renamed) or detail["type"] == _NOT_MADE):
            # A key that is written wrong is not missing as well, and keys of a second kind are not unknown.
            if detail["type"] == "extra_forbidden" and _of_second(place, doubled):
                continue
            faults.append(_word(detail, place))
    for path, (value, wanted) in branches.items():
        words = " or ".join(dict.fromkeys(wanted))
        faults.append(PathFault(path, f"expected {words}, found {show(value)}"))
    return faults


def _of_second(place: _Place, doubled: Container[Path]) -> bool:
    """Return whether a key belongs to a second kind in one mapping, which is reported itself."""
    return place.path[:-1] in doubled and str(place.path[-1]) not in place.kinds


def _branch(branch: str) -> str:
    """Return what a branch of a plain union takes."""
    if branch.startswith("literal["):
        return branch.removeprefix("literal[").removesuffix("]").replace(",", " or ")
    return "a list" if branch.startswith("list[") else _BRANCHES.get(branch, branch)


_BRANCHES = {
    "str": "text",
    "int": "a whole number",
    "float": "a number",
    "bool": "true or false",
    "constrained-str": "text",
}


@final
@dataclass(frozen=True, slots=True)
class _Place:
    """Where pydantic's location leads in the file, union tags taken out."""

    path: Path
    keys: tuple[str, ...] = ()
    """Keys that the mapping there may have."""
    kinds: tuple[str, ...] = ()
    """Tags of the union that the mapping was chosen from."""
    needs: tuple[str, ...] = ()
    """Keys that the value there needs, where it is to be a mapping."""
    branch: str = ""
    """The branch of a plain union that was tried."""
    key: bool = False


def _place(model: type[BaseModel], loc: tuple[int | str, ...]) -> _Place:
    kind: Any = model
    path: list[str | int] = []
    keys: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    for part in loc:
        if path and path[-1] in keys:
            kinds = ()  # further down, other keys stand beside each other
        kind = _bare(kind)
        if part == "[key]":
            return _Place(tuple(path), keys, kinds, key=True)
        members = _members(kind)
        if members:
            kinds = tuple(tag for member in members for tag in _tags(member))
            chosen = next((m for m in members if part in _tags(m)), None)
            if chosen is None:
                return _Place(tuple(path), keys, kinds, branch=str(part))
            kind = chosen
            continue
        path.append(part)
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            fields = {field.alias or name: field for name, field in kind.model_fields.items()}
            keys = tuple(fields)
            field = fields.get(str(part))
            kind = None if field is None else field.annotation
        else:
            keys, kinds = (), ()
            arguments = get_args(kind)
            kind = arguments[-1] if arguments else None
    return _Place(tuple(path), keys, kinds, _needs(_bare(kind)))


def _needs(kind: Any) -> tuple[str, ...]:  # noqa: ANN401 - an annotation
    """Return the keys that a mapping of this annotation needs."""
    if not (isinstance(kind, type) and issubclass(kind, BaseModel)):
        return ()
    return tuple(field.alias or name for name, field in kind.model_fields.items() if field.is_required())


def _bare(kind: Any) -> Any:  # noqa: ANN401 - an annotation
    """Strip the metadata and the None that say nothing of the shape; keep a tag, which names a branch."""
    if get_origin(kind) is Annotated:
        return _bare(get_args(kind)[0])
    if get_origin(kind) in {Union, UnionType}:
        members = [m for m in get_args(kind) if m is not NoneType]
        if len(members) == 1:
            return _bare(members[0])
    return kind


def _members(kind: Any) -> tuple[Any, ...]:  # noqa: ANN401 - an annotation
    if get_origin(kind) in {Union, UnionType}:
        return tuple(m for m in get_args(kind) if m is not NoneType)
    return ()


def _tags(member: Any) -> tuple[str, ...]:  # noqa: ANN401 - an annotation
    """Return the tags by which a union chooses this member: its `Tag`, or the literals of its model."""
    if get_origin(member) is Annotated:
        tags = tuple(m.tag for m in get_args(member)[1:] if isinstance(m, Tag))
        if tags:
            return tags
    kind = _bare(member)
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return tuple(
            str(value)
            for field in kind.model_fields.values()
            if get_origin(field.annotation) is Literal and field.is_required()
            for value in get_args(field.annotation)
        )
    return ()


def _word(detail: ErrorDetails, place: _Place) -> PathFault:
    kind, value, ctx = detail["type"], detail["input"], detail.get("ctx", {})
    if kind == "extra_forbidden":
        return _unknown_key(place)
    if kind == "missing":
        if isinstance(place.path[-1], int):
            return PathFault(
                place.path, f"{show(value)} with too few entries", f"entry {place.path[-1] + 1} is missing"
            )
        return PathFault(place.path, f"the key {place.path[-1]!r} is missing", "", at_key=True)
    return _word_value(kind, value, ctx, place)


def _word_value(kind: str, value: object, ctx: Mapping[str, Any], place: _Place) -> PathFault:  # noqa: PLR0911 - a table
    if kind == "no_kind":
        return _no_kind(value, ctx, place)
    if kind in {"union_tag_not_found", "union_tag_invalid"}:
        return _bad_tag(kind, value, ctx, place)
    if place.key:
        return _no_name(str(place.path[-1]), place)
    if value is None:
        return PathFault(place.path, "nothing is written here", _WANTED.get(kind, ""))
    if kind == "literal_error":
        known = [a or b for a, b in re.findall(r"'([^']*)'|(-?\d+)", str(ctx.get("expected", "")))]
        return PathFault(
            place.path, f"{show(value)} is not one of the words for this", nearest(str(value), known)
        )
    if kind in {"value_error", "assertion_error"}:
        return _refused(Refusal.of(ctx["error"]), value, place)
    if (
        kind == "too_short"
        and not value
        and (names := [part for part in place.path if isinstance(part, str)])
    ):
        least = ctx.get("min_length")
        return PathFault(place.path, f"{show(names[-1])} has no entry", f"write {least} or more")
    word: _Word = _TEXTS.get(kind, _unforeseen)
    reason, hint = word(value, ctx)
    if kind == "model_type" and place.needs:
        hint = _as_mapping(value, place.needs)
    return PathFault(place.path, reason, hint)


def _no_name(key: str, place: _Place) -> PathFault:
    """Word a key that is not a name; one that a value without ': ' was run together with, as that."""
    if (found := _RUN_TOGETHER.fullmatch(key)) and ":" in key:
        return _without_colon(key, found.groups(), place)
    return PathFault(place.path, f"{show(key)} is not a name", _NAME_RULE, at_key=True)


def _without_colon(key: str, apart: Sequence[str], place: _Place) -> PathFault:
    return PathFault(place.path, f"{key!r} is a key without ': '", f"write `{': '.join(apart)}`", at_key=True)


def _as_mapping(value: object, needs: tuple[str, ...]) -> str:
    """Return how a value that stands alone is written with the keys that it needs."""
    if isinstance(value, str | int | float) and len(needs) == 1:
        return f"write {{{needs[0]}: {value}}}"
    return f"write its keys, {', '.join(needs)}"


def _run_together(key: str, known: Iterable[str]) -> list[str]:
    """Return the key and the value between which the colon, or the space after it, is missing, if that is so."""
    found = _RUN_TOGETHER.fullmatch(key)
    return list(found.groups()) if found and found[1] in known else []


def _unknown_key(place: _Place) -> PathFault:
    key = str(place.path[-1])
    if key in place.kinds:
        others = ", ".join(f"`{k}`" for k in place.kinds)
        hint = f"say one of {others} in each item"
        if "all" in place.kinds:
            hint = "write an item for each; where they must hold together, one item: `all: [{…}, {…}]`"
        return PathFault(place.path, f"{key!r} in addition to another kind", hint, at_key=True)
    if key == "<<":
        return PathFault(place.path, "'<<' is not read here", "write the keys out", at_key=True)
    if apart := _run_together(key, place.keys):
        return _without_colon(key, apart, place)
    return PathFault(place.path, f"the key {key!r} is unknown here", nearest(key, place.keys), at_key=True)


def _no_kind(value: object, ctx: Mapping[str, Any], place: _Place) -> PathFault:
    known = str(ctx.get("kinds", "")).split(", ")
    if not isinstance(value, dict):
        return PathFault(
            place.path, f"expected a mapping, found {show(value)}", f"begin it with one of {', '.join(known)}"
        )
    for key in value:
        near = get_close_matches(str(key), known, n=1, cutoff=0.6)
        if near:
            return PathFault(
                (*place.path, key),
                f"the key {key!r} is unknown here",
                f"did you mean {near[0]!r}?",
                at_key=True,
            )
    return PathFault(place.path, "unknown entry", f"say one of {', '.join(known)}")


def _bad_tag(kind: str, value: object, ctx: Mapping[str, Any], place: _Place) -> PathFault:
    name = str(ctx.get("discriminator", "kind")).strip("'").removesuffix("()").lstrip("_")
    name = "kind" if name == "output_kind" else name
    known = re.findall(r"'([^']*)'", str(ctx.get("expected_tags", "")))
    if not isinstance(value, dict):
        return PathFault(place.path, f"expected a mapping, found {show(value)}")
    if kind == "union_tag_not_found" or name not in value:
        hint = f"say one of {', '.join(known)}" if known else ""
        return PathFault((*place.path, name), f"the key {name!r} is missing", hint, at_key=True)
    said = value[name]
    return PathFault(
        (*place.path, name), f"{show(said)} is not one of the words for this", nearest(str(said), known)
    )


def _refused(refusal: Refusal, value: object, place: _Place) -> PathFault:
    """Word what a validator of ours said."""
    reason = f"{show(value)} {refusal.reason}" if refusal.bare else refusal.reason
    if isinstance(value, dict) and refusal.key in value:
        return PathFault((*place.path, refusal.key), reason, refusal.hint)
    return PathFault(place.path, reason, refusal.hint)


_WANTED = {
    "model_type": "write its keys below, indented",
    "model_attributes_type": "write its keys below, indented",
    "dict_type": "write its keys below, indented",
    "list_type": "write its items below, each after '- '",
    "value_error": "write a number and a unit, such as '90 s' or '8 %'",
    "int_type": "write a whole number",
    "float_type": "write a number",
    "string_type": "write a word or a text",
    "bool_type": "write true or false",
}


def _type(wanted: str, hint: str = "") -> Callable[[Any, Mapping[str, Any]], tuple[str, str]]:
    def word(value: Any, _ctx: Mapping[str, Any]) -> tuple[str, str]:  # noqa: ANN401 - whatever the file holds
        quoted = isinstance(value, str) and bool(re.fullmatch(r"[-+0-9.eE]+", value))
        if isinstance(value, str) and DECIMAL_COMMA.fullmatch(value) and "number" in wanted:
            return f"{show(value)} has a comma in its number", f"write {with_point(value)}"
        mend = "write it without quotes and without leading zeros" if quoted and "number" in wanted else hint
        return f"expected {wanted}, found {show(value)}", mend

    return word


def _bound(words: str, key: str) -> Callable[[Any, Mapping[str, Any]], tuple[str, str]]:
    return lambda value, ctx: (f"{show(value)} must be {words} {ctx.get(key):g}", "")


def _length(words: str, key: str) -> Callable[[Any, Mapping[str, Any]], tuple[str, str]]:
    def word(value: Any, ctx: Mapping[str, Any]) -> tuple[str, str]:  # noqa: ANN401 - whatever the file holds
        one, many = ("character", "characters") if isinstance(value, str) else ("entry", "entries")
        return f"{show(value)} must have {words} {ctx.get(key)} {one if ctx.get(key) == 1 else many}", ""

    return word


def _unforeseen(value: object, _ctx: Mapping[str, Any]) -> tuple[str, str]:
    return f"{show(value)} is not right here", "see `ventproof explain files`"


_Word = Callable[[Any, Mapping[str, Any]], tuple[str, str]]

_TEXTS: dict[str, _Word] = {
    "string_type": _type("text", "put it in quotes"),
    "int_type": _type("a whole number"),
    "int_from_float": _type("a whole number"),
    "int_parsing_size": _type("a smaller whole number"),
    "float_type": _type("a number"),
    "finite_number": _type("a finite number"),
    "bool_type": _type("true or false"),
    "dict_type": _type("a mapping"),
    "model_type": _type("a mapping"),
    "model_attributes_type": _type("a mapping"),
    "list_type": _type("a list", "begin each item with '- '"),
    "tuple_type": _type("a list", "write its items in brackets: [first, second]"),
    "greater_than": _bound("more than", "gt"),
    "greater_than_equal": _bound("at least", "ge"),
    "less_than": _bound("less than", "lt"),
    "less_than_equal": _bound("at most", "le"),
    "too_short": _length("at least", "min_length"),
    "too_long": _length("at most", "max_length"),
    "string_too_short": _length("at least", "min_length"),
    "string_too_long": _length("at most", "max_length"),
    "string_pattern_mismatch": lambda value, context: (
        f"{show(value)} is not a name",
        _IDENT_RULE if "A-Z" in str(context.get("pattern")) else _NAME_RULE,
    ),
}
