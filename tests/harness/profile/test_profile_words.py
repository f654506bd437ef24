"""`ventproof explain`: every key is explained, every example loads, an unknown word leads to the nearest."""

from __future__ import annotations

import pytest

from bench.benchfile import read_bench
from bench.errors import FileError
from bench.fits import value_fault
from bench.units import parse
from harness.profile.load import read_profile
from harness.profile.topics import topics
from harness.profile.words import EXAMPLES, example_text, examples, explain, keys, words


@pytest.mark.parametrize("file", EXAMPLES)
def test_every_example_file_loads(file):
    """The files that examples are cut out of are right, checks across their parts included."""
    loaded = (read_profile if file.startswith("profile") else read_bench)(file, example_text(file))
    assert loaded.notes == ()


def test_every_key_has_a_meaning_and_an_example():
    """No key of the two kinds of file, nor of a driver's own words, is left unexplained."""
    for key, meanings in keys().items():
        assert all(meaning.text for meaning in meanings), key
        assert examples(key), key
        assert explain(key)


def test_every_example_shows_its_word():
    """What is shown for a key holds the key."""
    for key in keys():
        assert all(f"{key}:" in example for example in examples(key)), key


@pytest.mark.parametrize("word", ["reaches", "Reaches", "reaches:", "`reaches`"])
def test_a_word_is_found_however_it_is_typed(word):
    """Case, colon and back-quotes do not matter."""
    text = explain(word)
    assert text.startswith(
        "`reaches:` in profile, start, until (reaches); profile, steps, expect (reaches)\n"
    )
    assert "{signal: roof_vent, reaches: 99 %, tolerance: 2 %, within: 2 min}" in text


def test_a_key_with_several_meanings_gives_all():
    """`at_rest` has one place, `signal` several; a default is told."""
    assert "Unless stated: open." in explain("at_rest")
    assert "interlock" in explain("signal")
    assert "always" in explain("signal")


def test_an_unknown_word_leads_to_the_nearest():
    """A slip gives the nearest word, nonsense the way to the list."""
    with pytest.raises(
        FileError, match=r"^explain: 'reachs' is no word of the files; did you mean 'reaches'\?$"
    ):
        explain("reachs")
    with pytest.raises(
        FileError, match=r"'qqqq' is no word of the files; `ventproof explain` without a word lists them"
    ):
        explain("qqqq")


def test_the_words_of_the_design_are_there():
    """Terms that appear in messages and records can be looked up."""
    wanted = {
        "bench",
        "output",
        "signal",
        "override",
        "profile",
        "stimulus",
        "response",
        "verdict",
        "margin",
        "record",
    }
    wanted |= {
        "fault",
        "envelope",
        "guarded",
        "off-by-one",
        "contact",
        "units",
        "drivers",
        "files",
        "$name",
        "caution",
    }
    assert wanted <= set(words())


def test_drivers_and_units_are_listed_from_their_tables():
    """The lists follow what is installed and what the unit table holds."""
    assert "coil (contact):" in explain("drivers")
    assert "speed: m/s, km/h, mph, kn" in explain("units")


def test_every_topic_is_text_of_one_paragraph():
    """Topics read as one paragraph with an example below."""
    for word, topic in topics().items():
        assert "\n" not in topic.text, word
        assert topic.text.endswith("."), word


@pytest.mark.parametrize(
    ("text", "unit", "reason"),
    [
        ("5 %", "%", None),
        ("5", "%", "'5' has no unit"),
        ("5 s", "%", "'5 s' where a value in % is wanted"),
        ("5 %", "flag", "'5 %' where a bare number is wanted"),
        ("68 °F", "°C", None),
    ],
)
def test_a_value_must_fit_its_unit(text, unit, reason):
    """Any unit of the right dimension fits; the rest says what is wanted."""
    said = value_fault(parse(text), unit, "the signal")
    assert (said[0] if said else None) == reason
