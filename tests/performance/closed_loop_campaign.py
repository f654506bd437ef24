"""Run each shipped closed-loop suite against every fault of drives and feedback that the unit of its bench can have."""

from __future__ import annotations

import subprocess
import sys

from ventproof.cli.options import SHIPPED, SHIPPED_BENCH
from ventproof_bench.benchcheck.load import load_bench
from ventproof_bench.mock.faults.drives import DRIVE_FAULTS, FEEDBACK_FAULTS


def faults_of(suite: str) -> list[str]:
    """Return the names of the faults that fit the unit of a suite's bench."""
    mock = load_bench(SHIPPED_BENCH.with_name(f"loop-{suite}.yaml")).model.mock
    assert mock is not None, "a virtual bench has one"
    faults = (*DRIVE_FAULTS, *FEEDBACK_FAULTS)
    return [fault.name for fault in faults if not fault.needs or fault.needs in mock.parts]


def main() -> int:
    """Challenge the suites named on the command line, all unless stated; return the worst exit code."""
    folder = SHIPPED.parent / "drives"
    worst = 0
    for suite in sys.argv[1:] or sorted(path.name for path in folder.iterdir()):
        bench = SHIPPED_BENCH.with_name(f"loop-{suite}.yaml")
        named = [word for fault in faults_of(suite) for word in ("--fault", fault)]
        command = [
            sys.executable,
            "-m",
            "ventproof",
            "challenge",
            str(folder / suite),
            "--bench",
            str(bench),
        ]
        worst = max(worst, subprocess.run([*command, *named], check=False).returncode)
    return worst


if __name__ == "__main__":
    sys.exit(main())
