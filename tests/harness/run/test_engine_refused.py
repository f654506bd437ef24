"""A register that the unit does not have: its responses are open, and the reason names the refusal and the cure."""

from __future__ import annotations

import re

import pytest

REFUSED = (
    r"no reading since .* \(bus unit: the unit refused with exception 2, illegal data address: .*\); correct its "
    r"register in the bench file, or have the unit answer, and repeat the step"
)


@pytest.mark.parametrize("signal", ["roof_vent", "rain_override"])
def test_a_refused_register_is_named_as_refused(run, shipped, bench_text, signal):
    """The bus is in order, so nobody is sent to look for a fault there; a signal that is read says nothing of it."""
    wrong = re.sub(rf"(  {signal}:\n(?:    .*\n)*?    address: )\d+", r"\g<1>977", bench_text)
    assert wrong != bench_text
    findings = run(shipped["rain-closes-holds-releases"], bench=wrong).findings
    first = next(one for one in findings if one.signal == signal and one.status != "not run")
    assert first.status == "inconclusive"
    assert re.fullmatch(REFUSED, first.why)
    assert not [one for one in findings if one.signal != signal and "refused" in one.why]
