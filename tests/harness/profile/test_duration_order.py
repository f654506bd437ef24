"""The order that saves settling: fewer changes of start state, and the same verdicts."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.log.read import read_log
from ventproof.log.run import results_of
from ventproof.profile.duration import changes, saving_order, start_state
from ventproof.profile.load import read_profile

STARTS = st.fixed_dictionaries(
    {}, optional={"house_temperature": st.integers(10, 13), "outside_temperature": st.integers(0, 2)}
)


def profile(number, start):
    written = ", ".join(f"{name}: {value} °C" for name, value in start.items())
    text = (
        f"profile: number {number}\nneeds:\n  outputs: {{house_temperature: °C, outside_temperature: °C}}\n"
        f"  signals: {{roof_vent: '%'}}\nstart:\n  write: {{{written}}}\nsteps:\n  - step: one\n    do:\n"
        "      - {wait: 1 s}\n    expect:\n      - {signal: roof_vent, stays_at_most: 100 %, for: 1 s}\n"
    )
    return read_profile("profile.yaml", text).model


def changed(profiles):
    states = [start_state(one) for one in profiles]
    return sum(changes(one, other) for one, other in itertools.pairwise(states))


@given(st.lists(STARTS, max_size=7))
def test_every_profile_is_run_once_with_no_more_changes_than_before(starts):
    """The order holds each profile once, and changes the start state at most as often as the given one."""
    profiles = [profile(number, start) for number, start in enumerate(starts)]
    order = saving_order(profiles)
    assert sorted(order) == list(range(len(profiles)))
    assert changed([profiles[place] for place in order]) <= changed(profiles)


def test_equal_start_states_come_together():
    """Of hot, cold, hot, cold the two hot ones come first: one change is left of three."""
    hot, cold = {"house_temperature": 13}, {"house_temperature": 10}
    profiles = [profile(number, start) for number, start in enumerate([hot, cold, hot, cold])]
    assert saving_order(profiles) == [0, 2, 1, 3]


def test_an_order_that_saves_nothing_is_the_given_one():
    """Two start states that share no name change nothing."""
    profiles = [profile(0, {"house_temperature": 13}), profile(1, {"outside_temperature": 1}), profile(2, {})]
    assert saving_order(profiles) == [0, 1, 2]


@pytest.mark.parametrize("fault", [(), ("--fault", "release_early")])
def test_verdicts_are_the_same_in_both_orders(ventproof, tmp_path, fault):
    """Each profile's findings are those of the given order, on a healthy unit and on a faulty one."""
    names = ("rain-while-partly-open", "rain-closes-holds-releases", "bucket-bounce-ignored", "rain-count")
    found = {}
    for how in ((), ("--save-settling",)):
        out = tmp_path / f"records{len(how)}"
        code, said, _ = ventproof(
            *("run", *map(shipped_path, names), "--bench", SHIPPED_BENCH, "--out", out, "--history", "none"),
            *("--quiet", *how, *fault),
        )
        runs = [results_of(read_log(log)) for log in sorted(out.glob("*.jsonl"))]
        found[how] = {
            run.profile: [(one.step, one.number, one.status) for one in run.findings] for run in runs
        }
        assert code == (1 if fault else 0), said
    assert len(found[()]) == len(names)
    assert found[()] == found["--save-settling",]
