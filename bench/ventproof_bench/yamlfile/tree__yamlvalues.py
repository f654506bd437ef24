"""Named values: `$name` anywhere in a file's tree becomes what the file gives that name at its top (pure)."""

from __future__ import annotations

import re
from difflib import get_close_matches
from typing import TYPE_CHECKING

from bench.yamltree import Alias, Fault, Items, Leaf, Node, Table

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

_REFERENCE = re.compile(r"\$\w+")


def _leaves(node: Node) -> Iterator[Leaf]:
    if isinstance(node, Leaf):
        yield node
    elif isinstance(node, Table):
        for entry in node.entries.values():
            yield from _leaves(entry.node)
    elif isinstance(node, Items):
        for child in node.children:
            yield from _leaves(child)


def put_values(root: Node, key: str) -> list[Fault]:
    """Replace every `$name` by the value that the mapping `key` at the top gives it; returns what is wrong.

    Works on the tree, so that the value keeps the place where it is used. Values are scalars and refer to no
    other value.
    """
    if not isinstance(root, Table):
        return []
    holder = root.entries[key].node if key in root.entries else Table(root.line, root.column)
    if not isinstance(holder, Table):
        return []
    faults: list[Fault] = []
    values: dict[str, Leaf] = {}
    for name, entry in holder.entries.items():
        leaf = entry.node.target if isinstance(entry.node, Alias) else entry.node
        if isinstance(leaf, Leaf):
            values[name] = leaf
            if isinstance(leaf.value, str) and _REFERENCE.fullmatch(leaf.value):
                reason = f"the value {name!r} refers to another value, {leaf.value}"
                faults.append(Fault(entry.node.line, entry.node.column, reason, "write the quantity itself"))
    for name, entry in root.entries.items():
        if name != key:
            for leaf in _leaves(entry.node):
                faults.extend(_put_value(leaf, values, key))
    return faults


def _put_value(leaf: Leaf, values: Mapping[str, Leaf], key: str) -> list[Fault]:
    if not isinstance(leaf.value, str) or not _REFERENCE.fullmatch(leaf.value):
        return []
    name = leaf.value[1:]
    if name in values:
        leaf.via = f"written as {leaf.value}, which stands for line {values[name].line}"
        leaf.value = values[name].value
        return []
    near = get_close_matches(name, values, n=1)
    known = f"known: {', '.join('$' + each for each in values)}" if values else f"state it below {key!r}"
    hint = f"did you mean ${near[0]}?" if near else known
    fault = Fault(leaf.line, leaf.column, f"{leaf.value} is not among the profile's {key}", hint)
    return [fault]
