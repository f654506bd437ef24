"""JSON Schemas of the kinds of file, for editors that check YAML while it is typed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from pydantic import BaseModel

from bench.errors import FileError, Problem
from bench.overridetable.model import OverrideTable
from bench.wiring import BenchFile
from bench.wording import nearest
from harness.profile.kinds import drivers
from harness.profile.model import Profile

if TYPE_CHECKING:
    from collections.abc import Iterator

MODELS: Final[dict[str, type[BaseModel]]] = {"profile": Profile, "bench": BenchFile, "table": OverrideTable}
KINDS: Final = tuple(MODELS)
_TITLES: Final = {"table": "override table"}
DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"

_USE_OF_A_VALUE: Final = {
    "type": "string",
    "pattern": r"^\$\w+$",
    "description": "One of the profile's values.",
}
_NOT_SUBSTITUTED: Final = "values"


def schema(kind: str) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a kind of file.

    It accepts whatever the program's own check accepts, and refuses what can be refused without knowing how
    the parts of a file fit each other.

    Args:
        kind: `profile`, `bench` or `table`.

    Raises:
        FileError: no such kind.
    """
    if kind not in KINDS:
        raise FileError([Problem(kind, None, None, "there is no such kind of file", nearest(kind, KINDS))])
    made = MODELS[kind].model_json_schema(by_alias=True)
    definitions: dict[str, Any] = made["$defs"]
    if kind == "bench":
        _add_drivers(definitions)
    for part in (made, *definitions.values()):
        _tidy(part)
        if kind == "profile":
            _let_values_stand(part)
    return {"$schema": DIALECT, **made, "title": f"ventproof {_TITLES.get(kind, kind)}"}


def _add_drivers(definitions: dict[str, Any]) -> None:
    """Make `wired:` of each output follow the driver that the output names."""
    for driver in drivers():
        options = driver.options.model_json_schema(by_alias=True)
        definitions.update(options.pop("$defs", {}))
        definitions[driver.options.__name__] = options
        wired = {"$ref": f"#/$defs/{driver.options.__name__}"}
        names_it = {"properties": {"driver": {"const": driver.name}}, "required": ["driver"]}
        for kind in driver.serves:
            output = definitions[f"{kind.capitalize()}Output"]
            output.setdefault("allOf", []).append({"if": names_it, "then": {"properties": {"wired": wired}}})


def _tidy(node: Any) -> None:  # noqa: ANN401 - any part of a schema
    """Refuse names of the wrong form, and write the defaults of spans of time as files write them."""
    for part in _parts(node):
        if "patternProperties" in part:
            part.setdefault("additionalProperties", False)
        if isinstance(part.get("default"), float) and part.get("type") == "string":
            part["default"] = f"{part['default']:g} s"


def _parts(node: Any) -> Iterator[dict[str, Any]]:  # noqa: ANN401 - any part of a schema
    """Yield every mapping within a part of a schema."""
    if isinstance(node, dict):
        yield node
        for child in node.values():
            yield from _parts(child)
    elif isinstance(node, list):
        for child in node:
            yield from _parts(child)


def _let_values_stand(node: Any) -> None:  # noqa: ANN401 - any part of a schema
    """Let `$name` stand wherever a profile has a scalar."""
    for part in _parts(node):
        properties = part.get("properties", {})
        for name, child in properties.items():
            if name != _NOT_SUBSTITUTED and _is_scalar(child):
                properties[name] = _or_value(child)
        for key in ("items", "additionalProperties"):
            if _is_scalar(part.get(key)):
                part[key] = _or_value(part[key])
        patterns = part.get("patternProperties", {})
        for pattern, child in patterns.items():
            if _is_scalar(child):
                patterns[pattern] = _or_value(child)


def _or_value(child: dict[str, Any]) -> dict[str, Any]:
    about: dict[str, Any] = {k: child.pop(k) for k in ("description", "default", "title") if k in child}
    return {**about, "anyOf": [child, dict(_USE_OF_A_VALUE)]}


def _is_scalar(child: object) -> bool:
    if not isinstance(child, dict):
        return False
    kind = child.get("type")
    if isinstance(kind, list):
        return False
    if "anyOf" in child:
        return all(_is_scalar(each) or each.get("type") in ("null", "string") for each in child["anyOf"])
    return kind in {"integer", "number", "boolean"} or (
        kind == "string" and any(key in child for key in ("pattern", "enum", "const", "maxLength"))
    )
