"""A loop is made whole or not at all."""

import subprocess
import sys
from pathlib import Path

import pytest

LOW = """
import os, resource, sys
from ventproof_bench.base.clock import run
async def main(): return 7
run(main(), virtual={virtual})
here = len(os.listdir("/proc/self/fd")) - 1
_, most = resource.getrlimit(resource.RLIMIT_NOFILE)
resource.setrlimit(resource.RLIMIT_NOFILE, (here + {left}, most))
try:
    print(run(main(), virtual={virtual}))
except OSError as error:
    print(type(error).__name__, error.strerror)
"""


@pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="the system does not show what is open")
@pytest.mark.parametrize("virtual", [True, False])
@pytest.mark.parametrize("left", range(5))
def test_a_loop_that_finds_no_descriptors_left_is_one_clear_error(virtual, left):
    """Nothing else stands on standard error: no half loop complains as it is taken apart."""
    done = subprocess.run(
        [sys.executable, "-c", LOW.format(virtual=virtual, left=left)],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stderr == ""
    assert done.stdout in {"7\n", "OSError Too many open files\n"}
    assert (done.stdout == "7\n") is (left >= 3)
