"""A run whose vent tells no position: judged by its contacts, by its end switches, and by a measurement beside it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from ventproof.case.case import Case, case_of
from ventproof.case.decidable import checked
from ventproof.case.findings import findings_of
from ventproof.log.events import (
    Event,
    EvidenceEnd,
    GapSeen,
    PollSeen,
    StepBegin,
    StepEnd,
    StimulusApplied,
    StimulusId,
)
from ventproof.profile.bind import Bound, bind
from ventproof.profile.load import read_profile
from ventproof.verdict.finding import Finding, Verdict
from ventproof_bench.base.errors import FileError
from ventproof_bench.base.evidence import EdgeReport, Gap, Poll, Unread, Window
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.plant.vent import Vent, VentTravel

BENCH = """
bench: contacts beside a unit that reckons
buses:
  unit: {link: tcp, host: 192.0.2.60}
  io: {link: tcp, host: 192.0.2.50, timeout: 50 ms, quiet_after_fault: 20 ms, poll_every: 100 ms}
outputs:
  rain: {driver: coil, wired: {bus: io, unit_id: 1, coil: 0}}
signals:
  told:
    {bus: unit, table: input, address: 0, scale: 0.1, unit: "%", full_travel: 38 s, jumps_to: [0 %], jumps_by: 5 %}
  measured: {bus: unit, table: input, address: 1, scale: 0.1, unit: "%", full_travel: 38 s}
  opens: {bus: io, table: discrete, address: 0, type: bit, unit: flag, keeps_for: 400 ms}
  closes: {bus: io, table: discrete, address: 1, type: bit, unit: flag, keeps_for: 400 ms}
  shut: {bus: io, table: discrete, address: 2, type: bit, unit: flag}
  wide: {bus: io, table: discrete, address: 3, type: bit, unit: flag}
  roof_vent: {position_of: roof}
vents:
  roof: {opens_on: opens, closes_on: closes, full_travel: TRAVEL, dead_time: 200 ms, known_at: {shut: 0 %, wide: 100 %}}
"""
NARROW, WIDE = "{open: [39 s, 41 s], close: [39 s, 41 s]}", "[20 s, 1 h]"
PROFILE = """
profile: rain closes the vent
DECISION
needs:
  outputs: {rain: contact}
  signals: {SIGNAL: "%"}
steps:
  - step: rain
    do: [close: rain]
    expect: [{signal: SIGNAL, DEMAND}]
