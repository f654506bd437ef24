"""The house's own rules: what may import what, which modules are pure, how long things may get."""

from __future__ import annotations

import ast
from itertools import chain
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SOURCES = sorted(chain((ROOT / "bench").rglob("*.py"), (ROOT / "harness").rglob("*.py")))

# Imports run one way: a module may import from its own line and from the lines above it.
RANKS = (
    ("bench",),
    ("harness.profile", "harness.weather", "harness.judge"),
    ("harness.run",),
    ("harness.record",),
    ("harness.prove",),
    ("harness.session", "harness.series", "harness.selfcheck"),
    ("harness.cli", "harness.plugin"),
)

PURE = (
    "bench/errors.py",
    "bench/units.py",
    "bench/samples.py",
    "bench/registers.py",
    "bench/replies.py",
    "bench/serialline.py",
    "bench/responsetime.py",
    "bench/budget.py",
    "bench/pulses.py",
    "bench/uncertainty.py",
    "bench/measured.py",
    "bench/decidable.py",
    "bench/diagnosis.py",
    "bench/answers.py",
    "bench/misplaced.py",
    "bench/templates.py",
    "bench/linewire.py",
    "bench/mock/actuator.py",
    "bench/mock/behaviour.py",
    "bench/mock/conditioning.py",
    "bench/mock/faults.py",
    "bench/mock/fault.py",
    "bench/mock/catalogue/*.py",
    "bench/mock/display.py",
    "bench/mock/drives.py",
    "bench/mock/lapses.py",
    "bench/mock/sensor.py",
    "bench/mock/pulses.py",
    "bench/mock/weather.py",
    "bench/mock/overrides.py",
    "bench/mock/unit.py",
    "bench/mock/frames.py",
    "bench/mock/logic.py",
    "bench/mock/pdu.py",
    "bench/mock/registers.py",
    "bench/mock/server.py",
    "bench/mock/unit.py",
    "bench/mock/ventilation.py",
    "harness/judge/*.py",
    "harness/weather/*.py",
    "harness/record/chain.py",
    "harness/record/compare/comparison.py",
    "harness/record/compare/flips.py",
    "harness/record/compare/measures.py",
    "harness/record/compare/side.py",
    "harness/record/compare/trend.py",
    "harness/record/compare/words.py",
    "harness/record/demand.py",
    "harness/record/figure.py",
    "harness/record/margin.py",
    "harness/record/outputs/clean.py",
    "harness/record/outputs/junit.py",
    "harness/record/outputs/markdown.py",
    "harness/record/outputs/results.py",
    "harness/record/outputs/said.py",
    "harness/record/overview.py",
    "harness/record/outline.py",
    "harness/record/panel.py",
    "harness/record/report/code.py",
    "harness/record/report/cover.py",
    "harness/record/report/model.py",
    "harness/record/results.py",
    "harness/record/scale.py",
    "harness/record/sheet.py",
    "harness/record/svg.py",
    "harness/prove/changes.py",
    "harness/prove/conditions.py",
    "harness/prove/oracle.py",
    "harness/prove/targets.py",
    "harness/prove/timeline.py",
    "harness/prove/travel.py",
    "harness/prove/alone.py",
    "harness/prove/assembly.py",
    "harness/prove/covering.py",
    "harness/prove/delays.py",
    "harness/prove/margins.py",
    "harness/prove/mishaps.py",
    "harness/prove/page.py",
    "harness/prove/scenario.py",
    "harness/prove/scenes.py",
    "harness/prove/strokes.py",
    "harness/prove/together.py",
    "harness/run/events.py",
    "harness/run/compile.py",
    "harness/run/case.py",
    "harness/run/anchors.py",
    "harness/run/movements.py",
    "harness/run/invariants.py",
    "harness/run/played.py",
    "harness/run/findings.py",
    "harness/profile/duration.py",
)
IMPURE = {
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
    "pathlib",
}

LONGEST_MODULE = 400
LONGEST_FUNCTION = 50


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def rank(name: str) -> int | None:
    for number, prefixes in enumerate(RANKS):
        if any(name == prefix or name.startswith(prefix + ".") for prefix in prefixes):
            return number
    return None


def imports_of(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found |= {f"{node.module}.{alias.name}" for alias in node.names} | {node.module}
    return found


@pytest.mark.parametrize("path", SOURCES, ids=module_name)
def test_imports_run_one_way(path):
    """A module imports only from its own rank and from lower ones."""
    own = rank(module_name(path))
    if own is None:
        assert module_name(path) == "harness", f"{path} has no rank"
        return
    upward = {name for name in imports_of(path) if (other := rank(name)) is not None and other > own}
    assert not upward


@pytest.mark.parametrize("pattern", PURE)
def test_pure_modules_stay_pure(pattern):
    """A pure module has no async code, opens nothing, and imports nothing that reaches outside the process."""
    paths = list(ROOT.glob(pattern))
    assert paths or pattern.startswith("harness/weather"), f"{pattern} names no module"
    for path in paths:
        tree = ast.parse(path.read_text())
        roots = {name.partition(".")[0] for name in imports_of(path)}
        assert not roots & IMPURE, path
        for node in ast.walk(tree):
            assert not isinstance(node, ast.AsyncFunctionDef | ast.Await), f"{path}:{node.lineno} is async"
            calls_open = (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Name)
                and node.func.id in {"open", "print"}
            )
            assert not calls_open, f"{path}:{node.lineno}"


@pytest.mark.parametrize("path", SOURCES, ids=module_name)
def test_modules_and_functions_stay_small(path):
    """A module that passes 400 lines wants a seam, and so does a function that passes 50."""
    text = path.read_text()
    assert text.count("\n") <= LONGEST_MODULE
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            assert node.end_lineno - node.lineno < LONGEST_FUNCTION, f"{node.name} at line {node.lineno}"


def test_only_the_clock_reads_time():
    """`bench.clock` is the only module that imports `time` or reads the date."""
    readers = {module_name(p) for p in SOURCES if imports_of(p) & {"time", "datetime.datetime"}}
    assert readers == {"bench.clock"}


def test_importing_the_command_line_stays_cheap():
    """`ventproof --help` needs click and nothing heavy: no other third-party import at the top of its first module."""
    tree = ast.parse((ROOT / "harness/cli/__init__.py").read_text())
    top = {a.name for n in tree.body if isinstance(n, ast.Import) for a in n.names}
    top |= {n.module for n in tree.body if isinstance(n, ast.ImportFrom)}
    assert top == {"__future__", "click", "harness.judge.verdict", "importlib", "io", "os", "sys", "typing"}


def test_every_test_says_what_it_claims():
    """Each test has a docstring of one sentence or more."""
    for path in sorted((ROOT / "tests").rglob("test_*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.name.startswith("test_"):
                assert ast.get_docstring(node), f"{path.name}: {node.name}"


def test_the_top_level_is_fixed():
    """Nobody adds a folder or file to the top of the repository in passing."""
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "Makefile", "LICENSE", "constraints.txt"}
    allowed |= {"harness", "bench", "profiles", "tests", "records"}
    assert {p.name for p in ROOT.iterdir() if not p.name.startswith(".")} <= allowed
