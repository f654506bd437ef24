"""Verdicts that follow from what the words of a profile mean, on a unit whose behaviour is known."""

from __future__ import annotations

import pytest

from ventproof.verdict.finding import Verdict

PASS, FAIL, OPEN = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE

HEAD = """
profile: by its words
needs:
  outputs:
    {rain: contact, bucket: contact, unit_supply: contact, house_temperature: °C, house_thermometer: °C}
  signals:
    {roof_vent: "%", side_vent: "%", rain_override: flag, gale_override: flag, house_failed: flag,
     rain_count: count, tip_count: count, stage: state}
start:
  set: {rain: open, unit_supply: closed}
  write: {warm: 30 °C}
  until:
    - {signal: roof_vent, reaches: 92 %, tolerance: 2 %, within: 4 min}
    - {signal: rain_count, unchanged: {for: 1 s}}
"""
DRY = "- {step: dry, do: [{wait: 1 s}], expect: [{signal: side_vent, stays_at_least: 1 %, for: 60 s}]}"
RAIN = "- {step: rain, do: [{close: rain}], expect: [{signal: side_vent, stays_at_least: 1 %, for: 60 s}]}"
COOLER = """\
- step: cooler
  do: [{write: house_temperature, value: 26 °C}]
  expect: [{signal: side_vent, stays_at_least: 1 %, for: 40 s}]"""


def always(*required: str, steps: str = RAIN) -> str:
    """Return what holds through the steps; those of one line each, joined by ' + '."""
    return "\n".join(["always:", *(f"  - {{{one}}}" for one in required), "steps:", *indented(steps)])


def indented(text: str) -> list[str]:
    """Return the lines, two places deeper."""
    return [f"  {line}" for line in text.splitlines()]


def ends(*required: str) -> str:
    """Return a rain, and what is required once it ends."""
    return "\n".join(["steps:", f"  {RAIN}", *indented(step("open: rain", *required))])


def step(stimulus: str, *required: str) -> str:
    """Return one step."""
    return "\n".join(
        [
            "- step: it",
            f"  do: [{{{stimulus}, label: it}}]",
            "  expect:",
            *(f"    - {{{one}, after: it}}" for one in required),
        ]
    )


def only(stimulus: str, *required: str) -> str:
    """Return the only step."""
    return "\n".join(["steps:", *indented(step(stimulus, *required))])


SEEN = "- {step: rain, do: [{close: rain}], expect: [{signal: rain_override, equals: on, within: 3 s}]}"
"""Ends with the very reading that shows the override."""


def seen(*required: str) -> str:
    """Return a rain that ends as soon as its override is seen, and what is required then."""
    return "\n".join(["steps:", f"  {SEEN}", *indented(step("open: rain", *required))])


