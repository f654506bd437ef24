"""What was so already before its stimulus: no pass, unless the profile says that it is enough; every reader is told."""

from __future__ import annotations

import json
import re
from xml.etree import ElementTree

import pytest

from ventproof.log.read import read_log
from ventproof.rejudge.again import decide_again
from ventproof.verdict.finding import Status
from ventproof_bench.base.errors import FileError

HEAD = """
profile: rain on rain
needs:
  outputs: {rain: contact, house_temperature: °C}
  signals: {roof_vent: "%", rain_override: flag}
start:
  set: {rain: open}
  write: {house_temperature: 30 °C}
  until:
    - {signal: rain_override, equals: off, within: 3 s}
    - {signal: roof_vent, reaches: 92 %, tolerance: 2 %, within: 2 min, holds: 5 s}
steps:
  - step: rain begins
    do: [{close: rain}]
    expect:
      - {signal: rain_override, equals: on, within: 3 s}
      - {signal: roof_vent, reaches: 8 %, tolerance: 2 %, within: 35 s, holds: 5 s}
"""
AGAIN = """
  - step: rain again
    do: [{close: rain}]
    expect:
      - {signal: rain_override, equals: on, within: 3 s%s}
      - {signal: roof_vent, reaches: 8 %%, tolerance: 2 %%, within: 35 s, holds: 5 s%s}
      - {signal: roof_vent, stays: 8 %%, tolerance: 2 %%, for: 5 s}
"""
TWICE = HEAD + AGAIN % ("", "")
ENOUGH = HEAD + AGAIN % (", already_so: enough", ", already_so: enough")


def test_what_was_so_already_is_no_pass(run):
    """Start state and `stays` may be so before; what was demanded anew is inconclusive, says why, and ends the run."""
    result = run(TWICE)
    assert result.outcome.verdict == "inconclusive"
    hollow = [f for f in result.findings if f.hollow]
    assert [(f.step, f.number, f.status) for f in hollow] == [(2, n, Status.INCONCLUSIVE) for n in (0, 1)]
    assert all(
        f.why.startswith("already as required before the stimulus; begin the step in another state")
        for f in hollow
    )
    assert all(f.status is Status.PASS for f in result.findings if not f.hollow)


@pytest.mark.parametrize("decision", ["guarded", "simple"])
@pytest.mark.parametrize("text", [TWICE, ENOUGH], ids=["proof", "enough"])
def test_a_log_judged_again_says_the_same_of_what_was_so_already(run, text, decision):
    """What is hollow was found so live and is found so again, under both rules, to the digit."""
    result = run(text.replace("needs:", f"decision: {decision}\nneeds:", 1))
    again = decide_again(read_log(result.log))
    assert again.findings == again.before
    assert again.verdict == result.outcome.verdict
    assert sum(f.hollow for f in again.findings) == 2


def test_by_the_profiles_own_word_it_is_a_pass_that_every_output_marks(run, ventproof, tmp_path):
    """Demand and reason say it in the terminal, the page, JUnit, Markdown, JSON, the history and its page."""
    result = run(ENOUGH)
    assert result.outcome.verdict == "pass"
    assert [f.hollow for f in result.findings if f.step == 2] == [True, True, False]
    demand, why = "and may be so already", "the profile states that this is enough"
    code, shown, _ = ventproof("judge", result.log)
    assert code == 0
    flat = " ".join(re.sub(r"[│\s]+", " ", shown).split())
    assert "is on within 3 s, and may be so already" in flat
    for ending, marks in (
        ("html", (demand, why)),
        ("xml", (demand, f"<system-out>already as required before the stimulus; {why}")),
        ("md", (demand, f"already as required before the stimulus; {why}")),
        ("json", (demand, why, '"proves_nothing": true')),
    ):
        out = tmp_path / f"report.{ending}"
        assert ventproof("report", result.log, "-o", out)[0] == 0
        told = out.read_text(encoding="utf-8")
        assert not [mark for mark in marks if mark not in told], ending
    assert len(ElementTree.parse(tmp_path / "report.xml").findall(".//system-out")) == 2
    past, page = tmp_path / "h.sqlite", tmp_path / "runs.html"
    assert ventproof("history", "import", result.log, "--history", past)[0] == 0
    assert ventproof("history", "--history", past, "--html", page)[0] == 0
    assert why in page.read_text(encoding="utf-8")


def test_a_summary_of_runs_names_passes_that_show_nothing(ventproof, tmp_path, shipped):
    """After the runs the terminal says which passes show nothing, quiet or not."""
    profile = tmp_path / "enough.yaml"
    profile.write_text(ENOUGH, encoding="utf-8")
    bench = shipped["rain-count"].parents[3] / "bench/files/mock.yaml"
    code, shown, _ = ventproof("run", profile, "--bench", bench, "--quiet", "--out", tmp_path)
    assert code == 0
    assert (
        "rain-on-rain.jsonl: rain again: rain_override is on within 3 s, and may be so already"
        in " ".join(shown.split())
    )


def test_the_log_tells_what_is_hollow_in_a_field(run):
    """No reader has to understand a sentence."""
    lines = [json.loads(line) for line in run(TWICE).log.read_bytes().splitlines()]
    told = [line["hollow"] for line in lines if line["event"] == "finding"]
    assert told == [False] * 4 + [True, True, False]
    assert not [line for line in lines if line["event"] == "note" and "held" in line["text"]]


@pytest.mark.parametrize(
    ("said", "instead", "wrong"),
    [
        (
            "equals: off, within: 3 s}",
            "equals: off, within: 3 s, already_so: enough}",
            "the start state may be",
        ),
        (
            "reaches: 8 %, tolerance: 2 %, within: 35 s, holds: 5 s}\n",
            "returns: 8 %, tolerance: 2 %, not_before: 3 s, within: 35 s, already_so: enough}\n",
            "cannot be so already",
        ),
    ],
)
def test_the_word_is_refused_where_it_says_nothing(run, said, instead, wrong):
    """A condition of the start needs none, and what must not return too early cannot be so already."""
    with pytest.raises(FileError) as caught:
        run(HEAD.replace(said, instead, 1))
    (problem,) = caught.value.problems
    assert wrong in problem.reason
    assert "leave it out" in problem.hint
