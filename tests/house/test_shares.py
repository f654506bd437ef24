"""`make test` tries all quick tests and a share of the costly ones: the shares together leave none out."""

from __future__ import annotations

import json

from hypothesis import given
from hypothesis import strategies as st
from shares import ALWAYS, COSTLY_S, COSTS, SHARES, share_of_commit, tried

SECONDS = st.floats(0, 3 * COSTLY_S)
FILES = st.dictionaries(
    st.from_regex("tests/(house|bench|harness)/test_[a-z]{1,4}[.]py", fullmatch=True),
    st.tuples(SECONDS, SECONDS),
)


@given(FILES)
def test_each_costly_test_is_in_one_share_and_each_other_one_in_all(costs):
    """So twelve commits with twelve shares try everything, and no file that became costly escapes."""
    tests = [f"{file}::test[{case}]" for file in [*costs, "tests/new.py"] for case in range(5)]
    shares = [tried(tests, costs, share) for share in range(SHARES)]
    for test in tests:
        file = test.partition("::")[0]
        costly = sum(costs.get(file, (0, 0))) >= COSTLY_S and not file.startswith(ALWAYS)
        assert sum(test in share for share in shares) == (1 if costly else SHARES)


@given(FILES)
def test_a_file_whose_tests_share_what_is_costly_is_tried_as_a_whole(costs):
    """Its fixture is paid for once in twelve commits, and not for one test of each."""
    for file, (shared_s, own_s) in costs.items():
        if shared_s > own_s:
            tests = {f"{file}::test[{case}]" for case in range(20)}
            assert all(tried(tests, costs, share) in (tests, set()) for share in range(SHARES))


def test_the_costs_that_are_kept_are_of_files_that_exist():
    """A file that was renamed would count as quick again."""
    root = COSTS.parents[1]
    assert 0 <= share_of_commit() < SHARES
    assert [
        file for file in json.loads(COSTS.read_text(encoding="utf-8")) if not (root / file).exists()
    ] == []
