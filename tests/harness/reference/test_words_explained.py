"""`ventproof explain`: every key is explained, every example loads, an unknown word leads to the nearest."""

from __future__ import annotations

from importlib.resources import files
from textwrap import indent

import pytest
import yaml

from ventproof.papers.acceptance import read_acceptance
from ventproof.papers.waivers import read_waivers
from ventproof.profile.bind import bind
from ventproof.profile.load import read_profile
from ventproof.reference.schema import docs_of, families
from ventproof.reference.words import (
    EXAMPLES,
    example_text,
    examples,
    explain,
    fault_topics,
    keys,
    sought,
    topics,
    whole_text,
    words,
)
from ventproof.runset.campaign import read_campaign
from ventproof.runset.rack_file import read_rack
from ventproof.table.load import fit_problems, read_table
from ventproof.verdict import finding
from ventproof_bench.base.errors import FileError
from ventproof_bench.base.quantities import parse, value_fault
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.drivers.driver import find, names
from ventproof_bench.mock.faults.catalogue import CATALOGUE

SERIES = {name: example_text(name) for name in ("gauge.csv", "mast.csv")}
READERS = {
    "profile": lambda path, text: read_profile(path, text, SERIES),
    "bench": read_bench,
    "table": read_table,
    "acceptance": read_acceptance,
    "waivers": read_waivers,
    "campaign": read_campaign,
    "rack": read_rack,
}


@pytest.mark.parametrize("file", EXAMPLES)
def test_every_example_file_loads(file):
    """The files that examples are cut out of are right, checks across their parts included."""
    loaded = READERS[file.removesuffix(".yaml").partition("-")[0]](file, example_text(file))
    assert loaded.notes == ()


def test_the_whole_examples_are_right_and_fit_each_other():
    """What `explain profile`, `bench` and `table` show can be copied: all load, profile and table fit the bench."""
    loaded = {kind: READERS[kind](f"{kind}.yaml", whole_text(kind)) for kind in ("profile", "bench", "table")}
    assert all(file.notes == () for file in loaded.values())
    bind(loaded["profile"], loaded["bench"], {})
    assert list(fit_problems(loaded["table"], loaded["bench"])) == []
    for kind, file in loaded.items():
        assert indent(file.text.rstrip(), "    ") in explain(kind)


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
    assert text.startswith("`reaches:` is a kind of response (profile)\n")
    assert "{signal: roof_vent, reaches: 92 %, tolerance: 2 %, within: 2 min}" in text


def test_a_key_with_several_meanings_gives_all():
    """`at_rest` has one place, `signal` several; a default is told."""
    assert "Unless stated: open." in explain("at_rest")
    assert "interlock" in explain("signal")
    assert "always" in explain("signal")


def test_every_fault_is_listed_with_its_severity():
    """`explain faults` lists the whole catalogue, what each does and what a severity means."""
    told = explain("faults")
    for fault in CATALOGUE.values():
        assert f"  {fault.name}: {fault.about}\n    Severity: {fault.severity or 'none, it is'}" in told
    assert "`faults:` in bench file: mock" in told


def test_a_fault_is_explained_by_its_name():
    """A single fault can be asked for, however it is misspelt, and its example is what `--fault` takes."""
    told = explain("entry_late")
    assert told.startswith(
        f"entry_late: a fault that the mock unit can be given. {CATALOGUE['entry_late'].about}\n"
    )
    assert "Severity: 1 is 5 s late; more is later." in told
    assert told.endswith("--fault entry_late=2")
    assert explain("counts_bounce").endswith("--fault counts_bounce")
    with pytest.raises(FileError, match="did you mean 'entry_late'"):
        explain("entry_lat")


@pytest.mark.parametrize("family", families(), ids=lambda family: family.name)
def test_the_kinds_are_listed_where_one_is_chosen(family):
    """`expect`, `do`, `link`, `kind` and `driver` list what may stand there, a line each; each is explained."""
    for word in family.listed_by:
        listed = explain(word).splitlines()
        for kind in family.kinds:
            assert f"  {family.form.format(kind.word)} {kind.summary}" in listed
            assert f" is a kind of {family.name} ({family.file})\n" in explain(kind.word)
            assert kind.summary.endswith("."), kind


def test_there_are_twenty_two_kinds_of_response():
    """The list is the one of the model's union."""
    assert [len(family.kinds) for family in families() if family.name == "response"] == [22]


def test_a_kind_says_what_it_demands_and_which_keys_it_takes():
    """What a response demands is told in the words of its keys; a nested key's own are told below it."""
    reaches = explain("reaches")
    assert "within `tolerance` of this value at the latest `within` after the stimulus" in reaches
    assert (
        "Needs: tolerance, within, signal. "
        "May have: holds, id, requirements, after, after_end_of, purpose, already_so.\n" in reaches
    )
    assert "Below `unchanged:` Needs: for. May have: tolerance.\n" in explain("unchanged")
    assert "Needs: bus, coil. May have: unit_id.\n" in explain("coil")
    assert "Needs: host. May have: tcp_port, timeout" in explain("tcp")


