"""Every message that an operator sees for a wrong file of any kind, beside the file that causes it."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from ventproof.case.decidable import checked
from ventproof.papers.acceptance import read_acceptance
from ventproof.papers.waivers import read_waivers
from ventproof.profile.bind import bind
from ventproof.profile.load import read_profile
from ventproof.runset.campaign import read_campaign
from ventproof.runset.rack_file import read_rack
from ventproof.table.load import fit_problems, load_table, read_table
from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import load_bench, read_bench
from ventproof_bench.yamlfile.load import in_file_order

GOLDEN = Path(__file__).parents[1] / "golden"
ROOT = Path(__file__).parents[2]
CASES = sorted(
    path.stem
    for kind in ("profile", "bench", "bind", "table", "fit", "acceptance", "waivers", "campaign", "rack")
    for path in GOLDEN.glob(f"{kind}-*.yaml")
)


def _load(name: str) -> None:
    file = f"{name}.yaml"
    text = (GOLDEN / file).read_text(encoding="utf-8")
    if name.startswith("bench-"):
        read_bench(file, text)
        return
    if name.startswith("fit-"):
        raise FileError(in_file_order(fit_problems(read_table(file, text), _shipped_bench("mock.yaml"))))
    readers = {
        "table": read_table,
        "acceptance": read_acceptance,
        "waivers": read_waivers,
        "campaign": read_campaign,
        "rack": read_rack,
    }
    for kind, read in readers.items():
        if name.startswith(f"{kind}-"):
            read(file, text)
            return
    profile = read_profile(file, text)
    if name.startswith("bind-"):
        its = "wind-house.yaml" if name == "bind-wind" else "mock.yaml"
        raise FileError(checked(bind(profile, _shipped_bench(its), {"spare": "roofvent"})).undecidable)


def _shipped_bench(file):
    return read_bench(file, (ROOT / "bench" / "files" / file).read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", CASES)
def test_messages_are_as_agreed(name):
    """A wrong file gives exactly the messages that stand beside it; UPDATE_GOLDEN=1 writes them anew."""
    with pytest.raises(FileError, match=rf"^{name}\.yaml") as caught:
        _load(name)
    golden = GOLDEN / f"{name}.txt"
    if os.environ.get("UPDATE_GOLDEN"):
        golden.write_text(f"{caught.value}\n", encoding="utf-8")
    assert f"{caught.value}\n" == golden.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", CASES)
def test_messages_are_in_our_own_words(name):
    """No message shows the words of a library, a Python type, or a traceback; each names its line."""
    with pytest.raises(FileError, match=rf"^{name}\.yaml") as caught:
        _load(name)
    for problem in caught.value.problems:
        text = str(problem)
        assert problem.line is not None
        assert problem.column is not None
        assert not any(
            word in text for word in ("Input should", "pydantic", "Traceback", "NoneType", "Value error")
        )
    places = [(p.line, p.column) for p in caught.value.problems]
    assert places == sorted(places)


def test_the_shipped_mock_bench_is_right():
    """The shipped in-process bench loads without a note."""
    assert load_bench(ROOT / "bench" / "files" / "mock.yaml").notes == ()


def test_the_shipped_table_is_right():
    """The shipped override table loads without a note."""
    assert load_table(ROOT / "bench" / "files" / "mock-overrides.yaml").notes == ()
