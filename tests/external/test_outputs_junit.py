"""JUnit XML read back by junitparser, an independent reader, from logs of real runs of the mock.

The format has no standard of its own; what two of junitparser's dialects agree on is taken as common practice.
"""

from __future__ import annotations

import pytest
from junitparser import Error, Failure, JUnitXml, Skipped, xunit2
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH, with_faults
from ventproof.cli.report import write_output
from ventproof.profile.load import load_profile
from ventproof.rejudge.batch import judged_batch
from ventproof.run.view import SilentView
from ventproof.session.session import Session
from ventproof_bench.benchcheck.load import load_bench


@pytest.fixture(scope="module")
def batch(tmp_path_factory):
    """A run that passed, one that failed, one that was cut off, and a file that is no log."""
    folder = tmp_path_factory.mktemp("logs")
    profile = load_profile(shipped_path("rain-while-partly-open"))
    logs = []
    for name, faults in (("good", ()), ("slow", ("slow_travel=4",)), ("cut", ())):
        bench = with_faults(load_bench(SHIPPED_BENCH), faults)
        session = Session(
            bench=bench, out=folder / name, unit="GH-7", firmware=name, operator="A. <Muster> & B."
        )
        logs.append(session.run(profile, SilentView()).log)
    whole = logs[2].read_bytes().splitlines(keepends=True)
    logs[2].write_bytes(b"".join(whole[:-1]))
    lost = folder / "no-log.jsonl"
    lost.write_bytes(b"".join(whole[1:]))
    return judged_batch([*logs, lost])


@pytest.mark.parametrize("dialect", [JUnitXml, xunit2.JUnitXml])
def test_an_independent_reader_finds_what_the_logs_hold(dialect, batch, tmp_path):
    """Suites, tests, ends, messages and properties are read back as the logs say them."""
    write_output(tmp_path / "results.xml", batch)
    suites = list(dialect.fromfile(str(tmp_path / "results.xml")))
    given = ("good, no faults", "slow, fault slow_travel=4", "cut, no faults")
    names = [f"rain while the vents are partly open, firmware {one}" for one in given]
    assert [suite.name for suite in suites] == [*names, batch.lost[0].log]
    good, slow, cut, lost = suites
    assert (good.tests, good.failures, good.errors) == (len(batch.runs[0].run.findings), 0, 0)
    assert all(case.is_passed for case in good)
    assert slow.failures == sum(f.verdict == "fail" for f in batch.runs[1].run.findings) > 0
    skipped = [f.skipped for f in batch.runs[1].run.findings]
    assert slow.skipped == sum(skipped) > 0
    inconclusive = [f.verdict == "inconclusive" for f in batch.runs[1].run.findings]
    assert slow.errors == sum(inconclusive) - sum(skipped)
    ends = [type(result) for case in slow for result in case.result]
    assert ends.count(Failure) == slow.failures
    assert ends.count(Error) == slow.errors
    assert ends.count(Skipped) == slow.skipped
    messages = {result.message for case in slow for result in case.result if isinstance(result, Failure)}
    assert messages == {f.why for f in batch.runs[1].run.findings if f.verdict == "fail"}
    assert not any(case.is_passed for case in cut)
    assert [(suite.tests, suite.errors) for suite in (cut, lost)] == [(1, 1), (1, 1)]
    assert {p.name: p.value for p in good.properties()}["operator"] == "A. <Muster> & B."
    assert {p.name: p.value for p in good.properties()}["digest"] == batch.runs[0].run.digest


def test_an_independent_reader_counts_the_same(batch, tmp_path):
    """The totals that the file states are those that the reader counts itself."""
    write_output(tmp_path / "results.xml", batch)
    read = JUnitXml.fromfile(str(tmp_path / "results.xml"))
    stated = (read.tests, read.failures, read.errors)
    read.update_statistics()
    assert (read.tests, read.failures, read.errors) == stated
