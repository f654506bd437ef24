"""A campaign file that would make a run twice, or that lists nothing, is refused where it does."""

import pytest

from ventproof.runset.campaign import read_campaign
from ventproof_bench.base.errors import FileError


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "seeds: [0, 1]\nrepeats: 2",
            "2:12: seed 1 is that of repeat 2 of seed 0: the same runs again; write seeds that are 2 or more apart",
        ),
        (
            "seeds: [9, 3, 7]\nrepeats: 5",
            "2:9: seed 9 is that of repeat 3 of seed 7: the same runs again; write seeds that are 5 or more apart",
        ),
        (
            "faults: [slow_debounce, slow_debounce=1.0]",
            "2:25: 'slow_debounce=1.0' is 'slow_debounce' again; list",
        ),
        (
            "faults: [slow_debounce=2, slow_debounce=2.0]",
            "2:27: 'slow_debounce=2.0' is 'slow_debounce=2' again",
        ),
        ("profiles: []", "2:1: 'profiles' has no entry; write 1 or more"),
        ("units: []", "2:1: 'units' has no entry; write 1 or more"),
        ("seeds: []", "2:1: 'seeds' has no entry; write 1 or more"),
        ("units: [V-1, 'V-1 ']", "2:14: 'V-1 ' begins or ends with a blank; write 'V-1'"),
        (
            "units: [V-1, v-1]",
            "2:1: 'v-1' is 'V-1' but for upper and lower case; write a name in one way only",
        ),
        (
            "benches: [{file: a.yaml, firmware: [' 2.1']}]",
            "2:37: ' 2.1' begins or ends with a blank; write '2.1'",
        ),
    ],
)
def test_what_would_run_twice_or_not_at_all_is_refused(text, said):
    """The same runs again are no further evidence, and an empty list is not a list that was left out."""
    with pytest.raises(FileError) as refused:
        read_campaign("night.yaml", f"campaign: a night\n{text}\n")
    assert f"night.yaml:{said}" in str(refused.value)


def test_seeds_that_are_apart_and_severities_that_differ_are_taken():
    """As many seeds as there are repeats lie between two of them."""
    text = "campaign: a night\nseeds: [4, 0, 2]\nrepeats: 2\nfaults: [none, slow_debounce, slow_debounce=2]\n"
    assert read_campaign("night.yaml", text).model.seeds == [4, 0, 2]
