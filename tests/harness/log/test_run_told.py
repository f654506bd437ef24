"""What a log holds of its run, as plain data."""

from __future__ import annotations

from dataclasses import replace

import pytest
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH, with_faults
from ventproof.log.events import FindingMade, OtherEvent
from ventproof.log.read import read_log
from ventproof.log.run import results_of
from ventproof.profile.load import load_profile
from ventproof.run.view import SilentView
from ventproof.session.session import Session
from ventproof.verdict.finding import Status, Verdict
from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import load_bench
from ventproof_bench.mock.faults.fault import GivenFault


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    """Run the rain profile on the mock, healthy or not; return what was run and its log."""

    def run(*faults):
        bench = with_faults(load_bench(SHIPPED_BENCH), faults)
        session = Session(
            bench=bench,
            out=tmp_path_factory.mktemp("logs"),
            unit="GH-7",
            firmware="2.4",
            operator="A. Tester",
            seed=3,
        )
        return session.run(load_profile(shipped_path("rain-closes-holds-releases")), SilentView())

    return run


@pytest.fixture(scope="module")
def good(log):
    return log()


def test_a_record_says_what_ran_on_what_and_how_it_ended(good):
    """Unit, firmware, operator, seed, verdict and digest are those of the run."""
    record = results_of(read_log(good.log))
    assert (record.unit, record.firmware, record.operator, record.seed) == ("GH-7", "2.4", "A. Tester", 3)
    assert (record.digest, record.verdict, record.reason, record.closed) == (good.digest, "pass", "", True)
    assert (record.clock, record.started, record.repeat, record.decision) == ("virtual", None, 1, "guarded")
    assert record.profile == good.profile
    assert record.duration_s > 100


def test_findings_are_those_of_the_run(good):
    """Each response has its kind, its windows and where the signal stood when its step ended."""
    record = results_of(read_log(good.log))
    assert len(record.findings) == len(good.findings)
    for finding, made in zip(record.findings, good.findings, strict=True):
        assert replace(finding, stood=None) == made
    closes = next(f for f in record.findings if (f.step, f.kind, f.signal) == (1, "reaches", "roof_vent"))
    assert closes.stood == pytest.approx(8, abs=1)
    assert closes.verdict is Verdict.PASS


def test_an_invariant_has_a_kind_and_no_step(good):
    """What holds through the whole run stands in no step."""
    for finding in results_of(read_log(good.log)).findings:
        assert (finding.kind == "always") is (finding.step is None)


def test_faults_of_the_mock_are_in_the_record(log, good):
    """Those of `--fault` and of the bench file alike, by name, with their severity; a healthy unit has none."""
    made = results_of(read_log(log("slow_travel=0.2", "no_debounce").log))
    assert made.faults == (GivenFault("no_debounce", 1), GivenFault("slow_travel", 0.2))
    assert results_of(read_log(good.log)).faults == ()


@pytest.mark.parametrize(
    ("text", "clock", "faults"),
    [
        ("mock: {faults: {runs_on: 3}}", "virtual", (GivenFault("runs_on", 3),)),
        ("mock: {}", "virtual", ()),
        ("buses: {}", "virtual", ()),
        ("", "virtual", None),
        ("mock: {faults: [runs_on]}", "virtual", None),
        ("mock: {faults: {runs_on: many}}", "virtual", None),
        ("mock: {faults: {runs_on: 1e99}}", "virtual", None),
        ("mock: {faults: {", "virtual", None),
        ("mock: &a {faults: *a}", "virtual", None),
        ("mock: {faults: {", "wall", ()),
    ],
)
def test_a_bench_file_that_cannot_be_read_leaves_the_faults_unknown(good, text, clock, faults):
    """What a log pins is not trusted; on real wires there is no mock that could have faults."""
    state = read_log(good.log)
    first = state.events[0]
    header = replace(first.header, clock=clock, bench=replace(first.header.bench, text=text))
    changed = replace(state, events=(replace(first, header=header), *state.events[1:]))
    assert results_of(changed).faults == faults


def test_a_torn_log_is_aborted_and_keeps_its_findings(good, tmp_path):
    """A killed run's log tells why it has no verdict, and what had been found by then."""
    lines = good.log.read_bytes().splitlines(keepends=True)
    (tmp_path / "torn.jsonl").write_bytes(b"".join(lines[:-4]))
    record = results_of(read_log(tmp_path / "torn.jsonl"))
    assert (record.verdict, record.closed) == ("aborted", False)
    assert "closing line is missing" in record.reason
    assert record.findings


def test_a_changed_log_is_aborted_and_says_where(good, tmp_path):
    """A chain that breaks gives no verdict, whatever the closing line says."""
    lines = good.log.read_bytes().splitlines(keepends=True)
    (tmp_path / "changed.jsonl").write_bytes(b"".join([*lines[:-3], lines[-1]]))
    record = results_of(read_log(tmp_path / "changed.jsonl"))
    assert record.verdict == "aborted"
    assert "breaks the chain" in record.reason


def test_what_is_no_run_is_refused(good):
    """A self-check's log is one clear error."""
    state = read_log(good.log)
    with pytest.raises(FileError, match=r"x\.jsonl:1: it holds no run of a profile"):
        results_of(replace(state, events=(OtherEvent(0.0, "selfcheck_begin", {}),)), "x.jsonl")


@pytest.mark.parametrize(
    ("closing", "found", "reason"),
    [
        ("pass", ("pass", "fail"), "says pass, and not all of its findings do"),
        ("pass", ("inconclusive",), "says pass, and not all of its findings do"),
        ("pass", (), "says pass, and it holds no finding"),
        ("fail", ("pass", "inconclusive"), "says fail, and none of its findings does"),
    ],
)
def test_a_verdict_that_its_own_findings_contradict_is_none(closing, found, reason, good):
    """Whoever chains a log anew gains no green line with CI: nothing that disagrees with itself is a verdict."""
    state = read_log(good.log)
    one = next(event for event in state.events if isinstance(event, FindingMade))
    first, end = state.events[0], replace(state.events[-1], verdict=Verdict(closing))
    made = (replace(one, finding=replace(one.finding, status=Status(word))) for word in found)
    forged = replace(state, events=(first, *made, end))
    record = results_of(forged)
    assert (record.verdict, reason in record.reason) == ("aborted", True)
