"""A report of many runs: a first page, and a page a run, each made and forgotten before the next."""

from __future__ import annotations

import gc
import hashlib
import re
import tracemalloc
from dataclasses import replace
from html.parser import HTMLParser
from urllib.parse import unquote

import pytest

from ventproof.rejudge.batch import judged_batch
from ventproof.report import build, pages
from ventproof.report.build import FEW, report_of
from ventproof.report.pages import Pages, RememberedRuns, folder_beside
from ventproof.report.suite import hollow_of, matrix_of
from ventproof.report.write import write_report
from ventproof_bench.base.errors import FileError

SEED = 7


@pytest.fixture(scope="module")
def many(logs, mock, tmp_path_factory):
    """Return so many different logs of runs; every third failed."""
    out = tmp_path_factory.mktemp("many")
    events = {kind: mock.events_of(logs[kind]) for kind in ("pass", "fail")}

    def make(number):
        made = []
        for place in range(number):
            its = events["fail" if (place + SEED) % 3 == 0 else "pass"]
            first = its[0] | {"operator": f"Halvorsen {place}"}
            made.append(mock.rechained([first, *its[1:]], out / f"run {place}.jsonl"))
        return made

    return make


@pytest.fixture(scope="module")
def reported(many, tmp_path_factory):
    """A report of a few runs more than stand in one page, and its first page."""
    out = tmp_path_factory.mktemp("reported") / "house 3.html"
    return write_report(many(FEW + 1), out), out


class Links(HTMLParser):
    """What a page links to, and what it can be linked at."""

    def __init__(self, path):
        super().__init__()
        self.hrefs, self.idents = [], set()
        self.feed(path.read_text(encoding="utf-8"))

    def handle_starttag(self, tag, attrs):
        """Take the ids and the links of a tag."""
        found = dict(attrs)
        self.idents.add(found.get("id"))
        if tag == "a":
            self.hrefs.append(found["href"])


def test_every_link_leads_to_a_place_in_the_same_folder(reported):
    """The report works wherever it is moved to: from the first page to each run and its responses, and back."""
    _, out = reported
    pages = {path: Links(path) for path in (out, *folder_beside(out).iterdir())}
    assert len(pages) == 1 + FEW + 1
    led = set()
    for path, links in pages.items():
        for href in links.hrefs:
            place, _, ident = href.partition("#")
            target = (path.parent / unquote(place)).resolve() if place else path
            assert target in pages, href
            assert not ident or ident in pages[target].idents, href
            led.add(target)
    assert led == set(pages), "every page is linked"


@pytest.mark.parametrize("kind", ["page", "programs"])
def test_who_waits_is_told_of_each_run_when_it_was_judged(many, tmp_path, kind):
    """Of all logs of a long report in order, whoever it is for."""
    told, logs = list[tuple[int, int]](), many(FEW + 1)

    def tell(done: int, of: int) -> None:
        told.append((done, of))

    if kind == "page":
        write_report(logs, tmp_path / "house 3.html", told=tell)
    else:
        judged_batch(logs, told=tell)
    assert told == [(number, FEW + 1) for number in range(1, FEW + 2)]


def test_very_many_runs_are_listed_on_pages_of_their_own(many, tmp_path, monkeypatch):
    """Each page lists some runs and has its digest on the first page, which names those that did not pass."""
    monkeypatch.setattr(pages, "LISTED", 5)
    out = tmp_path / "house 3.html"
    report = write_report(many(FEW + 1), out)
    first, written = Links(out), {path: Links(path) for path in folder_beside(out).iterdir()}
    assert [index.name for index in report.indexes] == ["runs 1 to 5", "runs 6 to 10", "runs 11 to 13"]
    led = list[str]()
    for index in report.indexes:
        listing = out.parent / unquote(index.link)
        assert hashlib.sha256(listing.read_bytes()).hexdigest() == index.sha256
        assert index.link in first.hrefs
        assert index.sha256 in out.read_text(encoding="utf-8")
        led += [href.partition("#")[0] for href in written[listing].hrefs if href.startswith("run-")]
        assert "../house%203.html" in written[listing].hrefs
    assert len(led) == FEW + 1
    assert {*led} == {path.name for path in written} - {
        unquote(i.link).rpartition("/")[2] for i in report.indexes
    }
    linked = {href.partition("#")[0] for href in first.hrefs}
    for chapter in report.chapters:
        assert (report.pages[chapter.ident] in linked) == (chapter.standing != "pass")


