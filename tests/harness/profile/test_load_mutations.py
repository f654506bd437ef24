"""Whatever slip is made in a right file, it is still right or refused with a place; never a traceback."""

from __future__ import annotations

import copy
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof.papers.acceptance import read_acceptance
from ventproof.papers.waivers import read_waivers
from ventproof.profile.load import read_profile
from ventproof.runset.rack_file import read_rack
from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import read_bench

ROOT = Path(__file__).parents[3]
FILES = {
    "bench": (ROOT / "bench" / "files" / "mock.yaml", read_bench),
    "acceptance": (ROOT / "bench" / "files" / "papers" / "acceptance.yaml", read_acceptance),
    "waivers": (ROOT / "bench" / "files" / "papers" / "waivers.yaml", read_waivers),
    "rack": (ROOT / "harness" / "ventproof" / "reference" / "examples" / "rack.yaml", read_rack),
    **{path.stem: (path, read_profile) for path in sorted((ROOT / "profiles").glob("*/*.yaml"))},
}
SCALARS = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**30), 10**30),
    st.floats(),
    st.sampled_from(
        ["", "on", "5 %", "-1 s", "1e999 s", "$x", "$roof_rain", "°C", "0", "[", "rain", "[key]", "str", "<<"]
    ),
    st.text(max_size=6),
    st.builds(list),
    st.builds(dict),
    st.builds(lambda: [{"a": [1]}]),
)


def _places(data, path=()):
    yield path
    children = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, value in children:
        yield from _places(value, (*path, key))


def _at(data, path):
    for part in path:
        data = data[part]
    return data


@st.composite
def _mutated(draw, original):
    data = copy.deepcopy(original)
    for _ in range(draw(st.integers(1, 3))):
        places = [path for path in _places(data) if path]
        if not places:
            break
        path = draw(st.sampled_from(places))
        parent, key = _at(data, path[:-1]), path[-1]
        match draw(st.sampled_from(["drop", "rename", "change", "copy"])):
            case "drop":
                del parent[key]
            case "rename" if isinstance(parent, dict):
                parent[
                    draw(st.sampled_from([str(key)[1:], f"{key}s", "signal", "unit", "at", "close", "X y"]))
                ] = parent.pop(key)
            case "copy":
                parent[key] = copy.deepcopy(_at(data, draw(st.sampled_from(places))))
            case _:
                parent[key] = draw(SCALARS)
    return data


def _check(error):
    assert error.problems
    for problem in error.problems:
        assert problem.line is not None
        assert problem.reason
        assert "Input should" not in str(problem)
        assert "is not right here" not in str(problem), "a kind of fault that value_errors has no words for"


def _right_or_refused(read, text):
    try:
        read("file.yaml", text)
    except FileError as error:
        _check(error)


@pytest.mark.parametrize("name", FILES)
@settings(max_examples=12, deadline=None)
@given(data=st.data())
def test_a_changed_file_is_right_or_refused_with_a_line(name, data):
    """Dropped, renamed, copied and changed parts never lead to anything but a located FileError."""
    path, read = FILES[name]
    changed = data.draw(_mutated(yaml.safe_load(path.read_text(encoding="utf-8"))))
    _right_or_refused(read, yaml.safe_dump(changed, allow_unicode=True))


@pytest.mark.parametrize("name", ["bench", "rain-closes-holds-releases"])
@settings(max_examples=100, deadline=None)
@given(data=st.data())
def test_damaged_text_is_right_or_refused_with_a_line(name, data):
    """Characters cut out of or put into the text never lead to anything but a located FileError."""
    path, read = FILES[name]
    text = path.read_text(encoding="utf-8")
    start = data.draw(st.integers(0, len(text)))
    end = data.draw(st.integers(start, min(len(text), start + 30)))
    inserted = data.draw(
        st.text(alphabet=st.sampled_from("[]{}:-&*!|>'\"%@`#,\n\t $ax0.e\ufeff\x85"), max_size=8)
    )
    _right_or_refused(read, text[:start] + inserted + text[end:])


@pytest.mark.parametrize("name", FILES)
def test_a_repeated_line_never_passes_unnoticed(name):
    """Every key that is written twice in a block mapping is refused."""
    path, read = FILES[name]
    lines = path.read_text(encoding="utf-8").splitlines()
    for number, line in enumerate(lines):
        if line.startswith("  ") and line.endswith(("}", "ms", "tcp")) and line.strip()[0].isalpha():
            text = "\n".join([*lines[: number + 1], line, *lines[number + 1 :]])
            with pytest.raises(FileError, match=r"is written twice"):
                read("file.yaml", text)
