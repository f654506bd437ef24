"""How findings tell of a position that is reckoned from drive contacts: in per cent, with what would decide it."""

from __future__ import annotations

import pytest

from ventproof.deciders import formulas as f
from ventproof.judge.contrast import Role
from ventproof.judge.trace import SignalTrace
from ventproof.verdict.finding import Ruling, Verdict
from ventproof_bench.base.evidence import Sample, Window
from ventproof_bench.plant.contacts import ReckonedTraits, packed
from ventproof_bench.plant.reckoned import TravelRange

TRAITS = ReckonedTraits(
    name="roof_vent",
    unit="%",
    rate_per_s=2.0,
    keeps_for_s=0.3,
    travel=TravelRange(open_s=(50.0, 54.0), close_s=(50.0, 54.0)),
    flags=("opens", "closes", "shut"),
    known_at=(0.0,),
)
RAIN = Window(30.0, 30.02)
SHUT, OPENS, STANDS, CLOSES = (0, 0, 1), (1, 0, 0), (0, 0, 0), (0, 1, 0)
OPEN_THEN_CLOSE = [(0, SHUT), (5, OPENS), (20, STANDS), (31, CLOSES), (50, SHUT)]
"""Opened for 15 s, to 28 to 30 %; closed from 31 s on."""


def ruled(formula: f.Formula, course: list[tuple[float, tuple[int, ...]]], role: Role = Role.PROOF) -> Ruling:
    """Read contacts every 0.1 s, 60 s long, and ask something of the stimulus."""
    trace, watch = SignalTrace(TRAITS), None
    for i in range(600):
        t_s = i * 0.1
        if watch is None and t_s > RAIN.latest_s + 0.1:
            watch = trace.watch(formula, RAIN, role=role)
        bits = next(bits for at_s, bits in reversed(course) if at_s <= t_s)
        trace.observe(Sample(packed([bool(bit) for bit in bits]), t_s, t_s + 0.01))
        assert trace.last is not None
    assert watch is not None
    return watch.close(60.0)


@pytest.mark.parametrize(
    ("formula", "verdict", "says"),
    [
        (
            f.ReachesFormula(0.0, 5.0, 20.0),
            Verdict.PASS,
            "in the band since 12.17 to 14.63 s after the stimulus (limit 20 s), reckoned from its drive",
        ),
        (
            f.ReachesFormula(0.0, 5.0, 5.0),
            Verdict.FAIL,
            "19.",
        ),
        (
            f.StaysFormula(None, 10.0, 5.0),
            Verdict.FAIL,
            "% at ",
        ),
    ],
)
def test_what_was_seen_is_told_in_per_cent_and_where_it_comes_from(
    formula: f.Formula, verdict: Verdict, says: str
) -> None:
    """Never as the number that holds the contacts."""
    found = ruled(formula, OPEN_THEN_CLOSE)
    assert found.verdict is verdict, found
    assert says in found.why
    assert found.why.endswith(", reckoned from its drive contacts")


def test_an_open_verdict_names_how_closely_it_would_have_to_be_known_and_what_brings_that() -> None:
    """Within 28 to 30 % a limit of 29 % is open; contacts read more often or a narrower travel would decide it."""
    found = ruled(f.StaysFormula(None, 29.3, 0.5), OPEN_THEN_CLOSE)
    assert found.verdict is Verdict.INCONCLUSIVE
    assert found.why.startswith("its drive contacts leave a margin of")
    for cure in (
        "a position known to ± ",
        "read opens and closes more often than every 0.1 s",
        "declare a narrower full_travel than 50 to 54 s",
        "let it run to an end shortly before",
    ):
        assert cure in found.why


def test_a_vent_that_was_at_no_end_yet_is_said_to_be_anywhere() -> None:
    """Nothing is known of it; a full run would tell."""
    found = ruled(f.UnchangedFormula(1.0, 5.0), [(0, STANDS), (31, CLOSES)])
    assert found.verdict is Verdict.INCONCLUSIVE
    assert found.why == (
        "roof_vent may have been anywhere from 0 to 100 %: its drive contacts had not driven it to an end; let it run "
        "to an end before, for 54 s or longer"
    )


def test_a_pass_shows_something_only_if_the_bounds_prove_that_it_was_otherwise() -> None:
    """A vent that was shut all the time reached nothing; one that was open did."""
    already = ruled(f.ReachesFormula(0.0, 5.0, 20.0), [(0, SHUT)])
    assert already.verdict is Verdict.INCONCLUSIVE
    assert already.why.startswith("already as required before the stimulus")
    assert ruled(f.ReachesFormula(0.0, 5.0, 20.0), [(0, SHUT)], Role.STATE).verdict is Verdict.PASS
    assert not ruled(f.ReachesFormula(0.0, 5.0, 20.0), OPEN_THEN_CLOSE).hollow
