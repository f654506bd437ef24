"""Pages of the past, and the report, for everybody: keys, screen readers, two themes, a telephone and a desk."""

from __future__ import annotations

from dataclasses import replace

import pytest
from accessible import THEMES, barriers, themed
from chromium import DESKTOP, PHONE, chromium, severe, sized
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH, with_faults
from ventproof.compare.comparison import compare
from ventproof.compare.measures import ShiftLimits
from ventproof.compare.side import side_of
from ventproof.compare.trend import trend
from ventproof.compare.write import write
from ventproof.history.database import place_of
from ventproof.history.enter import Keeper
from ventproof.history.page import write_page as write_history
from ventproof.history.store import History, Wanted
from ventproof.profile.load import load_profile
from ventproof.report.write import write_report
from ventproof.run.view import SilentView
from ventproof.session.session import Session
from ventproof_bench.benchcheck.load import load_bench

pytestmark = pytest.mark.lasting

VERSIONS = {"2.9": (), "2.10": ("slow_travel=0.2", "no_debounce")}


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """Write a page of each kind, of a good version, a bad one, and one that fails sometimes; return their folder."""
    out = tmp_path_factory.mktemp("pages")
    place = str(out / "history.sqlite")
    for firmware, faults in VERSIONS.items():
        bench = with_faults(load_bench(SHIPPED_BENCH), faults)
        for name in ("rain-contact-bounce-ignored", "rain-count"):
            for seed in (0, 1):
                keeper = Keeper(place)
                session = Session(
                    bench=bench, out=out / firmware, unit="GH-7", firmware=firmware, seed=seed, keeper=keeper
                )
                session.run(load_profile(shipped_path(name)), SilentView())
    history = History(place_of(place), create=True)
    runs = [entry.record for entry in history.entries()]
    bad, *_ = (run for run in runs if run.verdict == "fail")
    good = [run for run in runs if run.profile == bad.profile and run.firmware == "2.9"]
    shared = {"firmware": "2.11", "bench_sha256": bad.bench_sha256, "faults": bad.faults}
    sometimes = [
        replace(run, **shared, seed=number, digest=f"{number:064x}")
        for number, run in enumerate((*good, *good, bad))
    ]
    log = next(history.entries()).file
    for run in sometimes:
        history.enter(log, run)
    by_firmware = {name: [run for run in runs if run.firmware == name] for name in VERSIONS}
    old, new = (side_of(name, those) for name, those in by_firmware.items())
    limits = ShiftLimits()
    write(compare(old, new, limits), out / "worse.html")
    write(compare(old, side_of("again", by_firmware["2.9"]), limits), out / "same.html")
    write(trend(side_of("all", [*runs, *sometimes]), limits), out / "trend.html")
    write_history(out / "history.html", history, Wanted())
    logs = sorted(out.glob("2.1*/*.jsonl"))
    report = write_report(logs, out / "report.html")
    assert report.overlays, "the picture of repeats is looked at, too"
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("ventproof.report.write.FEW", 0)
        write_report(logs[:1], out / "many.html")
    (of_run,) = (out / "many-runs").glob("*.html")
    of_run.rename(out / "run.html")
    return out


@pytest.fixture(scope="module")
def browser():
    """Start Chromium, without its window."""
    with chromium() as driver:
        yield driver


@pytest.mark.wire
@pytest.mark.parametrize("name", ["worse", "same", "trend", "history", "report", "run"])
def test_nothing_keeps_people_from_reading_a_page(browser, pages, name):
    """Names, headings, tables, contrast, focus, width: on light and dark screens, on a telephone and on a desk."""
    found = {}
    for theme in THEMES:
        themed(browser, theme)
        for size in (PHONE, DESKTOP):
            sized(browser, size)
            browser.get((pages / f"{name}.html").as_uri())
            found[theme, size] = barriers(browser)
    assert {place: those for place, those in found.items() if those} == {}
    assert severe(browser) == []


