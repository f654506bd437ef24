"""What a bench file forbids no profile does, and what a relay has behind it is told before it is asked for more."""

from __future__ import annotations

import pytest

from ventproof.cli.options import SHIPPED_BENCH
from ventproof_bench.base.clock import utc_now
from ventproof_bench.benchcheck.load import load_bench
from ventproof_bench.outputs.wear import _add, places_of

PULSES = """
profile: pulses
needs:
  outputs: {rain: contact}
  signals: {rain_count: count}
start:
  until: [{signal: rain_count, unchanged: {for: 500 ms}}]
steps:
  - step: six pulses
    do:
      - {pulse: rain, times: 6, closed_for: 125 ms, open_for: 250 ms, label: train}
      - {close: rain, at: 5 s}
      - {open: rain, at: 20 s}
    expect: [{signal: rain_count, counts: 7, within: 30 s, after: train}]
"""


@pytest.fixture
def bench(tmp_path):
    """Return what writes a bench file with limits for the rain contact, and a profile beside it."""

    def write(limits):
        text = SHIPPED_BENCH.read_text(encoding="utf-8")
        key = "  rain:\n" if "  rain:\n" in text else "  rain: {"
        assert key in text
        more = f"limits: {limits}"
        text = text.replace(key, f"  rain:\n    {more}\n" if key.endswith("\n") else f"  rain: {{{more}, ", 1)
        (tmp_path / "limited.yaml").write_text(text, encoding="utf-8")
        (tmp_path / "pulses.yaml").write_text(PULSES, encoding="utf-8")

    return write


@pytest.mark.parametrize(
    ("limits", "line", "said"),
    [
        ("{operations_an_hour: 6}", 12, "more than 6 closures within an hour, its operations_an_hour"),
        ("{shortest_closed: 200 ms}", 11, "it is closed for 0.125 s, and its shortest_closed is 0.2 s"),
        ("{shortest_open: 300 ms}", 11, "it is open for 0.25 s, and its shortest_open is 0.3 s"),
        ("{longest_driven: 14 s}", 12, "it is not open for 15 s, and its longest_driven is 14 s"),
    ],
)
def test_a_profile_that_must_exceed_a_limit_is_refused_with_its_place(limits, line, said, bench, ventproof):
    """Check and run say the same, at the stimulus, and nothing was switched."""
    bench(limits)
    wanted = f"pulses.yaml:{line}:9: output 'rain' of bench limited.yaml: {said}; no profile may exceed"
    for words in (("check", "pulses.yaml"), ("run", "pulses.yaml")):
        code, _, err = ventproof(*words, "--bench", "limited.yaml")
        assert (code, err.startswith(wanted)) == (3, True), err


def test_limits_that_a_profile_keeps_change_nothing(bench, ventproof):
    """At the limits themselves it runs and passes."""
    bench("{operations_an_hour: 7, shortest_closed: 125 ms, shortest_open: 250 ms, longest_driven: 15 s}")
    assert ventproof("check", "pulses.yaml", "--bench", "limited.yaml")[0] == 0
    assert ventproof("run", "pulses.yaml", "--bench", "limited.yaml")[0] == 0


def test_what_depends_on_the_unit_is_held_to_the_limit_in_the_run(bench, ventproof, tmp_path):
    """Nobody knows before how long the unit takes to see the rain; the run that exceeds the limit has no verdict."""
    bench("{longest_driven: 1 s}")
    (tmp_path / "rain.yaml").write_text(
        """
profile: rain until it is seen
needs: {outputs: {rain: contact}, signals: {rain_override: flag}}
start: {until: [{signal: rain_override, equals: off, within: 40 s}]}
steps:
  - {step: rain, do: [{close: rain}], expect: [{signal: rain_override, equals: on, within: 30 s}]}
  - {step: dry, do: [{open: rain}], expect: [{signal: rain_override, equals: off, within: 60 s}]}
""",
        encoding="utf-8",
    )
    assert ventproof("check", "rain.yaml", "--bench", "limited.yaml")[0] == 0
    code, out, _ = ventproof("run", "rain.yaml", "--bench", "limited.yaml")
    said = "output rain: a limit of the bench file ends this: it was not open for 1 s, and that is longest_driven"
    assert (code, said in " ".join(out.split())) == (4, True), out


