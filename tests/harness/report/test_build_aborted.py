"""A fail that the evidence of an aborted run shows stands wherever the run is told of, and is no verdict of the run."""

from __future__ import annotations

import json
import signal
from xml.etree import ElementTree

import pytest

from ventproof.export.junit import junit
from ventproof.export.markdown import markdown
from ventproof.export.results import results_json
from ventproof.history.database import place_of
from ventproof.history.store import History
from ventproof.history.unit import groups_of_runs
from ventproof.log.events import FindingMade
from ventproof.log.read import read_log
from ventproof.profile.load import read_profile
from ventproof.rejudge.again import decide_again
from ventproof.rejudge.batch import judged_batch
from ventproof.rejudge.standing import with_evidence
from ventproof.report.build import report_of
from ventproof.run.view import SilentView
from ventproof.session.resume import has_failed
from ventproof.session.session import Session
from ventproof.verdict.finding import Status
from ventproof_bench.benchcheck.load import read_bench

RAIN = """
profile: rain that a limit ends
needs: {outputs: {rain: contact}, signals: {rain_override: flag, roof_vent: "%"}}
start: {until: [{signal: rain_override, equals: off, within: 40 s}]}
steps:
  - step: rain
    do: [{close: rain}]
    expect:
      - {signal: rain_override, equals: "on", within: 500 ms}
      - {signal: roof_vent, reaches: 77 %, tolerance: 2 %, within: 50 s}
  - step: rain ends
    do: [{open: rain}]
    expect:
      - {signal: rain_override, equals: "off", within: 20 min}
"""
FAILED = "rain_override is on within 0.5 s"
ENDED = ["pass", "fail", "inconclusive", "not run"]


@pytest.fixture
def serial(bench_text):
    """The shipped bench on a serial line, where an aborted run logs no finding of its last step; 20 s of rain abort."""
    limited = bench_text.replace("\n  rain:\n", "\n  rain:\n    limits: {longest_driven: 20 s}\n", 1)
    return limited.replace("framing: tcp", "framing: rtu", 1)


@pytest.fixture
def aborted(run, serial):
    """A run that was aborted after a response had failed, of which its log says nothing."""
    done = run(RAIN, bench=serial)
    assert not any(isinstance(e, FindingMade) and e.finding.step for e in read_log(done.log).rare)
    return done


def test_a_report_tells_what_failed_before_a_run_was_aborted(aborted):
    """On its first page, in its table and on the page of the run; what was not judged is not left out."""
    report = report_of([aborted.log])
    assert report.cover.standing == "aborted"
    first, *_ = report.cover.complaints
    assert (first.verdict, first.response) == ("fail", FAILED)
    assert report.cover.cause == "rain_override did not come on in time."
    (row,) = report.cover.matrix.rows
    assert sorted(mark.verdict for cell in row.cells for mark in cell) == sorted(ENDED)
    (chapter,) = report.chapters
    assert chapter.says.endswith("Its responses: 1 passed, 1 failed, 1 inconclusive, 1 not run.")
    assert [one.verdict for step in chapter.steps for one in step.responses] == ENDED


def test_files_for_programs_tell_it_too(aborted):
    """JUnit has a failure, JSON and Markdown a fail; the run is aborted, and its passes are no share of all."""
    batch = judged_batch([aborted.log])
    assert (batch.verdict, batch.standing) == ("aborted", "aborted")
    (held,) = json.loads(results_json(batch))["runs"]
    assert (held["verdict"], [one["status"] for one in held["responses"]]) == ("aborted", ENDED)
    root = ElementTree.fromstring(junit(batch))
    ends = {case.get("name"): [end.tag for end in case] for case in root.iter("testcase")}
    assert ends["the whole run"] == ["error"]
    assert ends[f"rain: {FAILED}"] == ["failure"]
    assert ends["rain ends: rain_override is off within 20 min"] == ["skipped"]
    said = markdown(batch)
    assert "- **fail**: rain: rain\\_override is on within 0.5 s" in said
    assert "| ⛔ aborted | 1 passed, 1 failed, 1 inconclusive, 1 not run |" in said


def test_a_history_names_what_failed_beside_why_the_run_was_aborted(aborted, tmp_path):
    """As the cause of the run; the log alone does not hold it."""
    history = History(place_of(f"{tmp_path}/history.sqlite"), create=True)
    history.enter_log(aborted.log)
    (group,) = groups_of_runs(list(history.entries()))
    assert group.verdict == "aborted"
    assert group.cause.startswith("output rain: a limit of the bench file ends this: ")
    assert group.cause.endswith("; failed: rain_override did not change to the required state in time")


def test_the_run_itself_and_its_log_say_the_same(aborted):
    """What the terminal shows of a run is what judging its log again gives; such a run is not made again."""
    state = read_log(aborted.log)
    assert aborted.findings == decide_again(state).findings
    assert has_failed(state)


class _Interrupts(SilentView):
    """Interrupts the command after so many seconds of a run."""

    def __init__(self, at_s):
        self._at_s = at_s

    def event(self, event):
        if event.t_s > self._at_s:
            self._at_s = float("inf")
            signal.raise_signal(signal.SIGINT)


def test_whoever_interrupts_a_run_reads_what_had_failed(serial, tmp_path):
    """Below how the outputs were left."""
    session = Session(bench=read_bench("bench.yaml", serial), out=tmp_path)
    with pytest.raises(KeyboardInterrupt) as ended:
        session.run(read_profile("profile.yaml", RAIN), _Interrupts(at_s=20))
    *_, outputs, failed = str(ended.value).splitlines()
    assert outputs.startswith("outputs: all in their safe state")
    assert failed.startswith(f"failed before: rain: {FAILED}: still off at ")


@pytest.mark.parametrize(
    ("logged", "judged", "told"),
    [
        ("pass", "fail", "fail"),
        ("fail", "inconclusive", "fail"),
        ("pass", "inconclusive", "inconclusive"),
        (None, "fail", "fail"),
        ("fail", None, "fail"),
    ],
)
def test_of_an_aborted_run_the_worse_of_log_and_evidence_is_told(logged, judged, told, finding):
    """Nobody gets rid of a fail, and no pass is told that the evidence does not bear out; a whole run is as logged."""
    found = [finding(status=Status(logged))] if logged else []
    again = [finding(status=Status(judged))] if judged else []
    assert [str(one.status) for one in with_evidence(found, again, whole=False)] == [told]
    assert [one.status for one in with_evidence(found, again, whole=True)] == [one.status for one in found]