def test_the_first_page_says_the_same_of_runs_that_have_pages_as_of_those_in_it(many, tmp_path):
    """What is left out of runs that passed once their pages are written is nothing that it tells."""
    logs = many(FEW + 1)
    whole = report_of(logs)
    assert report_of(logs, pages=Pages(tmp_path / "report.html", tmp_path)).cover == whole.cover
    one, other = [chapter for chapter in whole.chapters if chapter.standing == "pass"][:2]
    *before, step = other.steps
    *quiet, last = step.responses
    closest = replace(last, used=(0.99, "of the deadline"))
    responses = (*quiet, replace(last, ident="hollow", hollow=True), closest)
    both = [one, replace(other, steps=(*before, replace(step, responses=responses)))]
    held = RememberedRuns()
    slim = [held.of(chapter) for chapter in both]
    assert (matrix_of(slim), hollow_of(slim)) == (matrix_of(both), hollow_of(both))
    assert [response.ident for step in slim[1].steps for response in step.responses] == [
        "hollow",
        closest.ident,
    ]


def test_few_runs_stand_in_one_page(many, tmp_path):
    """Nobody opens a second file for what one page shows."""
    write_report(many(FEW), tmp_path / "few.html")
    assert [path.name for path in tmp_path.iterdir()] == ["few.html"]


def test_an_older_report_is_replaced_with_all_its_pages(many, tmp_path):
    """No page of a run stays behind that the first page does not name; copies of a log have none."""
    out = tmp_path / "report.html"
    logs = many(FEW + 3)
    write_report(logs, out)
    copy = tmp_path / "copy.jsonl"
    copy.write_bytes(logs[1].read_bytes())
    write_report([*logs[1:], copy], out)
    assert len(list(folder_beside(out).iterdir())) == FEW + 2


def test_failed_runs_stand_first_and_each_page_tells_its_own_run(reported):
    """The first page has the verdicts and no pictures; a page of a run has its picture and its verdict."""
    report, out = reported
    first = out.read_text(encoding="utf-8")
    assert "<svg" not in first
    assert report.cover.matrix.rows[0].standing == "fail"
    for chapter in report.chapters:
        text = (out.parent / unquote(report.pages[chapter.ident])).read_text(encoding="utf-8")
        assert f"<title>{chapter.standing}: {chapter.profile}</title>" in text
        assert "-run-title" in text, "the picture of the whole run"
        assert chapter.digest in text


def test_names_of_pages_differ_whatever_reads_them(tmp_path):
    """Logs of one name in several folders, in capitals, or with signs that a link must not have."""
    logs = [
        tmp_path / name
        for name in ("a/rain.jsonl", "b/rain.jsonl", "c/RAIN.jsonl", "d/a b#?.jsonl", "ü.jsonl")
    ]
    names = [page.file.name for page in Pages(tmp_path / "r.html", tmp_path / "r-runs").of(logs, "me")]
    assert len({name.casefold() for name in names}) == len(logs)
    assert all(re.fullmatch(r"[\w.-]+\.html", name, re.ASCII) for name in names)


def test_a_folder_with_other_files_is_left_alone(many, tmp_path):
    """What stands where the pages would is not lost, and no first page is written without them."""
    kept = folder_beside(tmp_path / "report.html")
    kept.mkdir()
    (kept / "notes.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(FileError, match="report-runs: holds more than"):
        write_report(many(FEW + 1), tmp_path / "report.html")
    assert [path.name for path in tmp_path.rglob("*")] == ["report-runs", "notes.txt"]


def test_of_a_run_whose_page_is_written_only_a_summary_is_held(many, tmp_path, monkeypatch):
    """What many runs take is what one takes, and a few kilobytes for each of the others."""
    held = []

    def each(work, jobs):
        for job in jobs:
            yield work(job)
            gc.collect()
            held.append(tracemalloc.get_traced_memory()[0])

    monkeypatch.setattr(build, "each", each)
    logs = many(FEW + 4)
    tracemalloc.start()
    write_report(logs, tmp_path / "report.html")
    tracemalloc.stop()
    a_run = (held[-1] - held[3]) / (len(held) - 4)
    assert a_run < 10_000 < logs[0].stat().st_size / 10
