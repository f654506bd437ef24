"""Kinds and JSON Schemas."""

from __future__ import annotations

import ast
import sys
from dataclasses import dataclass
from functools import cache
from inspect import cleandoc, getsource
from itertools import pairwise
from types import NoneType
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal, final, get_args, get_origin

from pydantic import BaseModel, Tag

from ventproof.papers.acceptance import AcceptanceFile
from ventproof.papers.waivers import WaiversFile
from ventproof.profile.model import Profile, Response
from ventproof.profile.stimulus import Stimulus
from ventproof.runset.campaign import CampaignFile
from ventproof.runset.rack_file import RackFile
from ventproof.table.model import Alternative, OverrideTable
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.benchfile.model import BenchFile, BusSpec, OutputSpec
from ventproof_bench.drivers.driver import Driver, find, names
from ventproof_bench.yamlfile.fields import FileModel
from ventproof_bench.yamlfile.value_errors import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator


@final
@dataclass(frozen=True, slots=True)
class Kind:
    """One kind: the word that chooses it, the model of its keys, what it is, and whether the word is a key."""

    word: str
    model: type[BaseModel]
    about: str
    by_key: bool = False

    @property
    def summary(self) -> str:
        """What it is, in one line."""
        return self.about.partition("\n\n")[0].replace("\n", " ")

    def told(self) -> str:
        """Return what it is, and which keys it needs and may have."""
        paragraphs = (" ".join(part.split()) for part in self.about.split("\n\n"))
        lines = [" ".join(paragraphs), f"{keys_of(self.model, self.word if self.by_key else '')}."]
        nested = self.model.model_fields[self.word].annotation if self.by_key else None
        if isinstance(nested, type) and issubclass(nested, BaseModel):
            lines.append(f"Below `{self.word}:` {keys_of(nested)}.")
        return "\n".join(lines)


@final
@dataclass(frozen=True, slots=True)
class Family:
    """Kinds of one thing, and the words that list them all; `form` is how a file names a kind."""

    name: str
    many: str
    file: str
    form: str
    listed_by: tuple[str, ...]
    kinds: tuple[Kind, ...]

    def listing(self) -> str:
        """Return one line for each kind."""
        rows = (f"  {self.form.format(kind.word)} {kind.summary}" for kind in self.kinds)
        return "\n".join((f"{self.many[0].upper()}{self.many[1:]}:", *rows))

    def holds(self, model: type[BaseModel]) -> tuple[str, ...]:
        """Return the words of the kinds that have this model."""
        return tuple(kind.word for kind in self.kinds if kind.model is model)


_CHOOSERS: Final = frozenset({"link", "kind"})


def keys_of(model: type[BaseModel], besides: str = "") -> str:
    """Return which keys a model needs and may have besides one; its own come before those of all its like."""
    own = [
        *model.__annotations__,
        *(name for name in model.model_fields if name not in model.__annotations__),
    ]
    fields = {name: model.model_fields[name] for name in own if name in model.model_fields}
    fields = {name: field for name, field in fields.items() if name not in {*_CHOOSERS, besides}}
    needs = [field.alias or name for name, field in fields.items() if field.is_required()]
    may = [field.alias or name for name, field in fields.items() if not field.is_required()]
    told = [f"Needs: {', '.join(needs)}"] if needs else []
    told += [f"May have: {', '.join(may)}"] if may else []
    return ". ".join(told) or "Has no other key"


@cache
def docs_of(model: type[BaseModel]) -> dict[str, str]:
    """Return what the fields of a model mean: the texts below them in its source.

    Pydantic would read them too, of every model whenever one is imported, which takes a third of a `check`.
    """
    found: dict[str, str] = {}
    for kind in reversed(model.__mro__):
        found |= _docs_in(kind.__module__).get(kind.__name__, {}) if issubclass(kind, FileModel) else {}
    return found


@cache
def _docs_in(module: str) -> dict[str, dict[str, str]]:
    """Return the texts below the fields of each class of a module."""
    classes = [
        node for node in ast.parse(getsource(sys.modules[module])).body if isinstance(node, ast.ClassDef)
    ]
    return {
        one.name: {
            field.target.id: cleandoc(text.value.value)
            for field, text in pairwise(one.body)
            if isinstance(field, ast.AnnAssign)
            and isinstance(field.target, ast.Name)
            and isinstance(text, ast.Expr)
            and isinstance(text.value, ast.Constant)
            and isinstance(text.value.value, str)
        }
        for one in classes
    }


