"""What became of the unit's settings is told after a run, and in its report."""

from __future__ import annotations

import pytest
from shipped_profiles import shipped_path

from ventproof.log.events import OutputDriven, SettingFound, StimulusApplied
from ventproof.log.settings import settings_of
from ventproof_bench.base.evidence import DrivenOutput, FoundSetting, Window

NOW = Window(0.0, 0.0)
FOUND = SettingFound(0.0, FoundSetting("delay", "s", NOW, (450,), 45.0))
UNREAD = SettingFound(0.0, FoundSetting("delay", "s", NOW, trouble="no reply"))
WRITTEN = StimulusApplied(1.0, None, "pause", "write 12 s to pause", window=NOW, value=12.0)


def back(value):
    return OutputDriven(2.0, DrivenOutput("delay", "restore", NOW, words=(1,), value=value, unit="s"))


@pytest.mark.parametrize(
    ("events", "said"),
    [
        ([], []),
        ([FOUND], ["delay: found 45 s, never written"]),
        ([FOUND, WRITTEN, back(45.0)], ["delay: found 45 s, written and put back"]),
        ([FOUND, WRITTEN, back(30.0)], ["delay: found 45 s, written and left at 30 s"]),
        ([FOUND, WRITTEN], ["delay: found 45 s, written and NOT PUT BACK"]),
        ([FOUND, WRITTEN, back(45.0), WRITTEN], ["delay: found 45 s, written and NOT PUT BACK"]),
        ([UNREAD, WRITTEN, back(30.0)], ["delay: cannot be read (no reply), written and left at 30 s"]),
    ],
)
def test_each_setting_has_its_story(events, said):
    """What was found, whether anything was written under whichever name, and what was left there last."""
    assert [str(told) for told in settings_of(events, {"pause": "delay"})] == said


def test_the_terminal_and_the_report_tell_of_settings(ventproof, bench_text, tmp_path):
    """One line after the runs says what each setting was and which runs wrote it; in the report each run says it."""
    late = tmp_path / "late.yaml"
    late.write_text(
        bench_text.replace("    release_delay: 30 s\n", "    release_delay: 45 s\n"), encoding="utf-8"
    )
    profiles = [shipped_path(name) for name in ("rain-count", "power-keeps-the-delays")]
    _, out, _ = ventproof("run", *profiles, "--bench", late, "--quiet", "--report", "report.html")
    assert (
        "\nsettings of the unit: "
        "house_temperature: found 18 °C, never written (1 of 2 runs), written and put back (1 of 2 runs); "
        "rain_release_delay: found 45 s, never written (1 of 2 runs), written and put back (1 of 2 runs)\n"
    ) in out
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    for fate in ("never written", "written and put back"):
        assert f"house_temperature: found 18 °C, {fate}; rain_release_delay: found 45 s, {fate}" in page


def test_a_quiet_suite_tells_why_runs_were_aborted(ventproof, bench_text, tmp_path):
    """The reason stands below the table, with the number of runs that it ended."""
    opens = tmp_path / "opens.yaml"
    interlock = "\ninterlock: {signal: rain_contact, healthy: 0}\nmock:"
    opens.write_text(bench_text.replace("\nmock:", interlock), encoding="utf-8")
    profiles = [shipped_path(name) for name in ("rain-count", "frost-closes-and-releases")]
    code, out, _ = ventproof("run", *profiles, "--bench", opens, "--quiet")
    assert code == 4
    reason = "the interlock rain_contact is not healthy (it reads 1, healthy is 0): nothing is driven"
    assert f"\naborted: {reason} (1 of 1 run)\n" in out
