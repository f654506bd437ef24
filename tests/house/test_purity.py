"""Which packages compute and which act: what stands in a pure one opens nothing and waits for nothing."""

from __future__ import annotations

import ast

from source import modules, none_of, short

PURE = {
    *(
        "mock",
        "mock.faults",
        "mock.rules",
        "benchfile",
        "verdict",
        "statistics",
        "envelope",
        "deciders",
        "drives",
        "judge",
        "weather",
    ),
    *("case", "oracle", "figures", "export", "explore", "reference", "plant", "firstbench"),
}
"""Packages that are pure as a whole."""

BASE_EDGES = {
    f"ventproof_bench.base.{name}" for name in ("clock", "files", "interrupts", "processes", "protocols")
}
"""The modules of base that touch the world: time, files, signals, processes, and the shapes of what waits."""

IMPURE = {
    *(
        "asyncio",
        "os",
        "serial",
        "pymodbus",
        "socket",
        "subprocess",
        "threading",
        "time",
        "logging",
        "select",
    ),
    "pathlib",
}


def impurities(module):
    """Yield what a module does that a pure one must not."""
    for name in sorted({name.partition(".")[0] for name in module.imports} & IMPURE):
        yield f"{module.place} imports {name}"
    for node in ast.walk(module.tree):
        if isinstance(node, ast.AsyncFunctionDef | ast.Await):
            yield f"{module.place}:{node.lineno} is async"
        if (
            isinstance(node, ast.Call)
            and isinstance(node.func, ast.Name)
            and node.func.id in {"open", "print"}
        ):
            yield f"{module.place}:{node.lineno} calls {node.func.id}"


def test_pure_packages_stay_pure():
    """No sockets, files, clocks or async in a package that computes."""
    pure = [m for m in modules() if short(m.package) in PURE]
    pure += [m for m in modules() if short(m.package) == "base" and m.name not in BASE_EDGES]
    none_of([fault for module in pure for fault in impurities(module)])


def test_only_the_clock_reads_time():
    """`ventproof_bench.base.clock` is the only module that imports `time` or reads the date."""
    readers = {module.name for module in modules() if module.imports & {"time", "datetime.datetime"}}
    assert readers == {"ventproof_bench.base.clock"}
