"""`ventproof selfcheck`: its exit codes, and what the other commands make of its log."""

from __future__ import annotations

import json

from miswired import quick_text
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH


def lines_of(log):
    """Return the lines of a log as JSON tells them."""
    return [json.loads(line) for line in log.read_bytes().splitlines()]


def test_a_self_check_ends_with_what_the_bench_can_decide(ventproof, tmp_path):
    """Code 0, a few lines, with `--all` each measurement, the log where it says, and a chain that holds."""
    code, out, _ = ventproof("selfcheck", "--bench", SHIPPED_BENCH)
    assert code == 0
    assert "smallest tolerance that can be decided: roof_vent 1.05 %, " in out
    assert "rain: roof_vent 92.0 % to 8.0 %, side_vent 88.0 % to 45.0 %, rain_override off to on" in out
    assert len(out.splitlines()) <= 24
    assert "┏" not in out
    assert "not decidable: rain_contact, failure_override, " in out
    assert "fine: all measured values within declared limits, wiring correct; left out: " in out
    assert "records/selfcheck-bench.jsonl" in out
    code, out, _ = ventproof("verify", tmp_path / "records" / "selfcheck-bench.jsonl")
    assert code == 0
    assert "lines, fine, digest" in out
    _, out, _ = ventproof("selfcheck", "--wiring", "--all", "--bench", SHIPPED_BENCH)
    assert "signals after operating rain\n┏" in out


def test_a_self_check_is_no_run(ventproof):
    """Its log has nothing that could be judged."""
    ventproof("selfcheck", "--wiring", "--bench", SHIPPED_BENCH)
    assert ventproof("judge", "records/selfcheck-unit.jsonl") == (
        3,
        "",
        "the log:1: it holds no run of a profile; a self-check's log is for `ventproof verify`\n",
    )


def test_a_run_names_its_self_check(ventproof, tmp_path):
    """In the first line and in the summary: either kind of check, and what it did not judge; the mock needs none."""
    run = ["run", shipped_path("rain-count"), "--bench", SHIPPED_BENCH, "--out"]
    for kind, option, said in (("bench", [], "self-check"), ("unit", ["--wiring"], "check of the hook-up")):
        ventproof("selfcheck", *option, "--bench", SHIPPED_BENCH)
        _, out, _ = ventproof(*run, kind, "--selfcheck", f"records/selfcheck-{kind}.jsonl")
        assert f"{said}: fine, not judged: unit_supply, rain_release_delay, " in out
        pinned = lines_of(next((tmp_path / kind).glob("*.jsonl")))[0]["selfcheck"]
        assert (pinned["result"], pinned["kind"], pinned["left"][0]) == ("fine", kind, "unit_supply")
    _, out, _ = ventproof(*run, "without")
    assert "self-check" not in out
    assert lines_of(next((tmp_path / "without").glob("*.jsonl")))[0]["selfcheck"] is None


def test_what_was_not_judged_is_listed_and_is_code_2(ventproof, tmp_path):
    """A bench file that says less than it could is neither fine nor accused."""
    weak = tmp_path / "weak.yaml"
    text = quick_text().replace("gust: 0 m/s to 16 m/s", "gust: up")
    weak.write_text(text, encoding="utf-8")
    code, out, _ = ventproof("selfcheck", "--wiring", "--bench", weak)
    assert code == 2
    assert "not judged: gust: with `scale: 0.01` the response would have been the same" in out
    assert "not everything was judged; no error found in the rest" in out


def test_something_wrong_is_code_2_and_a_bench_that_failed_4(ventproof, tmp_path):
    """Each with a sentence that says what."""
    quick = tmp_path / "quick.yaml"
    quick.write_text(quick_text(), encoding="utf-8")
    for option, said in ((["--wiring"], "wiring errors found"), ([], "or wiring errors")):
        code, out, _ = ventproof("selfcheck", *option, "--bench", quick, "--fault", "flag_inverted")
        assert code == 2
        assert (
            "'rain_override' reads 1 and then 0 flag where output 'rain' should bring on: it is inverted"
            in out
        )
        assert said in out
    deaf = tmp_path / "deaf.yaml"
    deaf.write_text(SHIPPED_BENCH.read_text(encoding="utf-8").replace("timeout: 500 ms", "timeout: 1 ms"))
    code, out, _ = ventproof("selfcheck", "--bench", deaf)
    assert (code, "nothing answers on bus 'unit'" in out) == (2, True)
    code, out, _ = ventproof(
        "selfcheck", "--confirm-clear", "--bench", SHIPPED_BENCH.with_name("mock-tcp.yaml")
    )
    assert (code, "the bench failed: " in out) == (4, True)


def test_real_outputs_are_not_driven_before_somebody_says_clear(ventproof):
    """As with `run`: nobody at a terminal, no --confirm-clear, nothing is opened."""
    code, _, err = ventproof("selfcheck", "--bench", SHIPPED_BENCH.with_name("mock-rtu.yaml"))
    assert code == 3
    assert "give --confirm-clear once that is so" in err
