"""Weather amid which the supply is cut: for moments that a unit may not feel, for longer, and again while it starts."""

from __future__ import annotations

from itertools import chain

from hypothesis import strategies as st

_DEAD_TENTHS = st.sampled_from([1, 4, 6, 15, 50, 120, 400])
_ALIVE_TENTHS = st.sampled_from([3, 10, 25, 42, 80])
_CUTS = st.lists(st.tuples(_DEAD_TENTHS, _ALIVE_TENTHS), min_size=1, max_size=3)
_BEFORE_TENTHS = st.sampled_from([5, 20, 100, 300])


def interrupted(entries, *, cut, back, most=10):
    """Return stories of these entries with cuts between.

    Args:
        entries: of a story: tenths of a second since the entry before, and what happens.
        cut: what happens where the supply goes.
        back: what happens where it returns.
        most: so many entries, or cuts that belong together.
    """

    def told(wait, cuts):
        for dead, alive in cuts:
            yield from ((wait, cut), (dead, back))
            wait = alive

    cuts = st.builds(told, _BEFORE_TENTHS, _CUTS)
    pieces = st.one_of(entries.map(lambda entry: [entry]), cuts)
    return st.lists(pieces, max_size=most).map(lambda told: [*chain.from_iterable(told)])
