"""`ventproof selfcheck`: its exit codes, and what the other commands make of its log."""

from __future__ import annotations

import json

from ventproof.cli.options import SHIPPED, SHIPPED_BENCH


def lines_of(log):
    """Return the lines of a log as JSON tells them."""
    return [json.loads(line) for line in log.read_bytes().splitlines()]


def test_a_self_check_ends_with_what_the_bench_can_decide(ventproof, tmp_path):
    """Code 0, tables, the log where it says, and a chain that holds."""
    code, out, _ = ventproof("selfcheck", "--bench", SHIPPED_BENCH)
    assert code == 0
    assert "smallest tolerance" in out
    assert "undecided: rain_contact, failure_override, " in out
    assert "nothing was measured to be worse than the bench file declares" in out
    assert "records/selfcheck-bench.jsonl" in out
    code, out, _ = ventproof("verify", tmp_path / "records" / "selfcheck-bench.jsonl")
    assert code == 0
    assert "lines, fine, digest" in out


def test_a_self_check_is_no_run(ventproof):
    """Its log has nothing that could be judged."""
    ventproof("selfcheck", "--unit", "--bench", SHIPPED_BENCH)
    assert ventproof("judge", "records/selfcheck-unit.jsonl") == (
        3,
        "",
        "the log:1: it holds no run of a profile; a self-check's log is for `ventproof verify`\n",
    )


def test_a_run_names_its_self_check(ventproof, tmp_path):
    """In the first line of the record and in the summary; the mock, which is as its file says, is left in peace."""
    ventproof("selfcheck", "--bench", SHIPPED_BENCH)
    run = ["run", SHIPPED / "rain-count.yaml", "--bench", SHIPPED_BENCH, "--out"]
    _, out, _ = ventproof(*run, "with", "--selfcheck", "records/selfcheck-bench.jsonl")
    assert "self-check: fine, digest" in out
    _, out, _ = ventproof(*run, "without")
    assert "self-check" not in out
    first, second = (lines_of(next((tmp_path / d).glob("*.jsonl")))[0] for d in ("with", "without"))
    assert first["selfcheck"]["result"] == "fine"
    assert second["selfcheck"] is None


def test_something_wrong_is_code_2_and_a_bench_that_failed_4(ventproof, tmp_path):
    """Each with a sentence that says what."""
    code, out, _ = ventproof("selfcheck", "--unit", "--bench", SHIPPED_BENCH, "--fault", "ignores_rain")
    assert code == 2
    assert "something is hooked up wrong" in out
    deaf = tmp_path / "deaf.yaml"
    deaf.write_text(SHIPPED_BENCH.read_text(encoding="utf-8").replace("timeout: 500 ms", "timeout: 1 ms"))
    code, out, _ = ventproof("selfcheck", "--bench", deaf)
    assert code == 4
    assert "the bench failed: " in out


def test_real_outputs_are_not_driven_before_somebody_says_clear(ventproof):
    """As with `run`: nobody at a terminal, no --clear, nothing is opened."""
    code, _, err = ventproof("selfcheck", "--bench", SHIPPED_BENCH.with_name("mock-rtu.yaml"))
    assert code == 3
    assert "give --clear once that is so" in err
