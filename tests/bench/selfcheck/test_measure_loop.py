"""What is measured of a vent that is played: the loop's delay, and how far off the position is that an output holds."""

import pytest
from driven_module import loop_bench

from ventproof_bench.base.evidence import Poll
from ventproof_bench.outputs.vents import PLAYED, held_off_percent
from ventproof_bench.selfcheck.measure import loop_measured


def _command(at_s, replied_s):
    return Poll("io", at_s, replied_s, {"opens": 1.0, "closes": 0.0}, "discrete", 0, (1, 0))


def _played(from_s, to_s):
    return Poll("io", from_s, to_s, {"roof_vent": 1.0}, PLAYED, 0, ())


def test_the_delay_counts_from_the_reading_to_the_acknowledgement():
    """Each round in which something was played back counts; one in which nothing was does not."""
    polls = [
        _played(0.0, 0.1),  # on no reading that was seen
        _command(1.0, 1.01),
        _played(1.01, 1.04),
        _command(1.05, 1.06),
        _played(1.06, 1.06),
        _command(1.1, 1.11),
        _played(1.11, 1.17),
    ]
    found = loop_measured("roof", "roof_vent", polls, command="opens", off_percent=None)
    assert found is not None
    assert found.delay.count == 2
    assert found.delay.median_s == pytest.approx(0.04)
    assert found.delay.worst_s == pytest.approx(0.07)
    assert loop_measured("roof", "roof_vent", polls[:2], command="opens", off_percent=None) is None


@pytest.mark.parametrize(("scale", "step_percent"), [(0.001, 0.01), (0.01, 0.1), (0.04, 0.4)])
def test_an_output_holds_a_position_to_half_its_step(scale, step_percent):
    """0 to 10 V in counts of so many volts: what is held is off by half a count at most, and nearly so somewhere."""
    file = loop_bench({"link": "in-process"})
    output = file.outputs["feedback"]
    outputs = {
        **file.outputs,
        "feedback": output.model_copy(update={"wired": {**output.wired, "scale": scale}}),
    }
    off = held_off_percent(file.model_copy(update={"outputs": outputs}), file.vents["roof"])
    assert 0.9 * step_percent / 2 < off <= step_percent / 2 + 1e-9


def test_an_output_that_is_not_read_back_shows_nothing():
    """Where nothing goes over a bus nobody knows what the output holds."""
    file = loop_bench({"link": "in-process"}, plays={})
    assert held_off_percent(file, file.vents["roof"]) is None
