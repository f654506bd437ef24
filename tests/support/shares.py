"""Which tests a commit tries: all of the files that are quick, and a share of the costly ones; what each file costs.

Where most of a file's time is spent in what its tests share (a fixture of the file), it is tried as a whole or not at
all; else each of its tests by itself. Files that `costs.json` does not know are quick.
"""

from __future__ import annotations

import json
import subprocess
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from pathlib import Path
from zlib import crc32

SHARES = 20
COSTLY_S = 2.0
ALWAYS = "tests/house/"
COSTS = Path(__file__).parents[1] / "costs.json"

Cost = tuple[float, float]
"""Seconds of a file in fixtures, and in its tests themselves."""


def tried(tests: Iterable[str], costs: Mapping[str, Cost], share: int) -> set[str]:
    """Return the tests of one share: each costly one is in one of `SHARES`, each other one in all."""
    return {test for test in tests if (unit := _unit(test, costs)) is None or crc32(unit) % SHARES == share}


def _unit(test: str, costs: Mapping[str, Cost]) -> bytes | None:
    file = _file(test)
    shared_s, own_s = costs.get(file, (0.0, 0.0))
    if shared_s + own_s < COSTLY_S or file.startswith(ALWAYS):
        return None
    return (file if shared_s > own_s else test).encode()


def _file(test: str) -> str:
    return test.partition("::")[0]


def share_of_commit() -> int:
    """Return the share that the commit's name chooses, so that the same commit is tried with the same tests."""
    asked = ["git", "rev-parse", "--short=8", "HEAD"]
    try:
        done = subprocess.run(asked, cwd=COSTS.parent, capture_output=True, text=True, check=True)
    except (OSError, subprocess.CalledProcessError):
        return 0
    return int(done.stdout, 16) % SHARES


def pytest_addoption(parser):
    """Say whether all tests are tried, and where their costs are written."""
    group = parser.getgroup("shares")
    group.addoption("--share", action="store_true", help="Try only the commit's share of the costly tests.")
    group.addoption("--costs", type=Path, metavar="FILE", help="Write what each file costs (JSON).")


def pytest_report_header(config):
    """Say that not all is tried, and how all is."""
    if not config.getoption("share"):
        return None
    return f"share {share_of_commit() + 1} of {SHARES} of the costly tests; `make whole` tries all"


def pytest_collection_modifyitems(config, items):
    """Leave out the costly tests of other shares; what takes longest begins first, so that nobody waits for it."""
    if not (config.getoption("share") or config.getoption("costs")):
        return
    costs = json.loads(COSTS.read_text(encoding="utf-8"))
    if config.getoption("share"):
        kept = tried((item.nodeid for item in items), costs, share_of_commit())
        config.hook.pytest_deselected(items=[item for item in items if item.nodeid not in kept])
        items[:] = [item for item in items if item.nodeid in kept]
    items.sort(key=lambda item: -sum(costs.get(_file(item.nodeid), (0.0, 0.0))))


def pytest_configure(config):
    """Add up what files cost, in the process that hears of all tests."""
    if config.getoption("costs") and not hasattr(config, "workerinput"):
        config.pluginmanager.register(_Costs(config.getoption("costs")))


class _Costs:
    def __init__(self, path: Path) -> None:
        self._path = path
        self._spent: defaultdict[str, Counter[str]] = defaultdict(Counter)

    def pytest_runtest_logreport(self, report):
        """Add the seconds of a test, or of what was made for it and others."""
        part = "own" if report.when == "call" else "shared"
        self._spent[_file(report.nodeid)][part] += report.duration

    def pytest_sessionfinish(self):
        """Write the costly files, whole seconds only: what changes less is noise."""
        costs = {
            file: (round(spent["shared"]), round(spent["own"]))
            for file, spent in sorted(self._spent.items())
            if spent.total() >= COSTLY_S and not file.startswith(ALWAYS)
        }
        lines = ",\n".join(f"{json.dumps(file)}: {json.dumps(cost)}" for file, cost in costs.items())
        self._path.write_text(f"{{\n{lines}\n}}\n", encoding="utf-8")
