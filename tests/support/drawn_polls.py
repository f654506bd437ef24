"""Polls as a log may hold them."""

from __future__ import annotations

from hypothesis import strategies as st

from ventproof_bench.base.evidence import Poll, Unread

TIMES = st.floats(0, 1e9) | st.sampled_from([0.0, 1e-06, 0.000123, 0.1, 123456.789012, 1e16])
WORDS = st.lists(st.sampled_from([0, 1, 0x8000, 0xFFFF]), min_size=1, max_size=3).map(tuple)
NAMES = ["roof_vent", 'a "quoted" vent', "Lüftung", "half a pair \ud800", '","from":1.0,"to":1.0,']
SOME = st.sampled_from([1e-05, 1e16, -0.0, 0.1 + 0.2, 55.0])


def decoded(words):
    """Return values as a bus decodes them: by the words alone."""
    numbers = [1e-05, 1e16, -0.0, 0.1 + 0.2, 655.35]
    values = {NAMES[at]: numbers[(word + at) % len(numbers)] for at, word in enumerate(words)}
    return values, (Unread("side_vent", "no number"),) if words[-1] == 0x8000 else ()


@st.composite
def polls(draw):
    """Draw polls of buses, and of a vent that is played, whose polls have no words."""
    requested_s, took_s = draw(TIMES), draw(TIMES)
    bus = draw(st.sampled_from(["unit", NAMES[4]]))
    if draw(st.booleans()):
        shown = {"opens": draw(st.booleans())}
        return Poll(
            bus, requested_s, requested_s + took_s, {"vent": draw(SOME)}, "played", 0, (), shown=shown
        )
    words = draw(WORDS)
    values, unread = decoded(words)
    return Poll(
        bus, requested_s, requested_s + took_s, values, "input", draw(st.integers(0, 1)), words, unread
    )
