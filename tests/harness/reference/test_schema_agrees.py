"""The JSON Schemas: valid themselves, and never stricter than the program's own check."""

from __future__ import annotations

from pathlib import Path

import pytest
from drawing import cases
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from ventproof.papers.acceptance import read_acceptance
from ventproof.papers.waivers import read_waivers
from ventproof.profile.load import read_profile
from ventproof.reference.schema import KINDS, schema
from ventproof.reference.words import example_text
from ventproof.runset.campaign import read_campaign
from ventproof.runset.rack_file import read_rack
from ventproof.table.load import read_table
from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.yamlfile.tree import as_data, grow_tree

ROOT = Path(__file__).parents[3]
TABLES = {"mock-overrides.yaml", "snow-house-overrides.yaml", "wind-house-overrides.yaml", "table.yaml"}
FILES = [
    ("table" if path.name in TABLES else "bench", path)
    for path in sorted((ROOT / "bench" / "files").glob("*.yaml"))
]
FILES += [("profile", path) for path in sorted((ROOT / "profiles").glob("**/*.yaml"))]
FILES += [(path.stem, path) for path in sorted((ROOT / "bench" / "files" / "papers").glob("*.yaml"))]
EXAMPLES = sorted((ROOT / "harness" / "profile" / "examples").glob("*.yaml"))
FILES += [(path.stem.removeprefix("whole-").partition("-")[0], path) for path in EXAMPLES]
FILES += [("rack", ROOT / "harness" / "ventproof" / "reference" / "examples" / "rack.yaml")]
SHOWER = "series/shower.csv"
SERIES = {
    SHOWER: (ROOT / "profiles" / "weather" / "rain" / SHOWER).read_text(encoding="utf-8"),
    **{name: example_text(name) for name in ("gauge.csv", "mast.csv")},
}
READERS = {
    "profile": lambda path, text: read_profile(path, text, SERIES),
    "bench": read_bench,
    "table": read_table,
    "acceptance": read_acceptance,
    "waivers": read_waivers,
    "campaign": read_campaign,
    "rack": read_rack,
}
VALIDATORS = {kind: Draft202012Validator(schema(kind)) for kind in KINDS}


def data_of(text):
    """Return the data of a YAML text, scalars read as ventproof reads them."""
    return as_data(grow_tree(text)[0])


@pytest.mark.parametrize("kind", KINDS)
def test_the_schemas_are_valid(kind):
    """External check: JSON Schema draft 2020-12's own meta-schema accepts both schemas."""
    Draft202012Validator.check_schema(schema(kind))


@pytest.mark.parametrize(("kind", "path"), FILES, ids=lambda value: getattr(value, "name", value))
def test_shipped_files_satisfy_their_schema(kind, path):
    """External check: an independent validator (the jsonschema library) accepts every file that ships."""
    errors = [e.message for e in VALIDATORS[kind].iter_errors(data_of(path.read_text(encoding="utf-8")))]
    assert errors == []


@pytest.mark.parametrize(
    ("kind", "old", "new"),
    [
        ("profile", "close: rain", "clos: rain"),
        ("profile", "within: 32 s", "within: 32"),
        ("profile", "within: 32 s", "within: 32 parsecs"),
        ("profile", "rain: contact", "rain: contct"),
        ("profile", "rain: contact", "Rain: contact"),
        ("bench", "link: in-process", "link: in-proces"),
        ("bench", "type: f32", "type: f33"),
        ("bench", "{input: rain}", "{inptu: rain}"),
        ("bench", "accuracy: 0.2 %", "accurracy: 0.2 %"),
    ],
)
def test_an_editor_sees_a_slip(kind, old, new):
    """A misspelt key, word or unit is refused by the schema too."""
    path = ROOT / (
        "profiles/weather/rain/rain-closes-holds-releases.yaml"
        if kind == "profile"
        else "bench/files/mock.yaml"
    )
    text = path.read_text(encoding="utf-8")
    assert old in text
    assert not VALIDATORS[kind].is_valid(data_of(text.replace(old, new)))


def test_drivers_have_their_own_words_in_the_schema():
    """What stands below `wired:` follows the driver that the output names."""
    output = {"driver": "coil", "wired": {"bus": "unit", "coil": 0}}
    bench = data_of((ROOT / "bench" / "files" / "mock.yaml").read_text(encoding="utf-8"))
    assert VALIDATORS["bench"].is_valid({**bench, "outputs": {"rain": output}})
    assert not VALIDATORS["bench"].is_valid(
        {**bench, "outputs": {"rain": {**output, "wired": {"input": "rain"}}}}
    )


def test_every_key_has_a_description():
    """An editor can show what each key means."""
    for kind in KINDS:
        made = schema(kind)
        for part in (made, *made["$defs"].values()):
            for name, field in part.get("properties", {}).items():
                assert field.get("description"), f"{part.get('title')}.{name}"


def test_an_unknown_kind_is_refused():
    """Asking for the schema of something else names the kinds there are."""
    with pytest.raises(FileError, match=r"^profil: there is no such kind of file; did you mean 'profile'\?$"):
        schema("profil")


@pytest.mark.parametrize(("kind", "path"), FILES, ids=lambda value: getattr(value, "name", value))
@cases(10, hunting=40)
@given(data=st.data())
def test_what_loads_satisfies_the_schema(kind, path, data):
    """Whatever change to a file still loads, an editor accepts too."""
    text = path.read_text(encoding="utf-8")
    start = data.draw(st.integers(0, len(text) - 1))
    inserted = data.draw(st.sampled_from(["", " ", "0", "1", "e1", ".", "s", "$", "#", "-", "_", "\n"]))
    changed = text[:start] + inserted + text[start + data.draw(st.integers(0, 3)) :]
    try:
        READERS[kind]("file.yaml", changed)
    except FileError:
        return
    errors = [f"{list(e.path)}: {e.message}" for e in VALIDATORS[kind].iter_errors(data_of(changed))]
    assert errors == []
