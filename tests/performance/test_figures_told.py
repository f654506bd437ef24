"""A figure is marked where it changed beyond noise, and only there."""

from __future__ import annotations

import random

import pytest
from figures import Figure, change, read, table, written

QUIET = [4.0, 4.05, 4.1, 3.95, 4.02, 4.08, 3.99]


def figure(values, better="less", limit=4.5):
    return Figure("a run", list(values), better, limit, 2.2, "objects")


@pytest.mark.parametrize(
    ("now", "better", "mark"),
    [
        (QUIET, "less", ""),
        ([v * 1.3 for v in QUIET], "less", "worse"),
        ([v * 1.3 for v in QUIET], "more", "better"),
        ([v * 0.8 for v in QUIET], "less", "better"),
        ([v * 1.03 for v in QUIET], "less", ""),  # sure, and too small to matter
        ([4.9, 3.2, 6.1, 3.9, 4.0, 5.5, 3.4], "less", ""),  # large, and not sure
        ([8.0, 8.1], "less", ""),  # two rounds prove nothing
    ],
)
def test_a_change_is_told_from_noise(now, better, mark):
    """By rank, so that one disturbed round decides nothing."""
    assert change(figure(QUIET, better), figure(now, better)) == mark


def test_noise_alone_is_seldom_marked():
    """Of 400 pairs from one spread about one in a hundred at most."""
    r = random.Random(4)
    marked = sum(
        bool(change(*(figure([r.lognormvariate(1, 0.1) for _ in range(7)]) for _ in range(2))))
        for _ in range(400)
    )
    assert marked <= 12


def test_the_best_round_is_held_to_the_limit():
    """A disturbed round is no slow program; every round too slow is one."""
    assert figure([9.0, 4.4, 7.0]).holds
    assert not figure([9.0, 4.6, 7.0]).holds
    assert figure([90, 210, 30], "more", 200).holds
    assert "BEYOND" in table([figure([9.0])], [])


def test_figures_are_read_as_they_were_written():
    """And shown beside each other, with what bounds each."""
    old, new = [figure(QUIET)], [figure([v * 1.3 for v in QUIET])]
    assert read(written(old, {"python": "3"})) == old
    shown = table(new, old).splitlines()
    assert shown[1].split()[-2:] == ["4.02", "worse"] or shown[1].split()[-1] == "worse"
    assert shown[-1] == "a run: objects"


def test_another_file_is_refused():
    """An old format would be compared with what it does not say."""
    with pytest.raises(ValueError, match="not figures of format 1"):
        read('{"format": 2, "figures": []}')