"""
SHUT_IN_45_S = "reaches: 0 %, tolerance: 2 %, within: 45 s"
RAIN_S = 50.0


def bound_to(
    demand: str, *, signal: str = "roof_vent", travel: str = NARROW, decision: str = "", beside: str = ""
) -> Bound:
    """Return a profile that demands one thing, on the bench."""
    text = (
        PROFILE.replace('SIGNAL: "%"', f'SIGNAL: "%"{beside}')
        .replace("SIGNAL", signal)
        .replace("DEMAND", demand)
        .replace("DECISION", decision)
    )
    return bind(read_profile("p.yaml", text), read_bench("b.yaml", BENCH.replace("TRAVEL", travel)), {})


def events(
    *gaps: Gap, closes: bool = True, boasts: bool = False, blind: tuple[float, float] | None = None
) -> Iterator[Event]:
    """Yield a run: shut, opened for 20 s, rain at 50 s, closed from 52 s on unless the unit does not; 110 s long.

    One that boasts says in any case that it closed its vent.
    """
    vent = Vent(VentTravel(open_s=40.0, close_s=40.0, dead_time_s=0.2), 0.0)
    course = [(0.0, False, False), (20.0, True, False), (40.0, False, False), (52.0, False, closes)]
    for at_s, opens, shuts in course:
        vent.switch(at_s, opens=opens, closes=shuts)
    waiting = list(gaps)
    for i in range(1100):
        t_s = i / 10
        if t_s == RAIN_S:
            yield StepBegin(t_s, 1, "rain", Window(t_s, t_s))
            edge = EdgeReport(closed=True, due_s=t_s, window=Window(t_s, t_s + 0.01))
            yield StimulusApplied(t_s, StimulusId(1, 0), "rain", "close rain", [edge])
        if waiting and waiting[0].to_s <= t_s:
            yield GapSeen(t_s, waiting.pop(0))
        if any(gap.from_s <= t_s < gap.to_s and gap.reason != "withdrawn" for gap in gaps):
            continue
        position = vent.position_at(t_s)
        _, opens, shuts = next(row for row in reversed(course) if row[0] <= t_s)
        flags = {"opens": opens, "closes": shuts, "shut": position == 0.0, "wide": position == 100.0}
        unread: tuple[Unread, ...] = ()
        if blind is not None and blind[0] <= t_s < blind[1]:
            flags, unread = {}, tuple(Unread(name, "no value") for name in flags)
        values = {name: float(on) for name, on in flags.items()}
        yield PollSeen(t_s, Poll("io", t_s, t_s + 0.01, values, "discrete", 0, (), unread))
        told = min(position, max(0.0, 50.0 - 2.5 * (t_s - 52.2))) if boasts else position
        registers = {"told": round(told, 1), "measured": round(position, 1)}
        yield PollSeen(t_s, Poll("unit", t_s, t_s + 0.01, registers, "input", 0, ()))
    yield StepEnd(110.0, 1)
    yield EvidenceEnd(110.0)


def found(bound: Bound, run: list[Event]) -> Finding:
    """Judge a run event by event, and all of it at once: both say the same."""
    live, whole = case_of(bound), case_of(bound)
    for event in run:
        live.feed(event)
    whole.feed_all(run)
    assert findings_of(live) == findings_of(whole)
    return _only(live)


def _only(case: Case) -> Finding:
    (finding,) = findings_of(case)
    return finding


@pytest.mark.parametrize("signal", ["roof_vent", "measured"])
@pytest.mark.parametrize(("closes", "verdict"), [(True, Verdict.PASS), (False, Verdict.FAIL)])
def test_a_vent_without_a_register_is_judged_by_its_contacts_as_by_a_measurement(
    signal: str,
    closes: bool,  # noqa: FBT001 - a parameter of the test
    verdict: Verdict,
) -> None:
    """The profile names the position alone; contacts and flags are found in the polls by the bench file."""
    finding = found(bound_to(SHUT_IN_45_S, signal=signal), list(events(closes=closes)))
    assert finding.verdict is verdict, finding.why
    assert finding.unit == "%"
    assert finding.why.endswith("reckoned from its drive contacts") is (signal == "roof_vent")


@pytest.mark.parametrize(
    ("demand", "verdict"),
    [
        (f"{SHUT_IN_45_S}, already_so: enough", Verdict.PASS),
        (SHUT_IN_45_S, Verdict.INCONCLUSIVE),
        ("stays_at_most: 99 %, for: 20 s", Verdict.INCONCLUSIVE),
        ("starts_moving: {by: 1 %, within: 60 s}", Verdict.INCONCLUSIVE),
    ],
)
def test_end_switches_alone_decide_what_they_tell(demand: str, verdict: Verdict) -> None:
    """With run times that are next to unknown its ends are known still; between them nothing, nor how far it was."""
    assert found(bound_to(demand, travel=WIDE), list(events())).verdict is verdict


def test_the_position_that_the_unit_reckons_proves_no_closing() -> None:
    """It reads 0 % in time; that proves nothing. What fails by it still fails."""
    bound = bound_to(SHUT_IN_45_S, signal="told")
    assert found(bound, list(events())).verdict is Verdict.INCONCLUSIVE
    assert found(bound, list(events(closes=False))).verdict is Verdict.FAIL
    (problem,) = checked(bound).undecidable
    assert problem.reason.startswith("told is reckoned by the unit, which sets it to 0 %")
    assert "position_of" in problem.hint


def test_replies_that_are_lost_while_it_travels_leave_open_what_rests_on_them() -> None:
    """Five seconds without contacts open the interval; the switch at the end closes it again."""
    lost = Gap("io", 53.0, 58.0, "timeout")
    assert found(bound_to(SHUT_IN_45_S), list(events(lost))).verdict is Verdict.PASS
    below = bound_to("stays_at_most: 55 %, for: 10 s")
    assert found(below, list(events())).verdict is Verdict.PASS
    finding = found(below, list(events(lost)))
    assert finding.verdict is Verdict.INCONCLUSIVE
    assert finding.why.startswith("readings were missing for 5 s (timeout)")


def test_withdrawn_readings_leave_open_what_rests_on_them() -> None:
    """As of any signal on the bus, although no reading bears its name."""
    taken_back = Gap("io", 60.0, 62.0, "withdrawn")
    finding = found(bound_to(SHUT_IN_45_S), list(events(taken_back)))
    assert finding.verdict is Verdict.INCONCLUSIVE
    assert "was withdrawn" in finding.why


def test_contacts_whose_registers_held_no_value_are_a_gap() -> None:
    """Nothing is concluded from a poll that did not bring them."""
    demand = bound_to("stays_at_most: 60 %, for: 10 s")
    assert found(demand, list(events())).verdict is Verdict.PASS
    assert found(demand, list(events(blind=(53.0, 59.0)))).verdict is Verdict.INCONCLUSIVE


def test_readings_as_they_stand_cannot_be_asked_for() -> None:
    """A position without readings has none that could stand for it."""
    with pytest.raises(
        FileError, match=r"p\.yaml:3:\d+: 'roof_vent' has no readings .*write `decision: guarded`"
    ):
        bound_to(SHUT_IN_45_S, decision="decision: simple")
    assert bound_to(SHUT_IN_45_S, signal="measured", decision="decision: simple")


def test_what_no_unit_can_pass_by_its_contacts_is_told_before_the_run() -> None:
    """A tolerance that even exact times of travel would not meet is named, with one that does."""
    (problem,) = checked(bound_to("reaches: 50 %, tolerance: 0.2 %, within: 60 s")).undecidable
    assert "'roof_vent' is reckoned from its drive contacts, read every 0.1 s" in problem.reason
    assert "tolerance: " in problem.hint
    assert checked(bound_to(SHUT_IN_45_S)).undecidable == ()


def test_what_the_unit_says_is_compared_with_where_its_contacts_took_the_vent() -> None:
    """A unit that says what the contacts say agrees; one whose vent was not driven, and that says it was, does not."""
    demand = "agrees_with: roof_vent, tolerance: 6 %, lag: 1 s, for: 30 s"
    bound = bound_to(demand, signal="told", beside=', roof_vent: "%"')
    assert checked(bound).undecidable == ()
    assert found(bound, list(events())).verdict is Verdict.PASS
    assert found(bound, list(events(closes=False, boasts=True))).verdict is Verdict.FAIL
