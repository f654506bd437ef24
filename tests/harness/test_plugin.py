"""The pytest plugin: profiles as tests, tables instead of tracebacks, JUnit XML that others can read."""

from __future__ import annotations

import shutil
import subprocess
import sys
from types import SimpleNamespace
from xml.etree import ElementTree

import pytest
from junitparser import JUnitXml
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED, SHIPPED_BENCH
from ventproof.log.read import begin_of
from ventproof.runset.manifest import read_manifest


@pytest.fixture
def pytest_profiles(tmp_path, monkeypatch, capsys):
    """Run pytest on profiles in this process, in a folder of its own."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "pytest.ini").write_text("[pytest]\n", encoding="utf-8")
    monkeypatch.delenv("PYTEST_ADDOPTS", raising=False)
    monkeypatch.delenv("PYTEST_XDIST_WORKER", raising=False)

    def call(*words):
        others = ("cacheprovider", "xdist", "faulthandler", "hypothesispytest")
        without = [word for name in others for word in ("-p", f"no:{name}")]
        capsys.readouterr()
        code = pytest.main([*without, "-c", "pytest.ini", "--capture=no", *map(str, words)])
        said = capsys.readouterr()
        return SimpleNamespace(returncode=code, stdout=said.out, stderr=said.err)

    return call


@pytest.fixture
def few_profiles(tmp_path):
    """A folder of three shipped profiles."""
    folder = tmp_path / "suite"
    folder.mkdir()
    for name in ("rain-closes-holds-releases", "rain-contact-bounce-ignored", "rain-count"):
        shutil.copy(shipped_path(name), folder)
    return folder


@pytest.fixture
def faulty_bench(tmp_path):
    """A bench file whose mock unit ignores rain."""
    path = tmp_path / "faulty.bench"
    path.write_text(
        SHIPPED_BENCH.read_text(encoding="utf-8") + "  faults: {ignores_rain: 1}\n", encoding="utf-8"
    )
    return path


def test_each_profile_is_one_test(pytest_profiles):
    """`--collect-only` lists a test a profile, by its name, and runs nothing."""
    done = pytest_profiles(SHIPPED, "--bench", SHIPPED_BENCH, "--collect-only", "-q")
    assert done.returncode == 0
    listed = [line for line in done.stdout.splitlines() if "::" in line]
    assert len(listed) == len(list(SHIPPED.rglob("*.yaml")))
    assert any(
        line.endswith("rain-count.yaml::every closure of the rain contact is counted") for line in listed
    )


def test_a_healthy_unit_is_green_and_leaves_its_log(pytest_profiles, tmp_path):
    """A passing profile is a passing test; its log is where `--records` says."""
    done = pytest_profiles(
        SHIPPED, "--bench", SHIPPED_BENCH, "-k", "closure", "--records", tmp_path / "logs", "-q"
    )
    assert done.returncode == 0
    assert "1 passed, " in done.stdout
    assert len(list((tmp_path / "logs").glob("*.jsonl"))) == 1


def test_pytest_started_anew_finds_the_plugin(tmp_path):
    """In a process of its own the installed plugin is there by itself, and a failure is no traceback."""
    faulty = SHIPPED_BENCH.read_text(encoding="utf-8") + "  faults: {ignores_rain: 1}\n"
    (tmp_path / "faulty.bench").write_text(faulty, encoding="utf-8")
    words = [shipped_path("rain-closes-holds-releases"), "--bench", "faulty.bench", "-p", "no:cacheprovider"]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", *words, "--rootdir", tmp_path],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
    )
    assert done.returncode == 1
    assert "roof_vent reaches 8 % ± 2 %" in done.stdout
    assert "Traceback" not in done.stdout


def test_a_failure_is_the_table_of_findings(pytest_profiles, faulty_bench):
    """What failed is shown as a table with its reason, without a traceback."""
    done = pytest_profiles(shipped_path("rain-closes-holds-releases"), "--bench", faulty_bench)
    assert done.returncode == 1
    assert "roof_vent reaches 8 % ± 2 %" in done.stdout
    assert "fail" in done.stdout
    assert "digest" in done.stdout
    assert "Traceback" not in done.stdout
    assert "engine.py" not in done.stdout


def test_what_nobody_can_say_is_an_error_and_no_failure(pytest_profiles, few_profiles, tmp_path):
    """A reading that contradicts itself leaves the run without a verdict: JUnit calls it `error`, as `run` does."""
    bench = tmp_path / "stale.bench"
    bench.write_text(
        SHIPPED_BENCH.read_text(encoding="utf-8") + "  faults: {stale_registers: 1}\n", encoding="utf-8"
    )
    report = tmp_path / "report.xml"
    done = pytest_profiles(
        few_profiles / "rain-closes-holds-releases.yaml", "--bench", bench, f"--junit-xml={report}"
    )
    assert done.returncode != 0
    assert "1 error" in done.stdout
    (case,) = ElementTree.parse(report).iter("testcase")
    assert case.find("failure") is None
    assert "aborted: " in case.find("error").get("message")


def test_the_profile_after_an_aborted_one_is_run(pytest_profiles, few_profiles, tmp_path):
    """One hiccup ends one run, three in a row end the suite, as `run` has it."""
    bench = tmp_path / "stale.bench"
    bench.write_text(
        SHIPPED_BENCH.read_text(encoding="utf-8") + "  faults: {stale_registers: 1}\n", encoding="utf-8"
    )
    for name in ("rain-a", "rain-b"):
        shutil.copy(shipped_path("rain-closes-holds-releases"), few_profiles / f"{name}.yaml")
    done = pytest_profiles(few_profiles, "--bench", bench, "-q")
    assert "3 errors" in done.stdout
    assert "nothing more is driven: 3 runs in a row were aborted" in done.stdout
    manifest = read_manifest(tmp_path / "records" / "series.manifest.json")
    assert [one.outcome for one in manifest.left] == ["aborted", "aborted", "aborted", "not run", "not run"]


def test_a_port_that_is_not_there_is_told_before_anything_runs(pytest_profiles, few_profiles, tmp_path):
    """With the key of the bench file; no log is begun."""
    text = SHIPPED_BENCH.with_name("mock-rtu.yaml").read_text(encoding="utf-8")
    (tmp_path / "rtu.bench").write_text(text.replace("/tmp/ventproof", str(tmp_path)), encoding="utf-8")
    done = pytest_profiles(few_profiles, "--bench", tmp_path / "rtu.bench", "--confirm-clear")
    assert done.returncode == 4
    assert f"port {tmp_path}/unit" in done.stderr
    assert not list(tmp_path.glob("records/*.jsonl"))


def test_x_stops_at_the_first_failure(pytest_profiles, few_profiles, faulty_bench, tmp_path):
    """`-x` works as for any test, and the manifest of the set says what was not run, and why."""
    done = pytest_profiles(few_profiles, "--bench", faulty_bench, "-x", "-q")
    assert done.returncode == 1
    assert "1 failed" in done.stdout
    assert "stopping after 1 failures" in done.stdout
    manifest = read_manifest(tmp_path / "records" / "series.manifest.json")
    assert [one.outcome for one in manifest.left] == ["fail", "not run", "not run"]
    assert manifest.broken_off == "stopping after 1 failures"


def test_junit_xml_is_read_by_an_independent_parser(pytest_profiles, few_profiles, faulty_bench, tmp_path):
    """JUnit XML carries a case a profile, the failure's table, and the log's path and digest (parser: junitparser)."""
    report = tmp_path / "report.xml"
    pytest_profiles(few_profiles, "--bench", faulty_bench, f"--junit-xml={report}")
    cases = [case for suite in JUnitXml.fromfile(str(report)) for case in suite]
    assert len(cases) == 3
    failed = [case for case in cases if case.result]
    assert failed
    messages = [case.result[0].message for case in failed]
    assert all("\n" not in message and len(message) < 200 for message in messages)
    assert any(m.startswith("fail: rain_override is on within 3 s: ") for m in messages)
    assert any("roof_vent reaches 8 %" in (case.result[0].text or "") for case in failed)
    names = {p.get("name") for p in ElementTree.parse(report).iter("property")}
    assert names == {"log", "digest"}


def test_a_wrong_profile_stops_before_anything_runs(pytest_profiles, tmp_path):
    """A fault in a file is a collection error with its line, and no profile runs."""
    (tmp_path / "right.yaml").write_text(shipped_path("rain-count").read_text(encoding="utf-8"))
    wrong = shipped_path("rain-count").read_text(encoding="utf-8").replace("times:", "tims:")
    (tmp_path / "wrong.yaml").write_text(wrong, encoding="utf-8")
    done = pytest_profiles(tmp_path, "--bench", SHIPPED_BENCH)
    assert done.returncode == 2
    assert f"wrong.yaml:{wrong[: wrong.index('tims:')].count(chr(10)) + 1}:" in done.stdout
    assert "Traceback" not in done.stdout
    assert not (tmp_path / "records").exists()


def test_a_wrong_bench_file_is_a_usage_error(pytest_profiles, tmp_path):
    """A fault in the bench file ends pytest with its place."""
    bench = tmp_path / "wrong.bench"
    text = SHIPPED_BENCH.read_text(encoding="utf-8").replace("poll_every", "pol_every")
    bench.write_text(text)
    done = pytest_profiles(SHIPPED, "--bench", bench)
    assert done.returncode == 4
    place = text[: text.index("pol_every")].count("\n") + 1
    assert (
        f"wrong.bench:{place}:5: the key 'pol_every' is unknown here; did you mean 'poll_every'?"
        in done.stderr
    )


def test_real_outputs_need_a_word_that_all_is_clear(pytest_profiles):
    """Without `--confirm-clear` nothing real is driven."""
    done = pytest_profiles(SHIPPED, "--bench", SHIPPED_BENCH.parent / "mock-rtu.yaml")
    assert done.returncode == 4
    assert "give --confirm-clear once all vents and drives are clear of people and guarded" in done.stderr


def test_without_a_bench_the_plugin_keeps_quiet(pytest_profiles, tmp_path):
    """YAML files are nobody's tests unless `--bench` is given."""
    (tmp_path / "a.yaml").write_text("profile: x\n")
    assert "no tests ran" in pytest_profiles(tmp_path).stdout


