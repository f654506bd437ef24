"""What the words of the files mean, with examples: keys from their models, the rest from the topics."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from textwrap import dedent, indent
from types import NoneType
from typing import TYPE_CHECKING, Annotated, Any, Final, final, get_args, get_origin

from pydantic import BaseModel, Tag

from bench.drivers import Driver, find, names
from bench.errors import FileError, Problem
from bench.wiring import BenchFile
from bench.wording import nearest
from bench.yamltree import Alias, Items, Node, Table, grow_tree
from harness.profile.model import Profile
from harness.profile.topics import topics

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

EXAMPLES: Final = ("profile.yaml", "bench-wires.yaml", "bench-in-process.yaml")
_MOST_LINES = 7


@final
@dataclass(frozen=True, slots=True)
class Meaning:
    """What a key means at one place of a file."""

    where: str
    text: str


def words() -> list[str]:
    """Return every word that can be explained, sorted."""
    return sorted({*keys(), *topics()})


def explain(word: str) -> str:
    """Return what a word of the files means, with an example.

    Raises:
        FileError: no such word; names the nearest one.
    """
    wanted = word.strip().strip("`:").lower()
    found = [part for part in (_topic(wanted), _key(wanted)) if part]
    if not found:
        reason = f"{word!r} is no word of the files"
        hint = nearest(wanted, words())
        if hint.startswith("known"):
            hint = "`ventproof explain` without a word lists them all"
        raise FileError([Problem("explain", None, None, reason, hint)])
    return "\n\n".join(found)


def _topic(word: str) -> str:
    topic = topics().get(word)
    if topic is None:
        return ""
    example = f"\n\nExample:\n{indent(topic.example.rstrip(), '    ')}" if topic.example else ""
    return f"{word}: {topic.text}{example}"


def _key(word: str) -> str:
    meanings = keys().get(word)
    if meanings is None:
        return ""
    places: dict[str, list[str]] = {}
    for meaning in meanings:
        places.setdefault(meaning.text, []).append(meaning.where)
    said = [f"`{word}:` in {'; '.join(dict.fromkeys(where))}\n    {text}" for text, where in places.items()]
    shown = "\n\n".join(f"Example:\n{indent(example, '    ')}" for example in examples(word))
    return "\n".join(said) + (f"\n\n{shown}" if shown else "")


@cache
def keys() -> Mapping[str, list[Meaning]]:
    """Return every key of the files with what it means at each of its places."""
    found: dict[str, list[Meaning]] = {}
    kinds: list[tuple[str, Any]] = [("profile", Profile), ("bench file", BenchFile)]
    kinds += [(f"bench file, outputs, wired (driver {driver.name})", driver.options) for driver in _drivers()]
    for where, kind in kinds:
        for key, meaning in _keys(kind, where):
            known = found.setdefault(key, [])
            if meaning not in known:
                known.append(meaning)
    return found


def _drivers() -> Iterator[Driver]:
    for name in names():
        try:
            yield find(name)
        except ValueError:  # a third-party driver that cannot be loaded has no words
            continue


def _keys(kind: Any, where: str) -> Iterator[tuple[str, Meaning]]:  # noqa: ANN401 - an annotation
    for model, tag in models_in(kind):
        here = f"{where} ({tag})" if tag else where
        for name, field in model.model_fields.items():
            key = field.alias or name
            text = " ".join((field.description or "").split())
            yield key, Meaning(here, text + _default(field.default))
            yield from _keys(field.annotation, f"{here}, {key}")


def _default(value: object) -> str:
    if isinstance(value, bool):
        return f" Unless stated: {str(value).lower()}."
    if isinstance(value, float):
        return f" Unless stated: {value:g}."
    if isinstance(value, int | str) and value != "":
        return f" Unless stated: {value}."
    return ""


def models_in(kind: Any, tag: str = "") -> Iterator[tuple[type[BaseModel], str]]:  # noqa: ANN401 - an annotation
    """Yield the models that a value of this annotation is made of, each with the tag that chooses it."""
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        yield kind, tag
        return
    arguments = get_args(kind)
    if get_origin(kind) is Annotated:
        tags = [m.tag for m in arguments[1:] if isinstance(m, Tag)]
        yield from models_in(arguments[0], tags[0] if tags else tag)
        return
    for argument in arguments:
        if argument is not NoneType:
            yield from models_in(argument, tag)


def examples(word: str) -> list[str]:
    """Return at most one example of a key from each kind of file, cut out of the example files."""
    found: dict[str, str] = {}
    for file in EXAMPLES:
        kind = file.partition("-")[0]
        if kind in found:
            continue
        text = example_text(file)
        tree, _ = grow_tree(text)
        assert tree is not None
        root = Profile if kind == "profile.yaml" else BenchFile
        line = next((line for key, line in _used(root, tree) if key == word), None)
        if line is not None:
            found[kind] = _cut(text, line)
    return list(found.values())


def example_text(file: str) -> str:
    """Return the text of one of the example files."""
    return (files("harness.profile") / "examples" / file).read_text(encoding="utf-8")


def _used(kind: Any, node: Node) -> Iterator[tuple[str, int]]:  # noqa: ANN401 - an annotation
    """Yield the keys that a tree uses as `kind` means them, with their lines; names are no keys."""
    if isinstance(node, Alias):
        node = node.target
    if isinstance(node, Items):
        for child in node.children:
            yield from _used(kind, child)
        return
    if not isinstance(node, Table):
        return
    model = next((m for m, _ in models_in(kind) if _fits(m, node)), None)
    if model is None:
        for entry in node.entries.values():
            yield from _used(kind, entry.node)
        return
    fields = {field.alias or name: field for name, field in model.model_fields.items()}
    for key, entry in node.entries.items():
        yield key, entry.line
        if key == "wired" and isinstance(entry.node, Table):
            yield from ((word, inner.line) for word, inner in entry.node.entries.items())
        yield from _used(fields[key].annotation, entry.node)


def _fits(model: type[BaseModel], table: Table) -> bool:
    fields = {field.alias or name: field for name, field in model.model_fields.items()}
    needed = {key for key, field in fields.items() if field.is_required()}
    return needed <= table.entries.keys() <= fields.keys()


def _cut(text: str, line: int) -> str:
    """Return a line with the deeper lines below it."""
    lines = text.splitlines()
    first = lines[line - 1]
    depth = len(first) - len(first.lstrip())
    taken = [first]
    for following in lines[line:]:
        if len(following) - len(following.lstrip()) <= depth:
            break
        if len(taken) == _MOST_LINES:
            taken.append(" " * (depth + 2) + "…")
            break
        taken.append(following)
    return dedent("\n".join(taken))