def test_places_are_told_in_groups():
    """A key that all kinds have is told once; one that some have names them."""
    assert explain("after").startswith("`after:` in profile: every response\n")
    assert "in profile: responses reaches, stays, returns" in explain("tolerance")
    for word in words():
        for line in explain(word).splitlines():
            assert not line.startswith("`") or line.count(";") <= 3, line  # a place each


def test_a_default_has_its_unit():
    """What is kept in seconds says so, a plain number does not."""
    assert "Unless stated: 0.1 s." in explain("poll_every")
    assert "Unless stated: 502." in explain("tcp_port")


@pytest.mark.parametrize("word", ["reference number", "safe state", "virtual time", "Safe   State:"])
def test_a_word_of_several_words_is_found(word):
    """Words are joined however they are spaced."""
    assert explain(word)


def test_terms_of_the_evidence_are_told_apart():
    """A window is not a sample, and a verdict's word is not the list of verdicts."""
    assert len({topics()[word].text for word in ("window", "sample", "evidence")}) == 3
    assert len({topics()[word].text for word in ("pass", "fail", "inconclusive", "aborted", "verdict")}) == 5


def test_an_unknown_word_leads_to_the_nearest():
    """A slip gives the nearest word, nonsense the way to the list."""
    with pytest.raises(
        FileError, match=r"^explain: 'reachs' is not a word of the files; did you mean 'reaches'\?$"
    ):
        explain("reachs")
    with pytest.raises(
        FileError, match=r"'qqqq' is not a word of the files; `ventproof explain` without a word lists them"
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
    wanted |= {
        "inconclusive",
        "pass",
        "fail",
        "aborted",
        "relay",
        "holding",
        "seed",
        "use",
        "digest",
        "faults",
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
        ("5 s", "%", "expected a value in %, found '5 s'"),
        ("5 %", "flag", "expected a number without unit, found '5 %'"),
        ("68 °F", "°C", None),
    ],
)
def test_a_value_must_fit_its_unit(text, unit, reason):
    """Any unit of the right dimension fits; the rest says what is wanted."""
    said = value_fault(parse(text), unit, "the signal")
    assert (said[0] if said else None) == reason


def test_every_word_that_is_looked_for_leads_to_one_that_explains_it():
    """None leads nowhere, none hides a word of the files, and none stands twice."""
    text = (files("ventproof.reference") / "sought.yaml").read_text(encoding="utf-8")
    listed = [str(word) for some in yaml.load(text, yaml.BaseLoader).values() for word in some]
    assert sorted(listed) == sorted(set(listed))
    assert set(sought()) == set(listed)
    assert not set(sought()) & {*words(), *fault_topics()}
    for word, leads_to in sought().items():
        assert explain(word).startswith(f"{word}: see `{leads_to}`.\n\n")


TYPED = [
    "thermometer",
    "thermistor",
    "pt100",
    "pt1000",
    "resistance",
    "relay",
    "wiring",
    "drift",
    "tags",
    "registers",
    "rs485",
    "RS-232",
    "usb",
    "baud",
    "parity",
    "termination",
    "bias",
    "earth",
    "shield",
    "fuse",
    "4-20mA",
    "0-10V",
    "voltage",
    "current",
    "potentiometer",
    "anemometer",
    "vane",
    "gauge",
    "pulses",
    "counter",
    "debounce",
    "NO",
    "NC",
    "dry-contact",
    "limit-switch",
    "motor",
    "travel",
    "stroke",
    "deadband",
    "threshold",
    "delay",
    "poll",
    "modbus",
    "slave",
    "unit-id",
    "gateway",
    "word-order",
    "endian",
    "float",
    "setpoint",
    "alarm",
    "e-stop",
    "fail-safe",
    "watchdog",
    "calibration",
    "uncertainty",
    "deadline",
    "report",
    "log",
    "firmware",
    "suite",
    "acceptance",
    "junit",
    "terminal",
    "cable",
    "broken-wire",
    "stuck",
    "lockout",
    "simulator",
    "power-failure",
]
"""What a technician would type, in a technician's spelling."""


@pytest.mark.parametrize("word", TYPED)
def test_a_word_that_a_technician_types_leads_somewhere(word):
    """Each is explained, or leads to the word that explains it, whatever its joints and capitals."""
    assert len(explain(word)) > 60


@pytest.mark.parametrize("word", ["exit", "exit code", "exit codes"])
def test_exit_codes_are_explained_each_and_no_other(word):
    """By those that the commands end with."""
    told = explain(word).partition("Example:")[2]
    numbers = {int(line.split()[0]) for line in told.splitlines() if line.strip()}
    assert numbers == {code for name, code in vars(finding).items() if name.startswith("EXIT_")}


@pytest.mark.parametrize("name", names())
def test_every_driver_says_what_it_is(name):
    """Each driver has a sentence for `ventproof explain`, and a docstring for each of its words."""
    driver = find(name)
    assert driver.about.endswith(".")
    assert driver.options.model_fields.keys() - docs_of(driver.options) <= {"port"}
