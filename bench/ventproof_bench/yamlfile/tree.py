"""YAML with positions, named values (pure)."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any, final

import yaml

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.text import control_in
from ventproof_bench.yamlfile.sums import is_almost_a_sum, names_in, sum_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping


MAX_DEPTH = 32
MAX_NODES = 50_000
_MAX_NUMBER_LENGTH = 40

Scalar = str | int | float | bool | None
Path = tuple[str | int, ...]

_INTEGER = re.compile(r"-?(?:0|[1-9][0-9]*)")
_FLOAT = re.compile(r"-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?(?:[eE][-+]?[0-9]+)?")
_WORDS: dict[str, Scalar] = {"": None, "~": None, "null": None, "true": True, "false": False}
_TEXT_TAGS = {"!", "tag:yaml.org,2002:str"}
# What a bracket leaves of a decimal comma: `{reaches: 5,0 %}` is 5, and a key "0 %" without a value.
_DECIMALS = re.compile(r"\d+(\s*[^\s\d]\S*)?")
_DECIMALS_AND_UNIT = re.compile(r"\d+\s*[^\s\d]\S*")


@final
@dataclass(frozen=True, slots=True)
class YamlFault:
    """Something wrong at a place in the text; line and column are 1-based."""

    line: int
    column: int
    reason: str
    hint: str = ""


class TreeError(Exception):
    """The text cannot be made into a tree at all."""

    def __init__(self, fault: YamlFault) -> None:
        self.fault = fault
        super().__init__(fault.reason)


@final
@dataclass(slots=True)
class Leaf:
    """A scalar. `via` says which `$name` it was written as, when it was."""

    line: int
    column: int
    value: Scalar
    via: str = ""


@final
@dataclass(slots=True)
class Items:
    """A sequence."""

    line: int
    column: int
    children: list[Node] = field(default_factory=list)


@final
@dataclass(slots=True)
class Entry:
    """A key with its own place, and what it holds."""

    line: int
    column: int
    node: Node


@final
@dataclass(slots=True)
class Table:
    """A mapping; its keys are text whatever they look like."""

    line: int
    column: int
    entries: dict[str, Entry] = field(default_factory=dict)


@final
@dataclass(slots=True)
class Alias:
    """A use of an anchor; `target` is shared with the anchor and with its other uses."""

    line: int
    column: int
    name: str
    target: Leaf | Items | Table


Node = Leaf | Items | Table | Alias


@final
@dataclass(frozen=True, slots=True)
class Spot:
    """Where a path leads: the place in the text, and through which alias or `$name` the value came."""

    line: int
    column: int
    via: str = ""


def resolve_scalar(text: str) -> Scalar:
    """Read a plain scalar the way JSON would; everything else, `on`, `010` and `12:30` included, is text."""
    if text in _WORDS:
        return _WORDS[text]
    if len(text) > _MAX_NUMBER_LENGTH:
        return text
    if _INTEGER.fullmatch(text):
        return int(text)
    if _FLOAT.fullmatch(text):
        number = float(text)
        # A number that no float can hold stays text and is refused where a number is wanted.
        return number if abs(number) != float("inf") else text
    return text


@final
class _Composer:
    """Builds the tree from parser events without recursion, bounding depth and expanded size as it goes."""

    def __init__(self) -> None:
        self.faults: list[YamlFault] = []
        self.root: Node | None = None
        self._stack: list[tuple[Items | Table, str, int]] = []
        self._keys: list[tuple[str, int, int] | None] = []
        self._anchors: dict[str, tuple[Leaf | Items | Table, int] | None] = {}
        self._size = 0
        # The value before, as written, and where it ends: a bracket's comma may split a number.
        self._last: tuple[Leaf, str, tuple[int, int]] = (Leaf(0, 0, None), "", (0, 0))

    def take(self, event: yaml.Event) -> None:
        """Take the parser's next event."""
        mark = event.start_mark
        line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
        if isinstance(event, yaml.DocumentStartEvent) and self.root is not None:
            raise TreeError(
                YamlFault(line, column, "a second document begins here", "write one document a file")
            )
        if isinstance(event, yaml.ScalarEvent):
            self._scalar(event, line, column)
        elif isinstance(event, yaml.AliasEvent):
            self._alias(event.anchor or "", line, column)
        elif isinstance(event, yaml.SequenceStartEvent):
            self._begin(Items(line, column), event, line, column)
        elif isinstance(event, yaml.MappingStartEvent):
            self._begin(Table(line, column), event, line, column)
        elif isinstance(event, yaml.CollectionEndEvent):
            self._end()

    def _grow(self, nodes: int, line: int, column: int) -> None:
        self._size += nodes
        if self._size > MAX_NODES:
            raise TreeError(
                YamlFault(
                    line,
                    column,
                    f"the file holds more than {MAX_NODES} values once its aliases are written out",
                    "split the file, or use fewer aliases of aliases",
                )
            )

    def _tag(self, tag: str | None, line: int, column: int) -> None:
        if tag is not None and tag not in _TEXT_TAGS:
            shown = tag.replace("tag:yaml.org,2002:", "!!")
            self.faults.append(
                YamlFault(line, column, f"the tag {shown} has no meaning here", "leave the tag out")
            )

    def _scalar(self, event: yaml.ScalarEvent, line: int, column: int) -> None:
        self._tag(event.tag, line, column)
        self._grow(1, line, column)
        if control := control_in(event.value):
            reason = f"the text holds {control}, a character that cannot be shown"
            self.faults.append(YamlFault(line, column, reason, "leave it out"))
        if self._at_key():
            self._key(event.value, line, column)
            return
        plain = event.implicit[0] and event.tag is None
        leaf = Leaf(line, column, resolve_scalar(event.value) if plain else event.value)
        if event.anchor is not None:
            self._anchors[event.anchor] = (leaf, 1)
        self._place(leaf)
        end = event.end_mark
        self._last = leaf, event.value if plain else "", (end.line + 1, end.column + 1) if end else (0, 0)

    def _alias(self, name: str, line: int, column: int) -> None:
        if name not in self._anchors:
            near = get_close_matches(name, self._anchors, n=1)
            hint = (
                f"did you mean *{near[0]}?" if near else f"write &{name} before the value that it stands for"
            )
            self.faults.append(YamlFault(line, column, f"*{name} stands for nothing", hint))
            self._fill(f"*{name}", line, column)
            return
        known = self._anchors[name]
        if known is None:
            reason = f"*{name} is used inside the value that it stands for"
            raise TreeError(YamlFault(line, column, reason, "a value cannot hold itself"))
        target, size = known
        self._grow(size, line, column)
        if not self._at_key():
            self._place(Alias(line, column, name, target))
        elif isinstance(target, Leaf):
            self._key(str(target.value), line, column)
        else:
            raise TreeError(_complex_key(line, column))

    def _fill(self, text: str, line: int, column: int) -> None:
        if self._at_key():
            self._key(text, line, column)
        else:
            self._place(Leaf(line, column, text))

    def _begin(self, node: Items | Table, event: yaml.CollectionStartEvent, line: int, column: int) -> None:
        self._tag(event.tag, line, column)
        if self._at_key():
            raise TreeError(_complex_key(line, column))
        if len(self._stack) >= MAX_DEPTH:
            reason = f"brackets or lines nest deeper than {MAX_DEPTH} levels"
            raise TreeError(YamlFault(line, column, reason, "no file of ventproof needs that"))
        self._grow(1, line, column)
        if event.anchor is not None:
            self._anchors[event.anchor] = None
        self._stack.append((node, event.anchor or "", self._size))
        self._keys.append(None)

    def _end(self) -> None:
        node, anchor, begun_at = self._stack.pop()
        self._keys.pop()
        if anchor:
            self._anchors[anchor] = (node, self._size - begun_at + 1)
        self._place(node)

    def _at_key(self) -> bool:
        return bool(self._stack) and isinstance(self._stack[-1][0], Table) and self._keys[-1] is None

    def _key(self, key: str, line: int, column: int) -> None:
        self._keys[-1] = (key, line, column)

    def _place(self, node: Node) -> None:
        if not self._stack:
            self.root = node
            return
        parent = self._stack[-1][0]
        if isinstance(parent, Items):
            last = parent.children[-1] if parent.children else None
            text = str(node.value) if isinstance(node, Leaf) else ""
            split = _DECIMALS_AND_UNIT.fullmatch(text) and self._comma(last, text, node.line, node.column)
            if not split:
                parent.children.append(node)
            return
        pending = self._keys[-1]
        assert pending is not None
        key, line, column = pending
        self._keys[-1] = None
        if isinstance(node, Leaf) and node.value is None and _DECIMALS.fullmatch(key):
            last = next(reversed(parent.entries.values())).node if parent.entries else None
            if self._comma(last, key, line, column):
                return
        if key in parent.entries:
            first = parent.entries[key].line
            self.faults.append(
                YamlFault(
                    line, column, f"the key {key!r} is written twice", f"it stands on line {first} already"
                )
            )
        # Of a key written twice the first stands; the second is a fault already.
        parent.entries.setdefault(key, Entry(line, column, node))

    def _comma(self, last: Node | None, decimals: str, line: int, column: int) -> bool:
        """Mend a number that a bracket split at its decimal comma, with a fault; False where it did not."""
        leaf, whole, end = self._last
        if last is not leaf or _INTEGER.fullmatch(whole) is None or end != (line, column - 1):
            return False
        reason = f"'{whole},{decimals}' has a comma in its number"
        self.faults.append(YamlFault(leaf.line, leaf.column, reason, f"write '{whole}.{decimals}'"))
        leaf.value = resolve_scalar(f"{whole}.{decimals}")
        return True


