"""`ventproof check`: what can never be decided is an error, what nobody can fail a warning, each told once."""

from __future__ import annotations

import subprocess
import sys

from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH

PROFILE = """
profile: small
needs:
  outputs: {rain: contact}
  signals: {roof_vent: "%"}
steps:
  - step: rain
    do: [close: rain]
    expect:
      - {signal: roof_vent, DEMAND}
"""


def test_what_nobody_can_fail_is_a_warning_and_what_nobody_can_pass_an_error(ventproof, tmp_path):
    """The warning leaves exit code 0; the error is code 3, in `run` as well, and names the cure."""
    path = tmp_path / "p.yaml"
    path.write_text(PROFILE.replace("DEMAND", "stays_at_least: 0 %, for: 9 s"))
    code, out, _ = ventproof("check", path, "--bench", SHIPPED_BENCH)
    assert code == 0
    assert out.count("no unit can fail this on this bench") == 1
    path.write_text(PROFILE.replace("DEMAND", "stays: 8 %, tolerance: 0.1 %, for: 9 s"))
    for command in (["check", path], ["run", path]):
        code, out, err = ventproof(*command, "--bench", SHIPPED_BENCH)
        assert code == 3
        assert (out + err).count(
            "however right: 'roof_vent' is read every 0.1 s to ± 0.25 %, up to 0.2 s late; write `tolerance: "
        ) == 1


def test_a_wrong_structure_says_that_the_rest_was_not_checked(ventproof, tmp_path):
    """Nobody takes the one slip for all that is wrong."""
    path = tmp_path / "p.yaml"
    path.write_text(PROFILE.replace("steps:", "stepz:"))
    code, _, err = ventproof("check", path)
    assert code == 3
    assert "the key 'stepz' is unknown here" in err
    assert f"{path}: its names and limits were not checked; correct its structure, then check again" in err


def test_a_profile_alone_is_checked_without_bench_loop_and_tables():
    """A process that checks one profile imports no bench file's model, no mock, no asyncio and no rich."""
    command = [
        sys.executable,
        "-X",
        "importtime",
        "-m",
        "ventproof",
        "check",
        str(shipped_path("rain-count")),
    ]
    said = subprocess.run(command, check=True, capture_output=True, text=True).stderr
    imported = {line.rpartition("|")[2].strip() for line in said.splitlines()}
    assert "ventproof.profile.load" in imported
    unneeded = ("ventproof_bench.benchfile", "ventproof_bench.mock", "ventproof.terminal", "asyncio", "rich")
    assert not {name for name in imported if name.startswith(unneeded)}