@pytest.mark.wire
@pytest.mark.parametrize("name", ["worse", "trend", "history"])
def test_the_dashboard_leads_to_what_failed(browser, pages, name):
    """From the keyboard: the link in the cell of a version that fails opens the details with its first row."""
    sized(browser, DESKTOP)
    browser.get((pages / f"{name}.html").as_uri())
    cell = browser.find_element("css selector", ".board a.fail, .board a.flaky")
    target = cell.get_attribute("href").rpartition("#")[2]
    cell.send_keys("\n")
    assert browser.find_element("id", target).is_displayed()
    assert "bounce of the rain contact is ignored" in browser.find_element("id", target).text


@pytest.mark.wire
@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["telephone", "desk"])
def test_what_both_sides_observed_is_read_without_a_click(browser, pages, size):
    """The fault, and of the first changed verdict the base's value, then the candidate's, with the limit."""
    sized(browser, size)
    browser.get((pages / "worse.html").as_uri())
    shown = browser.find_element("tag name", "body").text
    assert "candidate ran with fault slow_travel=0.2: the drives run slow" in shown
    table = browser.find_element("css selector", "#changed ~ details[open] table")
    assert [head.text for head in table.find_elements("css selector", "thead th")] == ["Base", "Candidate"]
    base, candidate = table.find_elements("css selector", "tbody:first-of-type td")
    assert base.text.removeprefix("✓").split()[0] == "pass"
    assert candidate.text.removeprefix("✗").split()[0] in {"1", "2", "fail"}
    assert "required" in candidate.text
    assert base.location["x"] < candidate.location["x"]
    heads = browser.find_elements("css selector", ".board thead th")
    assert [head.text for head in heads] == ["Profile", "base 2.9", "candidate 2.10"]


PAGE = """<!DOCTYPE html><html lang="en"><head><title>t</title><style>body {{ color: #000; background: #fff }}
:focus-visible {{ outline: 3px solid }}</style></head><body><main><h1>h</h1>{}</main></body></html>"""
BARRIERS = {
    "low contrast": '<p style="color: #999">pale</p>',
    "table without a name": '<table><tr><th scope="col">a</th></tr><tr><td>b</td></tr></table>',
    "heading cell without scope": "<table aria-label='t'><tr><th>a</th></tr><tr><td>b</td></tr></table>",
    "empty table": "<table aria-label='t'><tr><th scope='col'>a</th></tr></table>",
    "picture without a name": '<svg role="img" width="9" height="9"></svg>',
    "control without a name": '<a href="x"></a>',
    "heading level left out": "<h3>deep</h3>",
    "id twice": '<p id="a">a</p><p id="a">b</p>',
    "link leads nowhere": '<a href="#gone">there</a>',
    "page wider than the screen": '<p style="width: 3000px">wide</p>',
    "scrolls, and keys do not reach it": '<p style="overflow: auto; width: 9px">long_word</p>',
    "scrolls, and has no name": '<div tabindex="0" style="overflow: auto; width: 9px">long_word</div>',
    "focus is not seen": '<a href="x" style="outline: none">there</a>',
    "too small to be hit": '<button style="height: 9px; font-size: 5px; padding: 0">go</button>',
    "empty box": "<ul></ul>",
    "aria-labelledby leads nowhere": '<p aria-labelledby="gone">a</p>',
}


@pytest.mark.wire
@pytest.mark.parametrize(("rule", "body"), BARRIERS.items(), ids=BARRIERS)
def test_every_rule_finds_its_barrier(browser, tmp_path, rule, body):
    """A page with one barrier has that one, and the same page without it has none."""
    sized(browser, DESKTOP)
    themed(browser, "light")
    page = tmp_path / "page.html"
    page.write_text(PAGE.format("<p>plain</p>"), encoding="utf-8")
    browser.get(page.as_uri())
    assert barriers(browser) == []
    page.write_text(PAGE.format(body), encoding="utf-8")
    browser.get(page.as_uri())
    assert [one.partition(":")[0] for one in barriers(browser)] == [rule]