def test_old_names_of_options_and_keys_are_warned_of(pytest_profiles, few_profiles):
    """They do what they did; pytest's help shows the new options alone."""
    old = few_profiles / "rain-count.yaml"
    old.write_text(old.read_text(encoding="utf-8").replace("purpose:", "why:"), encoding="utf-8")
    done = pytest_profiles(old, "--bench", SHIPPED_BENCH, "--use=rain=rain", "--clear", "-Walways")
    assert done.returncode == 0
    for said in (
        "`--use` is now `--map`",
        "`--clear` is now `--confirm-clear`",
        "18:51: `why` is now `purpose`",
    ):
        assert said in done.stdout
    shown = pytest_profiles("--help").stdout
    assert "--map" in shown
    assert "--use=" not in shown
    assert "--clear" not in shown


def test_papers_of_an_acceptance_stand_in_the_logs_and_a_waived_fail_stays_one(
    pytest_profiles, faulty_bench, tmp_path
):
    """Both files are pinned, their unit counts, a misspelt step is a warning, and another unit ends pytest at once."""
    papers, waivers = SHIPPED_BENCH.parent / "papers", tmp_path / "waivers.txt"
    text = (papers / "waivers.yaml").read_text(encoding="utf-8")
    waivers.write_text(text.replace("step: rain ends", "step: rain end"), encoding="utf-8")
    words = [shipped_path("rain-closes-holds-releases"), "--bench", faulty_bench, "--waivers", waivers, "-q"]
    words += ["--acceptance", papers / "acceptance.yaml"]
    done = pytest_profiles(*words)
    assert (
        done.returncode,
        "its profile has no step 'rain end'; did you mean 'rain ends'?" in done.stdout,
    ) == (1, True)
    (log,) = (tmp_path / "records").glob("*.jsonl")
    head = begin_of(log).header
    assert (head.unit, head.waivers.name, head.acceptance.name) == (
        "V-1042",
        "waivers.txt",
        "acceptance.yaml",
    )
    done = pytest_profiles(*words, "--unit", "V-7")
    assert (done.returncode, "unit 'V-1042' contradicts 'V-7'" in done.stderr) == (4, True)
