"""What is right of a file in which something is wrong, so that one round tells every slip (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ventproof_bench.yamlfile.tree import Alias, Items, Leaf, Node, Table

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from ventproof_bench.yamlfile.tree import Path


_LEAST_DEPTH: Final = 2
"""A part of the top of a file is too much to be left out: what is said of the others rests on it."""
_DEEPER: Final = {"needs": (3,), "buses": (2, 3)}
"""Keys at the top whose parts are others: single names, and single keys of what everything else rests on."""


def take_out(root: Node, paths: Iterable[Path]) -> dict[Path, Node] | None:
    """Take the smallest parts that hold these paths out of a tree; return them, or None if that is too much.

    A part is an item of a list, or an entry below a key at the top; what is left keeps its places in the text, but
    later items of a list move up.
    """
    found: dict[Path, tuple[Table | Items, Node]] = {}
    for path in paths:
        part = _part(root, path)
        if part is None:
            return None
        found[part[0]] = part[1:]
    for path, (parent, node) in found.items():
        if isinstance(parent, Table):
            del parent.entries[str(path[-1])]
        else:
            parent.children[:] = [child for child in parent.children if child is not node]
    return {path: node for path, (_, node) in found.items()}


def _part(root: Node, path: Path) -> tuple[Path, Table | Items, Node] | None:
    """Return the part that holds a path: where it is, what it stands in, and itself."""
    best: tuple[Path, Table | Items, Node] | None = None
    depths = _DEEPER.get(str(path[0]), (_LEAST_DEPTH,)) if path else ()
    node = root
    for depth, key in enumerate(path, 1):
        if isinstance(node, Table) and key in node.entries:
            table, node = node, node.entries[str(key)].node
            if depth in depths:
                best = path[:depth], table, node
        elif isinstance(node, Items) and isinstance(key, int) and key < len(node.children):
            items, node = node, node.children[key]
            if depth >= _LEAST_DEPTH and isinstance(node, Table | Alias):
                best = path[:depth], items, node
        else:
            break
    return best


def words_of(path: Path, node: Node) -> Iterator[str]:
    """Yield the name of a part, and its label: what is said of these elsewhere may follow from its lack."""
    if isinstance(path[-1], str):
        yield path[-1]
    label = node.entries.get("label") if isinstance(node, Table) else None
    if label is not None and isinstance(label.node, Leaf):
        yield str(label.node.value)


def places_of(root: Node, words: Iterable[str]) -> set[tuple[int | None, int | None]]:
    """Return line and column of every key and value that is one of these words."""
    wanted = set(words)
    if not wanted:
        return set()
    return {place for place, word in _spots(root) if word in wanted}


def _spots(node: Node) -> Iterator[tuple[tuple[int, int], str]]:
    if isinstance(node, Leaf):
        yield (node.line, node.column), str(node.value)
    elif isinstance(node, Alias):
        yield from (((node.line, node.column), word) for _, word in _spots(node.target))
    elif isinstance(node, Items):
        for child in node.children:
            yield from _spots(child)
    else:
        for key, entry in node.entries.items():
            yield (entry.line, entry.column), key
            yield (entry.node.line, entry.node.column), key
            yield from _spots(entry.node)
