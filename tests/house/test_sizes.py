"""How long things may get, and how short."""

from __future__ import annotations

import ast
from collections import Counter

from source import modules, none_of, short

LONGEST_MODULE = 600
SHORTEST_MODULE = 60
LONGEST_FUNCTION = 50
MOST_MODULES = 14

SHORT_BY_NATURE = {"relays", "cli", "mock.faults", "history.migrations", "history.migrations.versions"}
"""Packages of one driver, command, family of faults or migration a module."""

ENDS = {"ventproof.__main__", "ventproof.deciders.choose", "ventproof_bench.base.files"}
"""One idea each, used all over, that would be lost in another module; and where the program begins."""

WIDE = {"cli": 25}
"""Packages with a module a command."""


def test_modules_are_neither_mazes_nor_crumbs():
    """A module over 600 lines needs a seam, one under 60 a home; drivers, commands and fault families are exempt."""
    wrong = {}
    for module in modules():
        lines = module.text.count("\n")
        own = short(module.package)
        exempt = own in SHORT_BY_NATURE or module.name in ENDS or module.path.stem == "__init__"
        if lines > LONGEST_MODULE or (lines < SHORTEST_MODULE and not exempt):
            wrong[module.place] = lines
    none_of(wrong)


def test_functions_stay_small():
    """A function that passes 50 lines wants a seam."""
    long = [
        f"{module.place}:{node.lineno} {node.name}"
        for module in modules()
        for node in ast.walk(module.tree)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and node.end_lineno - node.lineno >= LONGEST_FUNCTION
    ]
    none_of(long)


def test_packages_stay_small():
    """A package of more than 14 modules is two."""
    sizes = Counter(module.package for module in modules() if module.path.stem != "__init__")
    wide = {name: count for name, count in sizes.items() if count > WIDE.get(short(name), MOST_MODULES)}
    none_of(wide)


def test_no_two_public_classes_share_a_name():
    """A class is found by its name alone, so each public name stands once."""
    places = {}
    for module in modules():
        for node in module.tree.body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                places.setdefault(node.name, []).append(module.place)
    none_of({name: where for name, where in places.items() if len(where) > 1})
