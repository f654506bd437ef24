"""How often buses brought no evidence: counted once, and told by every output; nothing is said where all came."""

from __future__ import annotations

import json
from xml.etree import ElementTree

from ventproof.log.events import GapSeen, PollSeen
from ventproof.log.gaps import GapCounter, gaps_text, together
from ventproof.session.repeats import RepeatSeries
from ventproof.terminal.findings import show
from ventproof_bench.base.evidence import Gap, Poll, Unread


def gap(bus, reason, at_s=1.0):
    return GapSeen(at_s, Gap(bus, at_s - 0.5, at_s, reason))


def poll(bus, *unread):
    return PollSeen(
        1.0, Poll(bus, 0.9, 1.0, {}, "input", 0, (), tuple(Unread(name, "nan") for name in unread))
    )


EVENTS = [
    gap("unit", "timeout"),
    gap("unit", "exception"),
    gap("unit", "exception"),
    gap("unit", "idle"),
    poll("unit", "roof_vent", "side_vent"),
    poll("unit"),
    gap("field", "disconnected"),
    gap("field", "withdrawn"),
]


def gaps_of(events):
    counter = GapCounter()
    for event in events:
        counter.feed(event)
    return counter.found


def test_each_kind_is_counted_on_its_bus():
    """Time-outs, exceptions, lost connections, withdrawn readings and unread values; idle time is nobody's fault."""
    assert gaps_text(gaps_of(EVENTS)) == (
        "bus unit: 1 time-out, 2 exceptions, 2 unread values; bus field: 1 disconnection, 1 withdrawal"
    )
    assert gaps_of([poll("unit"), gap("unit", "idle")]) == ()


def test_several_runs_are_told_of_together():
    """The sums of all runs, bus by bus."""
    both = together([gaps_of(EVENTS), (), gaps_of(EVENTS[:2])])
    assert gaps_text(both[:1]) == "bus unit: 2 time-outs, 3 exceptions, 2 unread values"


BUSY = """
profile: busy now and then
needs:
  outputs: {rain: contact}
  signals: {rain_count: count}
start:
  set: {rain: open}
  until: [{signal: rain_count, unchanged: {for: 1 s}}]
steps:
  - step: a minute passes
    expect:
      - {signal: rain_count, counts: 0, within: 60 s}
"""


def test_exceptions_of_a_run_that_passes_stand_in_every_output(run, ventproof, tmp_path, capsys):
    """The terminal, the page, JUnit, Markdown and JSON tell how many; of a run without any none says a word."""
    for faults in (("replies_busy",), ()):
        result = run(BUSY, faults=faults)
        assert result.outcome.verdict == "pass"
        number = sum(one.counts["exception"] for one in result.gaps)
        assert (number > 0) is bool(faults)
        show([RepeatSeries((result,))], None, quiet=True)
        told = {"terminal": capsys.readouterr().out, "judged": ventproof("judge", result.log)[1]}
        for ending in ("html", "xml", "md", "json"):
            assert ventproof("report", result.log, "-o", tmp_path / f"report.{ending}")[0] == 0
            told[ending] = (tmp_path / f"report.{ending}").read_text(encoding="utf-8")
        properties = {
            one.get("name"): one.get("value")
            for one in ElementTree.fromstring(told.pop("xml")).iter("property")
        }
        gaps = json.loads(told.pop("json"))["runs"][0]["gaps"]
        said = f"bus unit: {number} exceptions"
        if faults:
            assert properties["gaps"] == said
            assert gaps == [{"bus": "unit", "counts": {"exception": number}}]
            assert {where for where, text in told.items() if said not in text} == set()
        else:
            assert "gaps" not in properties
            assert gaps == []
            assert {where for where, text in told.items() if "o evidence at times" in text} == set()