LOW = "signal: roof_vent, stays_at_most: 11 %"
WIDE = "signal: roof_vent, stays_at_least: 90 %"
CALM = "signal: gale_override, stays: 0, tolerance: 0"
IN_OVERRIDE = "while: {rain_override: on}, applies_after: 35 s"
TO_RELEASE = "for: 60 s, until: {rain_override: off}"
FIVE = "pulse: rain, times: 5, closed_for: 200 ms, open_for: 300 ms"
BOUNCY = "rainfall: bucket, intensity: 60 mm/h, for: 1 min, bounce: {times: 2, each: 8 ms}"
CASES = {
    "an override that holds": (always(f"{LOW}, {IN_OVERRIDE}"), "", PASS),
    "a wrong position": (always(f"{LOW}, {IN_OVERRIDE}"), "wrong_roof_position", FAIL),
    "no time to travel": (always(f"{LOW}, while: {{rain_override: on}}"), "", FAIL),
    "a flag that never comes": (always(f"{LOW}, while: {{gale_override: on}}"), "", OPEN),
    "a flag that is stuck": (always(f"{LOW}, {IN_OVERRIDE}"), "flag_stuck", OPEN),
    "a flag that drops out too often": (always(f"{LOW}, {IN_OVERRIDE}"), "flag_drops_out", OPEN),
    "a flag that is inverted": (always(f"{LOW}, {IN_OVERRIDE}", steps=DRY), "flag_inverted", FAIL),
    "true from the start": (always(f"{WIDE}, while: {{rain_override: off}}", steps=DRY), "", PASS),
    "too short for its delay": (always(f"{LOW}, while: {{rain: closed}}, applies_after: 5 min"), "", OPEN),
    "a bound that is met exactly": (always(f"{LOW.replace('11', '8')}, {IN_OVERRIDE}"), "", OPEN),
    "a state that holds": (always(f"{WIDE}, while: {{stage: third}}", steps=DRY), "", PASS),
    "a state that holds in rain": (always(f"{WIDE}, while: {{stage: third}}"), "", FAIL),
    "cooler in the override": (always(f"{LOW}, {IN_OVERRIDE}", steps=f"{RAIN}\n{COOLER}"), "", PASS),
    "a stage beats the override": (
        always(f"{LOW}, {IN_OVERRIDE}", steps=f"{RAIN}\n{COOLER}"),
        "stage_beats_override",
        FAIL,
    ),
    "a flag all the time": (always(CALM), "", PASS),
    "a flag while a contact": (always(f"{CALM}, while: {{rain: closed}}"), "", PASS),
    "a flag while a flag": (always(f"{CALM}, while: {{rain_override: on}}"), "", PASS),
    "a flag that comes": (always("signal: rain_override, stays: 0, tolerance: 0"), "", FAIL),
    "a state all the time": (always("signal: stage, stays: 3, tolerance: 0"), "", PASS),
    "until the release": (ends(f"{LOW}, {TO_RELEASE}"), "", PASS),
    "beyond the release": (ends(f"{LOW}, for: 60 s"), "", FAIL),
    "until an early release": (ends(f"{LOW}, {TO_RELEASE}"), "release_early", PASS),
    "until a release that is stuck": (ends(f"{LOW}, {TO_RELEASE}"), "flag_stuck", FAIL),
    "until the release, elsewhere": (ends(f"{LOW}, {TO_RELEASE}"), "wrong_roof_position", FAIL),
    "already released": (only("close: rain", f"{LOW}, {TO_RELEASE}"), "", FAIL),
    "held from the reading on": (seen("signal: rain_override, unchanged: {for: 28 s}"), "", PASS),
    "stuck from the reading on": (
        seen("signal: rain_override, equals: off, within: 33 s"),
        "never_releases",
        FAIL,
    ),
    "at least as many": (only(FIVE, "signal: rain_count, counts_at_least: 5, within: 9 s"), "", PASS),
    "at least one more": (only(FIVE, "signal: rain_count, counts_at_least: 6, within: 9 s"), "", FAIL),
    "at most as many": (only(FIVE, "signal: rain_count, counts_at_most: 5, for: 9 s"), "", PASS),
    "at most one less": (only(FIVE, "signal: rain_count, counts_at_most: 4, for: 9 s"), "", FAIL),
    "each twice": (only(FIVE, "signal: rain_count, counts_at_most: 5, for: 9 s"), "counts_twice", FAIL),
    "bounce": (only(BOUNCY, "signal: tip_count, counts: 5, within: 65 s"), "", PASS),
    "bounce that counts": (
        only(BOUNCY, "signal: tip_count, counts_at_most: 5, for: 65 s"),
        "tips_not_debounced",
        FAIL,
    ),
}
SIGNALLED = {
    ("21 mA", ""): PASS,
    ("3.6 mA", ""): PASS,
    ("24 mA", ""): PASS,
    ("0 mA", ""): PASS,
    ("21 mA", "high_end_unchecked"): FAIL,
    ("3.6 mA", "high_end_unchecked"): PASS,
    ("3.6 mA", "low_end_unchecked"): FAIL,
    ("21 mA", "low_end_unchecked"): PASS,
}


@pytest.mark.parametrize(("steps", "fault", "verdict"), CASES.values(), ids=CASES)
def test_a_verdict_is_what_the_words_say(run, steps, fault, verdict):
    """Healthy or faulty, a unit whose behaviour is known gets the verdict that it deserves."""
    assert (
        run(HEAD.replace("warm", "house_temperature") + steps, faults=fault.split()).outcome.verdict
        is verdict
    )


@pytest.mark.parametrize(("level", "fault"), SIGNALLED)
def test_a_signalled_failure_is_found_out(run, level, fault):
    """A transmitter's own alarm, low or high, is a failed sensor; a unit that checks one end misses the other."""
    steps = only(
        f"fail: house_thermometer, mode: signals, level: {level}",
        "signal: house_failed, equals: on, within: 4 s",
    )
    verdict = run(HEAD.replace("warm", "house_thermometer") + steps, faults=fault.split()).outcome.verdict
    assert verdict is SIGNALLED[level, fault]
