"""Names of an older version in a file: each is read as the name that replaced it, and reported (pure)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from ventproof_bench.yamlfile.tree import Alias, Items, Leaf, Node, Table, YamlFault

ANY: Final = "*"
"""Any key, or any item of a list."""

Renames = Mapping[tuple[str, ...], Mapping[str, str]]
"""Old names with the new ones, by place: the keys from the top of the file. At a mapping they are its keys; at a text,
its last word between points."""

_ADVICE: Final = "rename it: a later version refuses the old name"


def rename(root: Node, renames: Renames) -> tuple[list[YamlFault], list[YamlFault]]:
    """Replace every old name in a tree.

    Returns:
        What is wrong: an old name together with its new one. And a note for each old name, where it stands first.
    """
    clashes: list[YamlFault] = []
    places: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for place, names in renames.items():
        for node in _nodes(root, place):
            if isinstance(node, Table):
                clashes += _clashes(node, names)
            for line, column, old in _replaced(node, names):
                places.setdefault((old, names[old]), []).append((line, column))
    notes = [YamlFault(*min(at), _note(old, new, len(at)), _ADVICE) for (old, new), at in places.items()]
    return clashes, notes


def _note(old: str, new: str, times: int) -> str:
    return f"`{old}` is now `{new}`" + (f" ({times} places)" if times > 1 else "")


def _nodes(node: Node, place: tuple[str, ...]) -> Iterator[Node]:
    """Yield what stands at a place."""
    if isinstance(node, Alias):
        yield from _nodes(node.target, place)
    elif not place:
        yield node
    elif isinstance(node, Items) and place[0] == ANY:
        for child in node.children:
            yield from _nodes(child, place[1:])
    elif isinstance(node, Table):
        for key, entry in node.entries.items():
            if place[0] in {ANY, key}:
                yield from _nodes(entry.node, place[1:])


def _clashes(table: Table, names: Mapping[str, str]) -> Iterator[YamlFault]:
    """Take out the old names whose new ones stand beside them; yield a fault for each."""
    for old in [key for key in table.entries if names.get(key) in table.entries]:
        entry, new = table.entries.pop(old), names[old]
        hint = f"leave `{old}` out: it is the old name of `{new}`"
        yield YamlFault(entry.line, entry.column, f"`{old}` and `{new}` together", hint)


def _replaced(node: Node, names: Mapping[str, str]) -> Iterator[tuple[int, int, str]]:
    """Replace old names in a node; yield line, column and name of each."""
    if isinstance(node, Table):
        for key, entry in node.entries.items():
            if key in names:
                yield entry.line, entry.column, key
        node.entries = {names.get(key, key): entry for key, entry in node.entries.items()}
    elif isinstance(node, Leaf) and isinstance(node.value, str):
        before, point, last = node.value.rpartition(".")
        if last in names:
            node.value = f"{before}{point}{names[last]}"
            yield node.line, node.column, last
