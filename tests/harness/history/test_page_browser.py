"""The history in a real browser, used from the keyboard and held to its policy; and what the server refuses."""

from __future__ import annotations

import http.client
import threading
from contextlib import closing
from dataclasses import replace

import pytest
from chromium import chromium
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.history.database import place_of
from ventproof.history.enter import Keeper
from ventproof.history.page import page_of, write_page
from ventproof.history.store import History, Wanted
from ventproof.page.history import HistoryServer
from ventproof.profile.load import load_profile
from ventproof.run.view import SilentView
from ventproof.session.session import Session
from ventproof_bench.base.errors import FileError
from ventproof_bench.base.evidence import Window
from ventproof_bench.benchcheck.load import load_bench

pytestmark = pytest.mark.lasting


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """Run a short profile on two units, on one of them with two versions; return the history."""
    out = tmp_path_factory.mktemp("records")
    place = str(out / "history.sqlite")
    bench, profile = load_bench(SHIPPED_BENCH), load_profile(shipped_path("rain-count"))
    for unit, firmware in (("GH-7", "2.9"), ("GH-7", "2.10"), ("<b>GH-8</b>", "2.9")):
        session = Session(bench=bench, out=out, unit=unit, firmware=firmware, keeper=Keeper(place))
        session.run(profile, SilentView())
        assert not session.keeper.warning
    return History(place_of(place))


@pytest.fixture(scope="module")
def served(kept):
    """Serve it; return the server."""
    with HistoryServer(kept, Wanted(), 0) as server:
        thread = threading.Thread(target=server.serve, daemon=True)
        thread.start()
        yield server
        server.end()
        thread.join()


def ask(server, path, **headers):
    with closing(http.client.HTTPConnection("127.0.0.1", server.address.port, timeout=20)) as connection:
        connection.request("GET", path, headers=headers)
        answer = connection.getresponse()
        return answer.status, answer.headers, answer.read().decode()


@pytest.mark.wire
def test_the_server_gives_the_page_logs_and_reports(served, kept):
    """Every run's log and report can be opened, by the digest of the log."""
    status, headers, page = ask(served, "/")
    assert status == 200
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert "&lt;b&gt;GH-8" in page
    entry = next(kept.entries())
    assert f'href="/report/{entry.record.digest}"' in page
    assert ask(served, f"/log/{entry.record.digest}")[2] == entry.file.read_text()
    status, _, report = ask(served, f"/report/{entry.record.digest}")
    assert status == 200
    assert entry.record.digest in report


@pytest.mark.wire
@pytest.mark.parametrize("path", ["/log/../../etc/passwd", "/log/" + "0" * 64, "/report/x", "/?x", "/.."])
def test_the_server_gives_nothing_else(served, path):
    """No path leads out of the history."""
    assert ask(served, path)[0] == 404


@pytest.mark.wire
def test_a_log_that_was_changed_is_not_served(served, kept):
    """What stands where a log was entered must still be that log."""
    entry = list(kept.entries())[-1]
    whole = entry.file.read_bytes()
    entry.file.write_bytes(b"secret\n")
    try:
        status, _, said = ask(served, f"/log/{entry.record.digest}")
    finally:
        entry.file.write_bytes(whole)
    assert status == 404
    assert "secret" not in said


@pytest.mark.wire
def test_other_names_for_this_machine_are_refused(served):
    """A page from elsewhere cannot read the history by a name that leads to the loopback address."""
    assert ask(served, "/", Host="somewhere.example")[0] == 403
    assert str(served.address.ip) == "127.0.0.1"


@pytest.mark.wire
def test_a_port_in_use_is_one_clear_error(served, kept):
    """The port and the reason are named."""
    with pytest.raises(FileError, match=rf"--port: 127.0.0.1 port {served.address.port}: Address already"):
        HistoryServer(kept, Wanted(), served.address.port)


@pytest.fixture(scope="module")
def browser():
    """Start Chromium, without its window."""
    with chromium() as driver:
        yield driver


def visible_units(browser):
    units = browser.find_elements("css selector", "details.unit > summary h2")
    return [unit.text for unit in units if unit.is_displayed()]