def test_thirty_days_of_cups_do_not_pass_without_a_word(ventproof, tmp_path):
    """A train that takes a share of a relay's life is warned of; a solid-state relay bears it."""
    wires = (SHIPPED_BENCH.parent / "mock-rtu.yaml").read_text(encoding="utf-8")
    (tmp_path / "days.yaml").write_text(
        """
profile: a month of wind
needs: {outputs: {cups: contact}, signals: {gale_override: flag}}
start: {until: [{signal: gale_override, equals: off, within: 4 s}]}
steps:
  - step: a month
    do: [{wind: cups, speed: 9 m/s}]
    expect: [{signal: gale_override, unchanged: {for: 720 h}}]
""",
        encoding="utf-8",
    )
    (tmp_path / "bench.yaml").write_text(wires, encoding="utf-8")
    code, out, _ = ventproof("check", "days.yaml", "--bench", "bench.yaml")
    assert code == 0
    assert (
        "  warning: days.yaml:7:10: wind of 9 m/s on cups: the relay of cups closes 18,576,000 times; declare"
        in out
    )
    worn = wires.replace("  cups:\n", "  cups:\n    relay: {life: 1000000}\n", 1)
    (tmp_path / "bench.yaml").write_text(worn, encoding="utf-8")
    out = ventproof("check", "days.yaml", "--bench", "bench.yaml")[1]
    assert "closes 18,576,000 times, 1857.6 % of its life of 1,000,000; give it a solid-state relay" in out
    solid = wires.replace("  cups:\n", "  cups:\n    relay: {kind: solid-state}\n", 1)
    (tmp_path / "bench.yaml").write_text(solid, encoding="utf-8")
    assert "the relay of cups" not in ventproof("check", "days.yaml", "--bench", "bench.yaml")[1]


@pytest.mark.parametrize(
    ("used", "said"),
    [(499_999, None), (500_000, "half is gone"), (800_000, "have a new one"), (1_000_000, "replace")],
)
def test_a_worn_relay_is_told_at_half_at_four_fifths_and_when_its_life_is_over(
    used, said, ventproof, tmp_path
):
    """The ledger beside the history says what it has behind it."""
    wires = (SHIPPED_BENCH.parent / "mock-rtu.yaml").read_text(encoding="utf-8")
    text = wires.replace("  cups:\n", "  cups:\n    relay: {life: 1000000}\n", 1)
    (tmp_path / "bench.yaml").write_text(text, encoding="utf-8")
    port = wires.split("port: ", 1)[1].split()[0]
    _add(tmp_path / "records" / "relays.sqlite", {(f"coil 2 of unit 2 on {port}", 0): used})
    code, out, _ = ventproof("check", "bench.yaml", "--bench", "bench.yaml")
    assert code == 0
    assert ("has operated" in out, (said or "valid") in out) == (said is not None, True), out


def test_a_dry_run_warns_of_what_the_hour_before_leaves(bench, ventproof, tmp_path):
    """Seven closures of eight in an hour are enough for one run of the profile, and not for two, or after another."""
    wires = (SHIPPED_BENCH.parent / "mock-rtu.yaml").read_text(encoding="utf-8")
    bench("{operations_an_hour: 8}")
    limited = wires.replace("  rain:\n", "  rain:\n    limits: {operations_an_hour: 8}\n", 1)
    (tmp_path / "bench.yaml").write_text(limited, encoding="utf-8")
    place = next(iter(places_of(load_bench(tmp_path / "bench.yaml").model).values()))
    ledger = tmp_path / "records" / "relays.sqlite"
    dry = ("run", "pulses.yaml", "--bench", "bench.yaml", "--dry-run")
    too_often = "warning: 'pulses' may close rain more than 8 times within an hour"
    code, _, err = ventproof(*dry)
    assert (code, "warning: no ledger in records/relays.sqlite" in err, too_often in err) == (0, True, False)
    assert too_often in ventproof(*dry, "--repeat", "2")[2]
    now = int(utc_now().timestamp())
    _add(ledger, {(place, now - 3700): 50})
    assert ventproof(*dry)[2] == ""
    _add(ledger, {(place, now - 60): 2})
    assert too_often in ventproof(*dry)[2]
