"""Waivers: what they accept and what they never do. A waived fail is no pass, and nothing but a fail can be waived."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof.papers.misspelt import WaivableProfile, misspelt
from ventproof.papers.waivers import (
    ACCEPTED,
    WaivableRun,
    not_waivable,
    read_waivers,
    too_broad,
    unneeded,
    waived,
)
from ventproof.verdict.finding import Bounds, Finding, NotRun, Status
from ventproof_bench.base.errors import FileError

TEXT = """waivers:
  - id: W-1
    profile: rain closes the vents
    step: rain ends
    response: roof_vent returns
    reason: stops early
    disposition: use as is
    owner: I. Halvorsen
    approved_by: M. Okonjo
    retest_by: 2027-03-31
"""
RUN = WaivableRun("rain closes the vents", "V-1042", "3.1", dt.date(2027, 3, 31))
FAILED = Finding(
    step=2,
    step_name="rain ends",
    number=1,
    signal="roof_vent",
    unit="%",
    kind="returns",
    demand="returns to 92 %",
    status=Status.FAIL,
    why="1 % short",
    margin=Bounds(-1.5, -1.0),
    slack_s=None,
    response_s=None,
    seen=None,
    conformance=None,
    proves="",
)
PASSED = replace(FAILED, number=2, signal="side_vent", status=Status.PASS)
OPEN = replace(PASSED, number=3, status=Status.INCONCLUSIVE)
NOT_RUN = replace(PASSED, number=4, status=Status.NOT_RUN, not_run=NotRun.EARLIER_STEP)


def waivers_of(*more, without=()):
    """Return the waivers of the file above with lines added, and lines of some keys left out."""
    kept = [line for line in TEXT.splitlines() if line.strip().partition(":")[0] not in without]
    added = [f"    {line}" for line in more]
    return read_waivers("waivers.yaml", "\n".join([*kept, *added, ""])).model.waivers


def test_a_known_fail_is_accepted_and_its_run_is_no_pass():
    """The run has a result of its own, and keeps it however many responses passed."""
    its = waived(waivers_of(), RUN, [FAILED, PASSED])
    assert {key: one.id for key, one in its.accepted.items()} == {FAILED.key: "W-1"}
    assert its.result([FAILED, PASSED]) == ACCEPTED != "pass"


@pytest.mark.parametrize(("other", "result"), [(OPEN, "inconclusive"), (NOT_RUN, "inconclusive")])
def test_what_was_not_shown_stays_open(other, result):
    """A waiver accepts what was seen; what nobody saw, or was not run because of the fail, is not accepted by it."""
    its = waived(waivers_of(), RUN, [FAILED, other])
    assert its.result([FAILED, PASSED, other]) == result


def test_another_fail_beside_the_known_one_fails_the_run():
    """One waiver is for one response."""
    other = replace(FAILED, signal="side_vent")
    assert waived(waivers_of(), RUN, [FAILED, other]).result([FAILED, other]) == "fail"


@pytest.mark.parametrize("status", [Status.PASS, Status.INCONCLUSIVE, Status.NOT_RUN])
def test_nothing_but_a_fail_is_waived(status):
    """What is inconclusive or was not run is never covered up."""
    found = replace(FAILED, status=status, not_run=NotRun.ABORTED if status is Status.NOT_RUN else None)
    its = waived(waivers_of(), RUN, [found])
    assert not its.accepted
    assert its.result([found]) == ("pass" if status is Status.PASS else "inconclusive")
    place = "waiver W-1 accepts a fail alone, and rain closes the vents: rain ends: roof_vent returns"
    how = {Status.INCONCLUSIVE: " is inconclusive in 2 runs", Status.NOT_RUN: " was not run in 2 runs"}
    assert list(not_waivable([its, its])) == ([] if status is Status.PASS else [f"{place}{how[status]}"])


def test_a_waiver_holds_on_its_last_day_and_not_after():
    """The fail then counts again, and the waiver is named as over."""
    late = replace(RUN, day=dt.date(2027, 4, 1))
    its = waived(waivers_of(), late, [FAILED])
    assert not its.accepted
    assert its.refused[FAILED.key][1] == "expired on 2027-03-31"
    assert its.result([FAILED]) == "fail"


@pytest.mark.parametrize(
    ("line", "accepted"),
    [
        ("margin_at_least: -2 %", True),
        ("margin_at_least: -1.5 %", True),
        ("margin_at_least: -1.4 %", False),
        ("margin_at_least: -20 °C", False),
        ("margin_at_least: -4 s", True),
        ("margin_at_least: -2 s", False),
        ("unit: V-1042", True),
        ("unit: V-1043", False),
        ('firmware: "3.1"', True),
        ('firmware: "3.2"', False),
    ],
)
def test_a_waiver_reaches_no_further_than_it_says(line, accepted):
    """A fail that is worse than what was accepted is a fail, and so is one of another unit or version."""
    late = replace(FAILED, slack_s=Bounds(-3.0, -2.5))
    its = waived(waivers_of(line), RUN, [late])
    assert bool(its.accepted) == accepted
    assert its.result([late]) == (ACCEPTED if accepted else "fail")


def test_a_fail_by_an_unknown_margin_is_not_accepted_where_the_margin_counts():
    """Nothing bounds how bad it is."""
    its = waived(waivers_of("margin_at_least: -2 %"), RUN, [replace(FAILED, margin=None)])
    assert not its.accepted
    assert "no margin in % is known" in its.refused[FAILED.key][1]


def test_one_of_several_waivers_suffices():
    """An older waiver that is over does not take away what a newer one accepts."""
    both = [*waivers_of(), *waivers_of("margin_at_least: -0.1 %")]
    assert waived(both[::-1], RUN, [FAILED]).accepted
    assert not waived(both[::-1], RUN, [FAILED]).refused


def test_a_waiver_that_accepts_several_fails_of_a_run_is_told():
    """It was written for one; of repeats each run counts by itself."""
    other = replace(FAILED, number=FAILED.number + 1)
    both = waived(waivers_of(), RUN, [FAILED, other])
    once = waived(waivers_of(), RUN, [FAILED])
    assert list(too_broad([both])) == [
        "waiver W-1 accepts 2 fails in one run; state its step, or write a waiver for each"
    ]
    assert not list(too_broad([once, once]))


def test_a_waiver_that_does_not_accept_a_fail_is_not_called_needless():
    """Whether another one accepts it or not."""
    few = [*waivers_of("margin_at_least: 2 %"), *waivers_of("margin_at_least: 2 s")]
    assert not list(unneeded(few, [waived(few, RUN, [FAILED])]))
    some = [*waivers_of(), *waivers_of()]
    assert not list(unneeded(some, [waived(some, RUN, [FAILED])]))


@pytest.mark.parametrize(
    ("without", "lines", "finding", "covered"),
    [
        (("step",), (), FAILED, True),
        (("step",), ("step: start",), replace(FAILED, step=0, step_name="start state"), True),
        (("step",), ("step: always",), replace(FAILED, step=None, step_name="always"), True),
        (("step",), ("step: always",), FAILED, False),
        (("response",), ("response: roof_vent reaches",), FAILED, False),
    ],
)
def test_step_and_kind_say_which_response_is_meant(without, lines, finding, covered):
    """Left out, the step is any; the start state and what must always hold have words of their own."""
    assert bool(waived(waivers_of(*lines, without=without), RUN, [finding]).accepted) == covered


@pytest.mark.parametrize(
    ("finding", "said"),
    [
        (FAILED, []),
        (
            replace(FAILED, status=Status.PASS),
            ["waiver W-1 is not needed: only passes are covered; remove it"],
        ),
        (replace(FAILED, status=Status.INCONCLUSIVE), []),
        (
            replace(FAILED, signal="side_vent"),
            [
                (
                    "waiver W-1 covers no response of these runs (rain closes the vents: rain ends: roof_vent returns);"
                    " correct the names, unit or firmware that it states"
                )
            ],
        ),
    ],
)
def test_a_waiver_that_covers_nothing_is_told(finding, said):
    """A slip in its names would leave a fail unwaived, or a waiver for ever."""
    known = waivers_of()
    assert [*unneeded(known, [waived(known, RUN, [finding])])] == said


@pytest.mark.parametrize(
    ("named", "accepted"), [(("URS-4.1", "URS-5"), True), (("URS-4.2",), False), ((), False)]
)
def test_a_waiver_for_a_requirement_is_for_the_responses_that_name_it(named, accepted):
    """Wherever they stand, and for no other response of the same test."""
    known = waivers_of("requirement: URS-4.1", without=("profile", "step", "response"))
    run = replace(RUN, requirements={(FAILED.step, FAILED.number): named})
    assert bool(waived(known, run, [FAILED]).accepted) == accepted
    assert not waived(known, run, [replace(FAILED, number=5)]).accepted


def test_a_waiver_says_which_response_it_is_for():
    """One for a whole profile would hide what fails next."""
    with pytest.raises(
        FileError, match="the waiver does not say which response it is for; write `profile` and"
    ):
        waivers_of(without=("response",))


def test_of_many_waivers_for_nothing_one_sentence_is_told():
    """Who runs one profile with the waivers of a whole suite is not flooded."""
    other = replace(FAILED, signal="side_vent")
    many = [waivers_of()[0].model_copy(update={"id": f"W-{i}"}) for i in range(3)]
    assert [*unneeded(many, [waived(many, RUN, [other])])] == [
        (
            "waivers W-0, W-1, W-2 cover no response of these runs; correct the names, units or firmware that they"
            " state, or run their profiles"
        )
    ]
    passed = replace(FAILED, status=Status.PASS)
    assert [*unneeded(many, [waived(many, RUN, [passed])])] == [
        "waivers W-0, W-1, W-2 are not needed: only passes are covered; remove them"
    ]


@given(
    statuses=st.lists(st.sampled_from(list(Status)), min_size=1, max_size=6),
    days=st.integers(-3, 3),
    least=st.none() | st.integers(-3, 0),
)
def test_waivers_never_make_a_pass(statuses, days, least):
    """Whatever failed, was left open and was waived: it is a pass only if every response passed."""
    findings = [
        replace(FAILED, number=i, status=status, not_run=NotRun.ABORTED if status is Status.NOT_RUN else None)
        for i, status in enumerate(statuses)
    ]
    known = waivers_of() if least is None else waivers_of(f"margin_at_least: {least} %")
    its = waived(known, replace(RUN, day=RUN.day + dt.timedelta(days)), findings)
    result = its.result(findings)
    assert (result == "pass") == (set(statuses) == {Status.PASS})
    assert set(its.accepted) <= {one.key for one in findings if one.status is Status.FAIL}
    if {Status.INCONCLUSIVE, Status.NOT_RUN} & set(statuses):
        assert result in {"fail", "inconclusive"}


SUITE = [
    WaivableProfile(
        RUN.profile, ["start", "always", "rain ends"], ["roof_vent returns", "hail equals"], ["URS-4.1"]
    ),
    WaivableProfile("wind closes the vents", ["start", "always"], ["roof_vent reaches"], []),
]


PLACE = "profile: rain closes the vents\n    step: rain ends\n    response: roof_vent returns"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("the vents", "the vent", "3:14: no profile 'rain closes the vent' is run; +rain closes the vents"),
        ("step: rain ends", "step: frost", "4:11: its profile has no step 'frost'; it has start, always, rain ends"),
        ("vent returns", "vents returns", "5:15: its profile has no response 'roof_vents returns'; +roof_vent returns"),
        ("reason:", "requirement: U\n    reason:", "6:18: its profile has no requirement 'U'; it has URS-4.1"),
        (PLACE, "requirement: URS-4.1a", "3:18: no profile that is run has the requirement 'URS-4.1a'; +URS-4.1"),
        (PLACE, "requirement: other-7", ""),
        ("rain closes the vents", "frost opens the heating", ""),
        ("roof_vent returns", "roof_vent   returns", ""),
        ("step: rain ends", "step: always", ""),
    ],
)  # fmt: skip
def test_names_that_nothing_has_are_told_with_their_line(old, new, said):
    """What its profile does not have, or is nearly something (+); a waiver for other profiles is left in peace."""
    assert old in TEXT
    found = list(misspelt(read_waivers("w.yaml", TEXT.replace(old, new)), SUITE))
    where, _, rest = said.partition(": ")
    what, meant, near = rest.partition("+")
    hint = f"did you mean {near!r}?" if meant else ""
    expected = [f"w.yaml:{where}: waiver W-1: {what}{hint}"] if said else []
    assert [str(problem) for problem in found] == expected