@pytest.mark.wire
def test_a_unit_is_found_and_its_report_opened_from_the_keyboard(browser, served):
    """Slash, a few letters, Enter: the unit is open; Tab and Enter lead to the report."""
    browser.get(served.address.url)
    assert visible_units(browser) == ["<b>GH-8</b>", "GH-7"]
    keys = browser.switch_to.active_element
    keys.send_keys("/")
    box = browser.switch_to.active_element
    assert box.get_attribute("id") == "search"
    box.send_keys("gh-7 2.10")
    assert visible_units(browser) == ["GH-7"]
    assert browser.find_element("id", "said").text == "1 run of 1 unit"
    box.send_keys("\n")
    summary = browser.switch_to.active_element
    assert summary.tag_name == "summary"
    assert len([r for r in browser.find_elements("css selector", "tr[data-run]") if r.is_displayed()]) == 1
    for _ in range(4):
        browser.switch_to.active_element.send_keys("\t")
        if browser.switch_to.active_element.text == "report":
            break
    browser.switch_to.active_element.send_keys("\n")
    assert "/report/" in browser.current_url
    assert "rain contact" in browser.find_element("tag name", "h1").text + browser.page_source
    assert [
        e for e in browser.get_log("browser") if e["level"] == "SEVERE" and "favicon" not in e["message"]
    ] == []


@pytest.mark.wire
def test_trends_are_drawn(browser, kept, tmp_path):
    """What a version changed stands below its cause: a figure with its versions in order, wide enough to be read."""
    later = Window(20.0, 20.3)
    entries = [
        replace(
            entry, record=replace(entry.record, findings=tuple(replace(f, response_s=at) for f in findings))
        )
        for entry in kept.entries()
        for findings in [entry.record.findings]
        for at in [later if entry.record.firmware == "2.10" else Window(10.0, 10.3)]
    ]
    page = tmp_path / "page.html"
    page.write_text(page_of(entries, left=0, links=lambda _: ("", "")), encoding="utf-8")
    browser.get(page.as_uri())
    browser.execute_script("for (const d of document.querySelectorAll('details')) d.open = true;")
    figure = browser.find_element("css selector", "figure > svg")
    assert figure.size["width"] > 300
    firmware = [t.text for t in figure.find_elements("css selector", "text") if t.text.startswith("2.")]
    assert firmware[-2:] == ["2.9", "2.10"]


@pytest.mark.wire
def test_runs_without_a_unit_are_counted_apart(browser, tmp_path, logged):
    """A unit that is not stated is no unit: before and after a search, as in the first sentence."""
    history = History(place_of(str(tmp_path / "h.sqlite")), create=True)
    for unit in ("GH-1", "", ""):
        history.enter_log(logged(unit=unit, seed=history.count()))
    page = tmp_path / "history.html"
    write_page(page, history, Wanted())
    browser.get(page.as_uri())
    assert sorted(visible_units(browser)) == ["GH-1", "Unit not stated"]
    said, box = (browser.find_element("id", name) for name in ("said", "search"))
    assert said.text == "1 run of 1 unit, unit not stated in 2 runs"
    assert f"{said.text}. " in browser.find_element("tag name", "header").text
    box.send_keys("not stated")
    assert said.text == "unit not stated in 2 runs"
    box.clear()
    box.send_keys("gh-1")
    assert said.text == "1 run of 1 unit"


@pytest.mark.wire
def test_the_page_works_from_a_file_and_without_its_script(browser, kept, tmp_path):
    """Without the script there is no search box, every unit opens by itself, and links lead to the logs."""
    page = tmp_path / "history.html"
    assert write_page(page, kept, Wanted()) == 3
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        browser.get(page.as_uri())
        assert not browser.find_element("id", "search").is_displayed()
        browser.find_element("css selector", "details.unit > summary").click()
        link = next(a for a in browser.find_elements("link text", "log") if a.is_displayed())
        link.click()
        assert browser.current_url.endswith(".jsonl")
    finally:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


@pytest.mark.wire
def test_the_policy_stops_a_script_that_is_not_ours(browser, kept, tmp_path):
    """Were markup of a stranger ever to come in, it would not run."""
    page = tmp_path / "history.html"
    write_page(page, kept, Wanted())
    text = page.read_text(encoding="utf-8")
    page.write_text(text.replace("<main", "<script>document.title = 'mine'</script><main"), encoding="utf-8")
    browser.get(page.as_uri())
    assert browser.title == "History of override tests"
    assert any("Content Security Policy" in entry["message"] for entry in browser.get_log("browser"))