def _complex_key(line: int, column: int) -> YamlFault:
    hint = "put text that begins with a bracket in quotes"
    return YamlFault(line, column, "a key must be a plain word, not a list or a mapping", hint)


def grow_tree(text: str) -> tuple[Node | None, list[YamlFault]]:
    """Make a tree of YAML text; None for a text without any value.

    Raises:
        TreeError: no tree can be made; the fault says where and why.
        yaml.YAMLError: the text is not YAML; `ventproof_bench.yamlfile.syntax_errors` words it.
    """
    composer = _Composer()
    loader: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    for event in yaml.parse(text, Loader=loader):
        composer.take(event)
    return composer.root, composer.faults


def as_data(node: Node) -> Any:  # noqa: ANN401 - whatever the file holds
    """Return the tree as dicts, lists and scalars; aliases share their data."""
    if isinstance(node, Alias):
        return as_data(node.target)
    if isinstance(node, Table):
        return {key: as_data(entry.node) for key, entry in node.entries.items()}
    if isinstance(node, Items):
        return [as_data(child) for child in node.children]
    return node.value


def data_in(text: str) -> Any:  # noqa: ANN401 - as above
    """Return what YAML text holds, as dicts, lists and scalars; None where it holds nothing that can be read."""
    try:
        root, faults = grow_tree(text)
    except (TreeError, yaml.YAMLError):
        return None
    return None if root is None or faults else as_data(root)


