"""The history's page against an independent parser: html5lib, which follows the parsing rules of the HTML standard."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import html5lib
import pytest
from findings import FINDING

from ventproof.history.page import page_of
from ventproof.history.store import HistoryEntry
from ventproof.log.run import RunRecord

RECORD = RunRecord(
    digest="d" * 64,
    lines=9,
    closed=True,
    verdict="pass",
    reason="",
    profile="rain & <wind>",
    profile_sha256="a" * 64,
    bench="bench",
    bench_sha256="b" * 64,
    unit='GH-7 "north"',
    firmware="2.4",
    operator="A. Tester",
    started=None,
    clock="virtual",
    decision="guarded",
    repeat=1,
    seed=0,
    duration_s=100.0,
    selfcheck_sha256="",
    version="0.1.0",
    findings=(FINDING,),
)


@pytest.mark.parametrize("number", [0, 1, 5])
def test_a_strict_parser_finds_nothing_wrong(number):
    """With no run, one, and enough of them for trends, the page parses without an error, and ids are unique."""
    at = dt.datetime(2026, 3, 1, tzinfo=dt.UTC)
    entries = [
        HistoryEntry(
            replace(RECORD, unit=unit, verdict="fail", reason="why <not>"),
            at + dt.timedelta(days=day),
            Path("x.jsonl"),
        )
        for unit in ("GH-7", "GH-8 & <more>")
        for day in range(number)
    ]
    page = page_of(entries, left=0, links=lambda _: ("report.html?a=1&b=2", "x.jsonl"))
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(page)
    ids = [element.get("id") for element in tree.iter() if isinstance(element.tag, str) and element.get("id")]
    assert len(ids) == len(set(ids))
    said = [name for element in tree.iter() for name in (element.get("aria-labelledby") or "").split()]
    assert set(said) <= set(ids)
    assert len(said) == 2 * (number > 0)
