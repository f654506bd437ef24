"""The smallest severity that is still found, for units whose threshold is known."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof.challenge.search import smallest_found


@settings(max_examples=60)
@given(threshold=st.floats(min_value=0.002, max_value=1000))
def test_it_is_found_to_a_tenth(threshold):
    """What is returned is found, and a tenth less may not be."""
    smallest = smallest_found(lambda severity: severity >= threshold)
    assert smallest is not None
    assert threshold <= smallest <= 1.1 * threshold


def test_a_fault_that_is_never_found_has_none():
    """Up to the most that the catalogue takes, and no further."""
    tried = []
    assert smallest_found(lambda severity: bool(tried.append(severity))) is None
    assert max(tried) == 1000


def test_a_fault_that_is_always_found_ends_at_a_thousandth():
    """The search does not go on for ever towards nothing."""
    assert smallest_found(lambda _: True) == pytest.approx(1 / 1024)
