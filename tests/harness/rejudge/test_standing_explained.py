"""What judging again tells of a finding is told of the log's own only where both say the same."""

from __future__ import annotations

from ventproof.rejudge.standing import explained
from ventproof.verdict.brief import at_a_glance, brief
from ventproof.verdict.finding import Bounds, Miss, Status
from ventproof.verdict.text import margin_text

MISS = Miss(Bounds(25.58, 26.87), 10, " %", "too high")
WHY = "25.58 to 26.87 % at 32.01 s after the stimulus; required 6 to 10 % within 32 s"


def test_how_a_response_went_wrong_is_told_where_the_reason_is_the_same(finding):
    """The log does not hold it; it is no difference between the log and its evidence, either."""
    logged = finding(status=Status.FAIL, why=WHY, margin=Bounds(-17.2, -15.6))
    again = finding(
        status=Status.FAIL, why=WHY, margin=Bounds(-17.2, -15.6), wrong="did not stay at 8 %", miss=MISS
    )
    assert logged == again
    (told,) = explained([logged], [again])
    assert brief(told) == "side_vent did not stay at 8 %"
    assert margin_text(told) == at_a_glance(told) == "at least 15.58 % too high"


def test_nothing_of_another_reason_or_verdict_is_taken_over(finding):
    """A log that was rewritten does not borrow numbers from its evidence."""
    again = finding(status=Status.FAIL, why=WHY, wrong="did not stay at 8 %", miss=MISS)
    for logged in (finding(status=Status.FAIL, why="another reason"), finding(status=Status.PASS, why=WHY)):
        (told,) = explained([logged], [again])
        assert told.miss is None
        assert told.wrong == ""


def test_a_margin_is_of_one_side_where_that_decides_and_else_of_both(finding):
    """Of a pass the worst, of a fail what is certain, and what is open has both ends."""
    margins = {Status.PASS: (0.4, 1.0), Status.FAIL: (-2.0, -1.0), Status.INCONCLUSIVE: (-0.7, 0.3)}
    assert {
        margin_text(finding(status=status, margin=Bounds(*margin), slack_s=None))
        for status, margin in margins.items()
    } == {"+0.4 %", "at least 1 % beyond the limit", "-0.7 … +0.3 %"}


def test_beside_a_picture_no_moment_of_another_clock_is_told(finding):
    """A fail without a number of its own says what went wrong, a pass nothing, and what is open why."""
    fail = finding(status=Status.FAIL, kind="counts", why="at 3 s", margin=None, slack_s=None)
    assert at_a_glance(fail) == "counted a wrong number"
    assert at_a_glance(finding()) == ""
    assert at_a_glance(finding(status=Status.INCONCLUSIVE, why="no reading came")) == "no reading came"
