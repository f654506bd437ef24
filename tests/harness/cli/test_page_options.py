"""The options of the live page, and what a page is told of campaigns."""

from __future__ import annotations

import importlib.util
import json

import pytest
from shipped_profiles import shipped_path

from ventproof.cli import page as pages
from ventproof.cli.options import SHIPPED_BENCH

RUN = ["run", shipped_path("rain-count"), "--bench", SHIPPED_BENCH]


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--cert", "bench.pem"], "--cert is for a page: give it with --page or --listen"),
        (["--page", "--cert", "bench.pem"], "--cert: no certificate with its key can be read from bench.pem"),
        (["--listen", "0.0.0.0"], "--listen: '0.0.0.0' stands for every network of this computer"),
        (["--listen", "bench"], "--listen: 'bench' is not an address; write an address of this computer"),
        (["--listen", "192.0.2.1"], "--listen: 192.0.2.1: Cannot assign requested address"),
    ],
)
def test_what_cannot_be_served_is_one_clear_error(more, said, ventproof, tmp_path):
    """Nothing was switched and no log begun. 192.0.2.1 is nobody's address (RFC 5737)."""
    code, _, wrong = ventproof(*RUN, *more)
    assert (code, said in wrong) == (3, True), wrong
    assert not list(tmp_path.glob("**/*.jsonl"))


@pytest.mark.parametrize("words", [[*RUN, "--page"], ["history", "serve"]], ids=["run", "history"])
def test_without_its_packages_a_page_says_which_to_install(words, ventproof, monkeypatch, tmp_path):
    """The extra is named; all else works without it."""
    find = importlib.util.find_spec
    monkeypatch.setattr(
        "ventproof.page.server.find_spec", lambda name: None if name == "uvicorn" else find(name)
    )
    code, _, wrong = ventproof(*words)
    assert code == 3
    assert "not installed; pip install 'ventproof[page]'" in wrong
    assert not list(tmp_path.glob("**/*.jsonl"))


class Told:
    """A page that only listens."""

    def __init__(self):
        self.news = []

    def tell(self, **message):
        """Take what the page would be told."""
        self.news.append(json.loads(json.dumps(message)))


def test_a_page_is_told_each_phase_of_a_campaign():
    """What a phase has done replaces what it had done before; the next phase gets a row of its own."""
    page = Told()
    told = pages.both(lambda *_: None, pages.phases(page, "Challenge", "the healthy unit", "faults"))
    for done, of in ((1, 2), (2, 2), (1, 9), (5, 9)):
        told(done, of)
    assert page.news[-1] == {
        "progress": {"title": "Challenge", "rows": [["the healthy unit", 2, 2], ["faults", 5, 9]]}
    }
    assert len(page.news) == 4
