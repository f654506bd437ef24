"""Files that are none: whatever stands where a file is wanted, a command ends with a line, and waits for nothing."""

from __future__ import annotations

import os

import pytest
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.log.archive import frames_of

PROFILE = str(shipped_path("rain-count"))
BENCH = str(SHIPPED_BENCH)
TABLE = str(SHIPPED_BENCH.with_name("mock-overrides.yaml"))

COMMANDS = [
    "check WHAT",
    f"check {PROFILE} --bench WHAT",
    f"run WHAT --bench {BENCH}",
    f"run {PROFILE} --bench WHAT",
    f"run {PROFILE} --bench {BENCH} --selfcheck WHAT",
    f"run {PROFILE} --bench {BENCH} --table WHAT",
    f"run {PROFILE} --bench {BENCH} --acceptance WHAT",
    f"run {PROFILE} --bench {BENCH} --waivers WHAT",
    f"run {PROFILE} --bench {BENCH} --sign WHAT",
    f"run --resume WHAT --bench {BENCH}",
    "judge WHAT",
    "verify WHAT",
    "archive WHAT",
    "archive --unpack WHAT",
    f"verify {PROFILE} --key WHAT",
    "report WHAT -o page.html",
    "bundle WHAT -o bundle.zip",
    "history --history WHAT",
    "history import --history new.sqlite WHAT",
    "history forget --history WHAT --newest 1 --confirm",
    "compare WHAT WHAT",
    f"draft WHAT --bench {BENCH}",
    "wiring WHAT -o sheet.html",
    "mock --as WHAT",
    "campaign WHAT",
    "worker 127.0.0.1 --bench WHAT",
    "reopen --bench WHAT",
    "rack WHAT",
]


@pytest.mark.parametrize("what", ["pipe", "/dev/zero", "/dev/null", "empty", "cut.zst", "nothing"])
@pytest.mark.parametrize("command", COMMANDS)
def test_what_is_no_file_is_refused_at_once(command, what, ended, tmp_path):
    """A named pipe that nobody writes to, a device, an empty file, half an archive and none: exit code 3, unfilled."""
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "empty").touch()
    (tmp_path / "cut.zst").write_bytes(next(frames_of([]))[:-5])
    code, said = ended(command.replace("WHAT", what))
    assert code == 3, said
    assert said.strip()
    assert "Traceback" not in said
    assert (tmp_path / "empty").stat().st_size == 0
