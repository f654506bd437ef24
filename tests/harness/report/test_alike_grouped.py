"""What went wrong alike is told together, for the page and the terminal by one rule."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from ventproof.report.alike import alike

VERDICTS = ("contradicted", "fail", "inconclusive")
WRONG = st.lists(
    st.tuples(
        st.sampled_from(VERDICTS),
        st.sampled_from("abc"),
        st.floats(0, 100),
        st.integers(0, 3),
        st.integers(),
    )
)


@given(WRONG)
def test_each_time_stands_in_the_group_of_its_verdict_and_cause_and_in_no_other(wrong):
    """Nothing is lost, nothing told twice, and a run counts once in a group however often it went wrong there."""
    groups = alike(wrong)
    assert len({(group.verdict, group.brief) for group in groups}) == len(groups)
    for group in groups:
        its = [
            (by, run, what)
            for verdict, brief, by, run, what in wrong
            if (verdict, brief) == (group.verdict, group.brief)
        ]
        assert list(group.found) == [what for *_, what in sorted(its, key=lambda one: -one[0])]
        assert group.runs == len({run for _, run, _ in its})
    assert sum(len(group.found) for group in groups) == len(wrong)


@given(WRONG)
def test_the_worst_stands_first_and_then_what_most_runs_share(wrong):
    """A fail in one run stands before what is inconclusive in many."""
    places = [(VERDICTS.index(group.verdict), -group.runs) for group in alike(wrong)]
    assert places == sorted(places)