def node_at(root: Node, path: Path) -> Node | None:
    """Return what stands at a path; None where nothing does."""
    node: Node | None = root
    for part in path:
        held = node.target if isinstance(node, Alias) else node
        step = _child(held, part) if held is not None else None
        node = step[2] if step else None
    return node


def spot(root: Node, path: Path, *, at_key: bool = False) -> Spot:
    """Return the place of `path`, or of the deepest part of it that exists.

    A value inside an alias is placed where the alias is used, since that is where it turned out wrong.

    Args:
        root: the tree.
        path: keys and indices from the root.
        at_key: place the last key rather than its value.
    """
    node: Node = root
    line, column, via = root.line, root.column, ""
    for index, part in enumerate(path):
        if isinstance(node, Alias):
            via = via or f"written as *{node.name}, which stands for line {node.target.line}"
            node = node.target
        step = _child(node, part)
        if step is None:
            break
        key_line, key_column, node = step
        if not via:
            last = index == len(path) - 1
            # An empty value has no place of its own: its key has.
            wants_key = (last and at_key) or (isinstance(node, Leaf) and node.value is None)
            on_key = wants_key or (last and isinstance(node, Table | Items))
            line, column = (key_line, key_column) if on_key else (node.line, node.column)
    if isinstance(node, Alias) and not via:
        via = f"written as *{node.name}, which stands for line {node.target.line}"
    if isinstance(node, Leaf) and not via:
        via = node.via
    return Spot(line, column, via)


