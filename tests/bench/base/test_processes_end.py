"""Worker processes: none outlives the process that started it, whatever ends that one."""

import signal
import subprocess
import sys

import pytest

PARENT = """
import signal
from ventproof_bench.base.processes import worker_processes

if __name__ == "__main__":
    with worker_processes(2, method={method!r}, begin=print, arguments=("begun",)) as pool:
        for _ in range(3):
            pool.submit(signal.pause)
        pool.submit(print).result()
"""


@pytest.mark.parametrize("method", ["spawn", "forkserver"])
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT], ids=lambda n: n.name)
def test_workers_end_with_the_process_that_started_them(number, method, tmp_path):
    """Their shared standard output is closed soon after the parent was ended amid tasks that never end."""
    script = tmp_path / "parent.py"
    script.write_text(PARENT.format(method=method), encoding="utf-8")
    with subprocess.Popen(
        [sys.executable, "-u", script], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as parent:
        # Both, so that the parent waits: Python can lose a Ctrl-C that comes while it starts a process.
        assert [parent.stdout.readline() for _ in range(2)] == ["begun\n"] * 2
        parent.send_signal(number)
        try:
            parent.communicate(timeout=10)
        finally:
            parent.kill()
    assert parent.returncode == -number
