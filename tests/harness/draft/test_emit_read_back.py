"""Profiles as text: read again they are the same, whatever stands in them, and they are laid out for people."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof.cli.options import SHIPPED
from ventproof.draft.emit import profile_text
from ventproof.profile.load import load_profile, read_profile
from ventproof.profile.model import Profile
from ventproof_bench.base.quantities import Dimension, Quantity
from ventproof_bench.base.text import control_in

PROFILES = sorted(SHIPPED.rglob("*.yaml"))


def can_stand(text):
    """Return whether a file can hold a text: no sign that cannot be shown, and no reference to a value."""
    return not control_in(text) and not re.fullmatch(r"\$\w+", text)


TEXTS = st.text(max_size=30).filter(can_stand)
WORDS = TEXTS.filter(len)
SENTENCES = st.lists(st.sampled_from(("rain", "wind: #1", "the vents'", "", "%", "10")), max_size=60)


SHUT = {"reaches": "5 %", "tolerance": "1.5 %", "within": "180 s", "holds": "5 s"}
PURPOSE = "the roof vent is the one that lets most of the rain into the house"
NAMED = Quantity(5.0, Dimension.PERCENT, "$shut")
LAID_OUT = """\
profile: "rain: a test"
about: >
  Rain must close the vents, and they must stay closed for as long as it rains, and for the release delay beside.

needs:
  outputs: {rain: contact}
  signals: {roof: "%"}

values:
  shut: 5 %  # as far as it goes

steps:
  - step: rain
    do:
      - {close: rain, at: 1 s}
    expect:
      - {signal: roof, reaches: $shut, tolerance: 1.5 %, within: 3 min, holds: 5 s}

  - step: more
    expect:
      - signal: roof
        reaches: $shut
        tolerance: 1.5 %
        within: 3 min
        holds: 5 s
        purpose: the roof vent is the one that lets most of the rain into the house
"""


def profile(title="rain", about="", purpose="", **more):
    """Return a small profile."""
    response = {"signal": "flag", "unchanged": {"for": "20 s"}, "purpose": purpose}
    return Profile(
        profile=title,
        about=about,
        needs={"signals": {"flag": "flag"}},
        steps=[{"step": title, "expect": [response]}],
        **more,
    )


@pytest.mark.parametrize("path", PROFILES, ids=lambda path: path.stem)
def test_a_shipped_profile_is_read_as_it_was_printed(path):
    """Every kind of stimulus and response, named values and series included."""
    shipped = load_profile(path)
    again = read_profile("again.yaml", profile_text(shipped.model), shipped.attached)
    assert again.model == shipped.model


@given(WORDS, TEXTS | SENTENCES.map(" ".join) | SENTENCES.map("\n".join), WORDS)
def test_whatever_is_said_is_read_as_it_was_printed(title, about, purpose):
    """Quotes, signs that mean something to YAML, numbers, line breaks and signs that cannot be seen."""
    made = profile(title, about, purpose)
    assert read_profile("again.yaml", profile_text(made)).model == made


def test_a_profile_is_laid_out_for_people():
    """One line for each stimulus and response, wrapped where it is too long; sections apart; notes beside values."""
    rain = {"close": "rain", "at": "1 s"}
    made = Profile.model_validate(
        {
            "profile": "rain: a test",
            "about": "Rain must close the vents, and they must stay closed for as long as it rains, and for the release"
            " delay beside.\n",
            "needs": {"outputs": {"rain": "contact"}, "signals": {"roof": "%"}},
            "values": {"shut": "5 %"},
            "steps": [
                {"step": "rain", "do": [rain], "expect": [{"signal": "roof", **SHUT}]},
                {"step": "more", "expect": [{"signal": "roof", **SHUT, "purpose": PURPOSE}]},
            ],
        }
    )
    steps = [
        step.model_copy(update={"expect": [r.model_copy(update={"reaches": NAMED}) for r in step.expect]})
        for step in made.steps
    ]
    assert profile_text(made.model_copy(update={"steps": steps}), {"shut": "as far as it goes"}) == LAID_OUT