@cache
def families() -> tuple[Family, ...]:
    """Return every family of kinds."""
    return (
        Family(
            "response",
            "responses",
            "profile",
            "{}:",
            ("expect", "until", "response"),
            tuple(_kinds(Response)),
        ),
        Family("stimulus", "stimuli", "profile", "{}:", ("do", "stimulus"), tuple(_kinds(Stimulus))),
        Family(
            "condition",
            "conditions",
            "override table",
            "{}:",
            ("when", "condition"),
            tuple(_kinds(Alternative)),
        ),
        Family("bus", "buses", "bench file", "link: {} -", ("buses", "link"), tuple(_kinds(BusSpec))),
        Family(
            "output",
            "outputs",
            "bench file",
            "kind: {} -",
            ("outputs", "output", "kind"),
            tuple(_kinds(OutputSpec)),
        ),
        Family(
            "driver",
            "drivers",
            "bench file",
            "driver: {} -",
            ("driver", "wired"),
            tuple(Kind(driver.name, driver.options, driver.about) for driver in drivers()),
        ),
    )


def _kinds(union: Any) -> Iterator[Kind]:  # noqa: ANN401 - an annotation
    for model, tag in models_in(union):
        about = cleandoc(model.__doc__ or "")
        for word in (tag,) if tag else _literals(model):
            yield Kind(word, model, about, word in model.model_fields)


def _literals(model: type[BaseModel]) -> Iterator[str]:
    for name, field in model.model_fields.items():
        if name in _CHOOSERS and get_origin(field.annotation) is Literal:
            yield from map(str, get_args(field.annotation))


def drivers() -> Iterator[Driver]:
    """Yield every driver that can be loaded."""
    for name in names():
        try:
            yield find(name)
        except ValueError:  # a third-party driver that cannot be loaded has no words and no schema
            continue


def models_in(kind: Any, tag: str = "") -> Iterator[tuple[type[BaseModel], str]]:  # noqa: ANN401 - an annotation
    """Yield the models that a value of this annotation is made of, each with the tag that chooses it."""
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        yield kind, tag
        return
    arguments = get_args(kind)
    if get_origin(kind) is Annotated:
        tags = [m.tag for m in arguments[1:] if isinstance(m, Tag)]
        yield from models_in(arguments[0], tag or next(iter(tags), ""))
        return
    for argument in arguments:
        if argument is not NoneType:
            yield from models_in(argument, tag)


MODELS: Final[dict[str, type[BaseModel]]] = {
    "profile": Profile,
    "bench": BenchFile,
    "table": OverrideTable,
    "acceptance": AcceptanceFile,
    "waivers": WaiversFile,
    "campaign": CampaignFile,
    "rack": RackFile,
}
KINDS: Final = tuple(MODELS)
_TITLES: Final = {"table": "override table", "rack": "rack file"}
DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"

_USE_OF_A_VALUE: Final = {
    "type": "string",
    "pattern": r"^\s*(?=.*\$\w)[^+-]+(\s[+-]\s[^+-]+)*$",
    "description": "One of the profile's values, or a sum with it.",
}
_NOT_SUBSTITUTED: Final = "values"


def schema(kind: str) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a kind of file.

    It accepts whatever the program's own check accepts, and refuses what can be refused without knowing how
    the parts of a file fit each other.

    Args:
        kind: one of `KINDS`.

    Raises:
        FileError: no such kind.
    """
    if kind not in KINDS:
        raise FileError([Problem(kind, None, None, "there is no such kind of file", nearest(kind, KINDS))])
    made = MODELS[kind].model_json_schema(by_alias=True)
    definitions: dict[str, Any] = made["$defs"]
    if kind == "bench":
        _add_drivers(definitions)
    options = [driver.options for driver in drivers()] if kind == "bench" else []
    for model in _models(MODELS[kind], *options):
        _describe(model, definitions.get(model.__name__, made))
    for part in (made, *definitions.values()):
        _tidy(part)
        if kind == "profile":
            _let_values_stand(part)
    return {"$schema": DIALECT, **made, "title": f"ventproof {_TITLES.get(kind, kind)}"}


def _models(*kinds: Any) -> set[type[BaseModel]]:  # noqa: ANN401 - annotations
    """Return every model in some annotations."""
    found: set[type[BaseModel]] = set()
    left = list(kinds)
    while left:
        new = {model for model, _ in models_in(left.pop())} - found
        found |= new
        left += [field.annotation for model in new for field in model.model_fields.values()]
    return found


def _describe(model: type[BaseModel], part: dict[str, Any]) -> None:
    """Add to the schema of a model what its keys mean."""
    docs = docs_of(model)
    for name, field in model.model_fields.items():
        child = part.get("properties", {}).get(field.alias or name)
        if child is not None and name in docs:
            child.setdefault("description", docs[name])


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
    """Refuse names of the wrong form, and write the defaults of spans of time as files write them.

    What fits two kinds is right: the name alone tells whether it is a sensor or a vent that fails.
    """
    for part in _parts(node):
        if "oneOf" in part:
            part["anyOf"] = part.pop("oneOf")
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
