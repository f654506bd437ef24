"""Imports run one way: ranks, no circles, and what a package may never know."""

from __future__ import annotations

from functools import cache
from itertools import groupby

from source import modules, names, none_of, short

RANKS = """
__main__
cli plugin
terminal page
setup rack campaign
session compare explore firstbench
draft history wiring
report
challenge export figures
run rejudge
case oracle reference selfcheck
profile table rig mock.guise
outputs relays benchcheck
drivers modbus
judge runset papers benchfile mock.wires
deciders drives statistics log mock lab
envelope weather mock.rules jobs
verdict yamlfile mock.faults plant
base
"""
"""The packages from the top down; one imports from lower lines only, never from its own."""

RANK = {name: -row for row, line in enumerate(RANKS.split("\n")) for name in line.split()}

ROOT_PACKAGES = {"ventproof", "ventproof_bench"}

NEVER = {
    "oracle": {"mock", "mock.faults", "mock.rules", "mock.wires"},
    "draft": {"mock", "mock.faults", "mock.rules", "mock.wires"},
    "table": {"mock", "mock.faults", "mock.rules", "mock.wires"},
    "weather": {"profile"},
    "envelope": {"profile"},
    "deciders": {"profile"},
    "drives": {"profile"},
    "judge": {"profile"},
    "statistics": {"profile"},
    "case": {"run", "rig"},
}
"""What a package must not import, whatever its rank: the oracle, say, must not learn from what it judges."""

OWNERS = {
    "rich": {"terminal"},
    "click": {"cli"},
    "dask": {"lab"},
    "distributed": {"lab"},
    "prompt_toolkit": {"terminal"},
    "starlette": {"page"},
    "uvicorn": {"page"},
    "scipy": {"statistics"},
    "sqlalchemy": {"history", "history.migrations", "history.migrations.versions"},
    "alembic": {"history", "history.migrations", "history.migrations.versions"},
    "pymodbus": {"modbus", "mock.wires"},
    "serial": {"drivers", "relays", "modbus", "mock.wires"},
    "typst": {"report"},
    "zstandard": {"log"},
    "pyarrow": {"history"},
    "covertable": {"draft"},
    "hypothesis": {"explore", "cli"},  # the command says where it may write
    "pytest": {"plugin"},
}
"""The only packages that import a library."""


def package_of(name):
    packages = packages_of_modules()
    while name not in packages:
        name = name.rpartition(".")[0]
    return packages[name]


@cache
def packages_of_modules():
    return {module.name: short(module.package) for module in modules()}


def edges():
    """Yield (importing module, imported package) for every import of ours."""
    for module in modules():
        own = short(module.package)
        for imported in module.imports:
            if imported.partition(".")[0] in ROOT_PACKAGES and imported not in ROOT_PACKAGES:
                other = package_of(imported)
                if other != own:
                    yield module, other


def rank(package):
    while package not in RANK and "." in package:
        package = package.rpartition(".")[0]
    return RANK.get(package)


def test_every_package_has_a_rank():
    """A new package says where it stands."""
    packages = {short(module.package) for module in modules()} - ROOT_PACKAGES
    none_of({package for package in packages if rank(package) is None})


def test_imports_run_one_way():
    """A package imports from lower lines only; deferred imports and imports for types count."""
    upward = {
        f"{module.place} imports {other}"
        for module, other in edges()
        if short(module.package) not in ROOT_PACKAGES
        and rank(other) != rank(short(module.package))
        and rank(other) > rank(short(module.package))
    }
    sideways = {
        f"{module.place} imports {other}"
        for module, other in edges()
        if short(module.package) not in ROOT_PACKAGES
        and rank(other) == rank(short(module.package))
        and not other.startswith("history.migrations")
        and not short(module.package).startswith("history.migrations")
    }
    none_of(upward | sideways)


def test_what_stands_on_the_bench_knows_nothing_of_the_harness():
    """`ventproof_bench` never imports `ventproof`."""
    strangers = [
        module.place
        for module in modules()
        if module.name.startswith("ventproof_bench")
        and any(name.partition(".")[0] == "ventproof" for name in module.imports)
    ]
    none_of(strangers)


def test_no_package_learns_what_it_must_not():
    """Each judge stays independent of what it judges."""
    broken = {
        f"{module.place} imports {other}"
        for module, other in edges()
        if other in NEVER.get(short(module.package), set())
    }
    none_of(broken)


def test_each_library_has_its_owner():
    """A library is imported where it is at home and nowhere else."""
    strangers = {
        f"{module.place} imports {name}"
        for module in modules()
        for name in module.imports
        if short(module.package) not in OWNERS.get(name.partition(".")[0], {short(module.package)})
    }
    none_of(strangers)


def test_no_circles_among_modules():
    """No module reaches itself over imports, wherever they stand."""
    known = names()
    graph = {
        module.name: {name for name in module.imports if name in known} - {module.name}
        for module in modules()
    }
    while ends := {name for name, needs in graph.items() if not needs} | (
        graph.keys() - set().union(*graph.values())
    ):
        graph = {name: needs - ends for name, needs in graph.items() if name not in ends}
    none_of(graph)


def test_every_package_says_what_lives_there():
    """A package's `__init__` holds its sentence and nothing else, the registries of two apart."""
    keep_code = {"cli", "history.migrations"}
    silent = []
    for package, parts in groupby(modules(), key=lambda module: module.package):
        own = next(
            (module for module in parts if module.name == package and module.path.stem == "__init__"), None
        )
        if own is None:
            continue
        body = own.tree.body
        if len(body) > 1 and short(package) not in keep_code:
            silent.append(f"{own.place} holds code")
        if own.text.count("\n") < 1 or not own.text.startswith('"""'):
            silent.append(f"{own.place} says nothing")
    none_of(silent)
