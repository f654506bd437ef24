"""A contact that was not moved as asked proves nothing."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof.case.counting import spoiled, unplayed
from ventproof.cli.options import SHIPPED_BENCH
from ventproof.log.clockwork import Clockwork
from ventproof.log.encode import fields_of
from ventproof.log.events import StimulusApplied, StimulusId
from ventproof.profile.bind import bind
from ventproof.profile.load import read_profile
from ventproof_bench.base.evidence import EdgeReport, Window
from ventproof_bench.benchcheck.load import load_bench

BENCH = load_bench(SHIPPED_BENCH)


def train(spans_s, *, width_s=0.01, late=(), lost=()):
    """Make the edges of a train: asked spans, each edge's window, edges that came late (number: seconds) or never."""
    edges, due = [], 10.0
    for number, span in enumerate([0.0, *spans_s]):
        due += span
        at = due + dict(late).get(number, 0.0)
        window = None if number in lost else Window(at, at + width_s)
        edges.append(EdgeReport(number % 2 == 0, due, window))
    return edges


@given(st.lists(st.floats(0.02, 5), min_size=1, max_size=20), st.floats(0, 0.01))
def test_a_train_on_time_is_in_order(spans_s, width_s):
    """Edges at their deadlines are what was asked for, whatever the spans."""
    assert spoiled(train(spans_s, width_s=width_s)) == ""


def test_a_hiccup_that_stretches_a_closure_spoils_the_train():
    """A closure of 0.3 s that lasted 0.8 s may be rain to the unit: it is said, with both times."""
    said = spoiled(train([0.3, 0.3, 0.3], late={1: 0.5}.items()))
    assert said.startswith("between edges 1 and 2 the contact was closed for about 0.8 s instead of 0.3 s")


def test_a_train_that_is_late_as_a_whole_is_still_the_train():
    """Lateness alone is in the windows; only the spans between edges make the stimulus."""
    assert spoiled(train([0.3, 0.3], late={0: 0.4, 1: 0.4, 2: 0.4}.items())) == ""


def test_a_lost_edge_spoils_the_train():
    """An edge that never left is counted and named."""
    assert spoiled(train([0.3, 0.3], lost={1})).startswith("1 of 3 edges never left the bench")


@pytest.mark.parametrize("edges", [[], train([])])
def test_one_edge_has_no_span(edges):
    """A single edge, or none, cannot be out of shape."""
    assert spoiled(edges) == ""


@given(st.floats(0.1, 60), st.floats(0.3, 5), st.booleans())
def test_a_command_given_again_spoils_only_what_may_be_another_span(span_s, wide_s, first):
    """Nobody knows when the edge went out: a long closure stays what was asked for, a short one may be another."""
    edges = train([span_s])
    at = 0 if first else 1
    window = edges[at].window
    edges[at] = replace(edges[at], window=Window(window.earliest_s, window.earliest_s + wide_s, again=True))
    said = spoiled(edges)
    off_s = (
        wide_s if first else wide_s + 0.01
    )  # by as much the true span may differ, the other's window included
    assert bool(said) is (off_s > max(0.005, 0.2 * span_s))
    assert not said or "since a reply was lost" in said


def test_an_edge_given_again_is_told_from_others_in_the_log():
    """It comes back from its line as it was; one that was not says nothing of it."""
    again = EdgeReport(True, 1.0, Window(1.0, 2.5, again=True))  # noqa: FBT003 - the contact's state
    plain = EdgeReport(False, 3.0, Window(3.0, 3.1))  # noqa: FBT003 - as above
    event = StimulusApplied(3.1, StimulusId(1, 0, None), "rain", "pulse", (again, plain))
    fields = fields_of(event)
    assert [edge.get("again") for edge in fields["edges"]] == [True, None]
    assert Clockwork(0.0).edges([again, plain]) == (again, plain)


COUNTS = """
profile: counts that are played, and counts that are not
needs: {outputs: {rain: contact, bucket: contact}, signals: {rain_count: count, tip_count: count}}
steps:
  - step: a step before
    do: [BEFORE]
    expect: [{signal: rain_count, counts: 1, within: 3 s}]
  - step: so many
    do: [STIMULUS]
    expect: [{signal: SIGNAL, REQUIRED}]
"""
TRAIN = "{pulse: rain, times: 20, closed_for: 500 ms, open_for: 500 ms}"
RAIN = "{rainfall: bucket, intensity: 36 mm/h, for: 2 min}"


@pytest.mark.parametrize(
    ("stimulus", "signal", "required", "come"),
    [
        (TRAIN, "rain_count", "counts: 15, within: 3 s", "4 closures"),
        (TRAIN, "rain_count", "counts: 4, within: 3 s", ""),
        (TRAIN, "rain_count", "counts_at_least: 20, within: 19 s", ""),
        (TRAIN, "rain_count", "counts_at_least: 21, within: 1 min", "20 closures"),
        ("{close: rain}", "rain_count", "counts: 2, within: 5 s", "1 closure"),
        (RAIN, "tip_count", "counts_at_least: 3, within: 40 s", "2 closures"),
        (RAIN, "tip_count", "counts: 2, within: 40 s", ""),
        (f"{RAIN}, {{wait: 10 s}}, {RAIN}", "tip_count", "counts: 30, within: 40 s, after: again", ""),
        ("{fail: rain, mode: chatter, every: 1 s}", "rain_count", "counts: 30, within: 3 s", ""),
    ],
)
def test_a_count_that_is_not_played_is_doubted(stimulus, signal, required, come):
    """A tip comes each 20 s, a pulse each second; only where that is certain is anything said."""
    first, last, again = stimulus.rpartition(RAIN)
    labelled = f"{first}{RAIN[:-1]}, label: again}}{again}" if "again" in required and last else stimulus
    text = COUNTS.replace("BEFORE", "{close: rain}").replace("SIGNAL", signal)
    profile = read_profile("p.yaml", text.replace("STIMULUS", labelled).replace("REQUIRED", required))
    said = [problem.reason for problem in unplayed(bind(profile, BENCH, {}))]
    assert [come in reason for reason in said] == [True] * bool(come)


def test_what_a_step_before_leaves_going_makes_no_doubt():
    """A rain that goes on from the step before tips on: nobody knows how often."""
    text = COUNTS.replace("BEFORE", f"{{close: rain}}, {RAIN[:-1]}, label: rain}}")
    text = text.replace("counts: 1, within: 3 s", "counts: 1, within: 3 s, after: rain")
    text = text.replace("STIMULUS", "{close: rain}").replace("SIGNAL", "tip_count")
    profile = read_profile("p.yaml", text.replace("REQUIRED", "counts: 5, within: 3 s"))
    assert list(unplayed(bind(profile, BENCH, {}))) == []