def _child(node: Node, part: str | int) -> tuple[int, int, Node] | None:
    if isinstance(node, Table) and str(part) in node.entries:
        entry = node.entries[str(part)]
        return entry.line, entry.column, entry.node
    if isinstance(node, Items) and isinstance(part, int) and 0 <= part < len(node.children):
        child = node.children[part]
        return child.line, child.column, child
    return None


def _leaves(node: Node) -> Iterator[Leaf]:
    if isinstance(node, Leaf):
        yield node
    elif isinstance(node, Table):
        for entry in node.entries.values():
            yield from _leaves(entry.node)
    elif isinstance(node, Items):
        for child in node.children:
            yield from _leaves(child)


def put_values(root: Node, key: str) -> list[YamlFault]:
    """Replace every `$name`, alone or in a sum, by what the mapping `key` at the top gives; returns what is wrong.

    Works on the tree, so that the value keeps the place where it is used. Values are scalars and refer to no
    other value.
    """
    if not isinstance(root, Table):
        return []
    holder = root.entries[key].node if key in root.entries else Table(root.line, root.column)
    if not isinstance(holder, Table):
        return []
    faults: list[YamlFault] = []
    values: dict[str, Leaf] = {}
    for name, entry in holder.entries.items():
        leaf = entry.node.target if isinstance(entry.node, Alias) else entry.node
        if isinstance(leaf, Leaf):
            values[name] = leaf
            if isinstance(leaf.value, str) and names_in(leaf.value):
                reason = f"the value {name!r} refers to another value, {leaf.value}"
                faults.append(
                    YamlFault(entry.node.line, entry.node.column, reason, "write the quantity itself")
                )
    for name, entry in root.entries.items():
        if name != key:
            for leaf in _leaves(entry.node):
                faults.extend(_put_value(leaf, values, key))
    return faults


def _put_value(leaf: Leaf, values: Mapping[str, Leaf], key: str) -> list[YamlFault]:
    names = names_in(leaf.value) if isinstance(leaf.value, str) and "$" in leaf.value else ()
    if not names:
        return [_no_sum(leaf)] if isinstance(leaf.value, str) and is_almost_a_sum(leaf.value) else []
    if unknown := [name for name in names if name not in values]:
        near = get_close_matches(unknown[0], values, n=1)
        known = f"known: {', '.join('$' + each for each in values)}" if values else f"state it below {key!r}"
        hint = f"did you mean ${near[0]}?" if near else known
        return [YamlFault(leaf.line, leaf.column, f"${unknown[0]} is not among the profile's {key}", hint)]
    text = str(leaf.value)
    if text == f"${names[0]}":
        leaf.via = f"written as {text}, which stands for line {values[names[0]].line}"
        leaf.value = values[names[0]].value
        return []
    lines = ", ".join(str(values[name].line) for name in names)
    try:
        leaf.value = sum_of(text, {name: _addend(values[name].value) for name in names})
    except ValueError as error:
        refusal = Refusal.of(error)
        return [YamlFault(leaf.line, leaf.column, refusal.reason, refusal.hint)]
    leaf.via = f"written as {text}, with the value of line {lines}"
    return []


def _no_sum(leaf: Leaf) -> YamlFault:
    hint = "write values and quantities with spaces around + or -, such as '$delay + 5 s'"
    return YamlFault(leaf.line, leaf.column, f"{leaf.value!r} is not a sum", hint)


def _addend(value: Scalar) -> str | float:
    return value if isinstance(value, int | float) and not isinstance(value, bool) else str(value)
