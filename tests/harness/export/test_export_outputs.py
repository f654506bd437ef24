"""What CI servers and other programs read of runs: never better than they were, and always harmless."""

from __future__ import annotations

import json
from xml.etree import ElementTree

import jsonschema
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from ventproof.cli.report import ENDINGS, made_for, write_output
from ventproof.export.junit import WHOLE_RUN, junit
from ventproof.export.markdown import LONGEST, escaped, markdown
from ventproof.export.results import results_json, results_schema
from ventproof.log.run import UNMEASURED
from ventproof.rejudge.batch import Batch, read_runs
from ventproof.runset.completeness import WHOLE, SetCheck
from ventproof.verdict.finding import NotRun, Status, Verdict
from ventproof_bench.base.errors import FileError
from ventproof_bench.base.text import REPLACEMENT, clean

ENDS = st.sampled_from(["pass", "fail", "inconclusive", "aborted"])
NASTY = st.text(
    st.one_of(st.characters(), st.sampled_from("<>&|`*_[]()!#@\\\"'\r\n\x00\x1b\u202e\ufffe\ud800"))
)
MADE_UP = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def xml(runs, whole=WHOLE):
    return ElementTree.fromstring(junit(Batch(tuple(runs), whole)))


def page(runs, whole=WHOLE):
    return markdown(Batch(tuple(runs), whole))


def results(runs, whole=WHOLE):
    return json.loads(results_json(Batch(tuple(runs), whole)))


def shown(text: str) -> str:
    """Return what a reader of a Markdown page sees, by an independent renderer."""
    tokens = MarkdownIt("gfm-like", {"linkify": False}).parseInline(text)[0].children
    assert {token.type for token in tokens} <= {"text", "text_special", "html_inline", "entity"}, tokens
    assert all(token.content == "<!-- -->" for token in tokens if token.type == "html_inline")
    return "".join(token.content for token in tokens if token.type != "html_inline")


@MADE_UP
@given(run=ENDS, found=st.lists(st.sampled_from(Verdict), max_size=4))
def test_junit_never_shows_a_run_as_better_than_it_was(run, found, logged, finding):
    """Whatever the log says of the run and its responses, all tests pass only where everything passed."""
    findings = tuple(finding(status=Status(verdict), number=n) for n, verdict in enumerate(found))
    root = xml([logged(verdict=run, findings=findings)])
    flagged = [case for case in root.iter("testcase") if len(case)]
    good = run == "pass" and bool(found) and set(found) == {Verdict.PASS}
    assert (not flagged) == good
    assert int(root.get("failures")) == found.count(Verdict.FAIL)
    assert int(root.get("failures")) + int(root.get("errors")) == len(flagged)
    if run == "aborted":
        assert len(flagged) == int(root.get("tests"))


@MADE_UP
@given(
    run=ENDS,
    ends=st.lists(st.sampled_from([*Status, *NotRun]), max_size=4),
)
def test_what_a_run_never_came_to_is_skipped_and_never_alone(run, ends, logged, finding):
    """A skipped test looks harmless, so that a run that is no pass has a failure or an error as well."""
    made = [
        finding(number=n, status=Status.NOT_RUN, not_run=end)
        if isinstance(end, NotRun)
        else finding(number=n, status=end)
        for n, end in enumerate(ends)
    ]
    root = xml([logged(verdict=run, findings=tuple(made))])
    assert int(root.get("skipped")) == sum(one.skipped for one in made)
    good = run == "pass" and bool(made) and all(f.status is Status.PASS for f in made)
    if not good:
        assert int(root.get("failures")) + int(root.get("errors")) > 0


def test_junit_of_an_aborted_run_says_why(logged):
    """The whole run is an error with the log's reason, and what had passed is told but not counted."""
    root = xml([logged(verdict="aborted")])
    (case,) = root.iter("testcase")
    assert case.get("name") == WHOLE_RUN
    assert case.find("error").get("message") == "aborted: the bus fell silent"
    assert "passed before: rain begins: side_vent reaches 50 %" in case.find("error").text


def test_junit_tells_repeats_and_like_responses_apart(logged, finding):
    """Servers merge tests of one name, so each response of each repeat has a name of its own."""
    twice = (finding(), finding(number=1))
    runs = [logged(repeat=2, findings=twice), logged(repeat=1, findings=twice)]
    root = xml(runs)
    assert [suite.get("name") for suite in root] == [
        "rain closes the vents, repeat 2",
        "rain closes the vents, repeat 1",
    ]
    names = [(case.get("classname"), case.get("name")) for case in root.iter("testcase")]
    assert len(set(names)) == 4
    same = xml([logged(), logged()])
    assert [suite.get("name") for suite in same] == [
        "rain closes the vents, run 1",
        "rain closes the vents, run 2",
    ]


@MADE_UP
@given(text=NASTY)
def test_outputs_hold_whatever_text_files_and_units_hold(text, logged, finding):
    """No text breaks an output: XML and JSON are read back, and Markdown keeps its lines."""
    runs = [
        logged(
            log=text,
            verdict="inconclusive",
            profile=text,
            operator=text,
            unit=text,
            findings=(finding(why=text, step_name=text, status=Status.INCONCLUSIVE),),
        )
    ]
    root = xml(runs)
    assert root.find("testsuite").get("name") == " ".join(clean(text).split())
    made = page(runs)
    assert len(made.splitlines()) == len(page([logged(verdict="inconclusive")]).splitlines())
    whole = text.encode("utf-8", "replace").decode("utf-8")  # names of files may hold halves of characters
    assert results(runs)["runs"][0]["log"] == whole
    assert results(runs)["runs"][0]["operator"] == whole


@settings(max_examples=200, deadline=None)
@given(text=NASTY)
def test_markdown_shows_text_as_it_stands(text):
    """An independent renderer shows the cleaned text itself: no markup, no tags, no links."""
    plain = " ".join(clean(text).split())
    assert shown(escaped(text, longest=10_000)).strip() == plain.strip()


@pytest.mark.parametrize(
    ("text", "page"),
    [
        ("a|b `c` *d*", r"a\|b \`c\` \*d\*"),
        ("<b>&", "&lt;b&gt;&amp;"),
        ("see #12, @somebody", "see #<!-- -->12, @<!-- -->somebody"),
        ("https://example.org", "https:<!-- -->//example.org"),
        ("www.example.org", "www<!-- -->.example.org"),
        ("one\ntwo", "one two"),
        ("turned \N{RIGHT-TO-LEFT OVERRIDE}round", f"turned {REPLACEMENT}round"),
    ],
)
def test_markdown_escapes(text, page):
    """Markup, tags, mentions, links, line ends and turned lines become plain text."""
    assert escaped(text) == page


def test_markdown_fits_a_comment(logged):
    """A summary of very many runs ends in a line that says how much does not fit."""
    made = page([logged(verdict="fail") for _ in range(500)])
    assert len(made) < LONGEST + 100
    assert made.splitlines()[-1].endswith("more lines do not fit; the logs hold everything.")
    assert made.startswith("### ❌ ventproof: fail\n")


def test_markdown_puts_what_did_not_pass_first(logged, finding):
    """The worst verdict heads the summary; responses that were not run are counted, not listed."""
    failed = finding(status=Status.FAIL, why="too late by 3 s")
    left = finding(status=Status.NOT_RUN, not_run=NotRun.EARLIER_STEP, why=NotRun.EARLIER_STEP.text)
    runs = [logged(profile="good"), logged(profile="bad", verdict="fail", findings=(failed, left, left))]
    made = page(runs)
    assert made.index("too late by 3 s") < made.index("| good |")
    assert made.index("| bad |") < made.index("| good |")
    assert "2 more responses were not run" in made
    assert "2 runs: 1 fail, 1 pass." in made


def test_markdown_says_when_not_all_is_of_one_kind(logged):
    """Runs of two firmware versions are not summed up as one."""
    made = page([logged(), logged(firmware="1.1")])
    assert (
        "**Not all of one kind:** Unit GH-7, firmware 1.0, bench mock. Unit GH-7, firmware 1.1, bench mock."
        in made
    )


@MADE_UP
@given(ends=st.lists(ENDS, min_size=1, max_size=4))
def test_json_is_of_the_published_schema(ends, logged):
    """Results are valid under `ventproof schema results`, and their verdict is the worst."""
    made = results([logged(verdict=end) for end in ends])
    jsonschema.validate(made, results_schema(), cls=jsonschema.Draft202012Validator)
    order = ["aborted", "fail", "inconclusive", "pass"]
    assert made["verdict"] == min(ends, key=order.index)


def test_the_published_schema_refuses_what_is_no_result():
    """A document without runs, or with a verdict of another word, is refused."""
    right = {"format": "ventproof results", "version": 2, "status": "pass", "not_run": [], "unreadable": []}
    right |= {"complete": True, "set_notes": []}
    wrong = right | {"verdict": "ok", "runs": []}
    errors = list(jsonschema.Draft202012Validator(results_schema()).iter_errors(wrong))
    assert {error.json_path for error in errors} == {"$.verdict", "$.runs"}


def test_outputs_are_chosen_by_the_ending(tmp_path, logged):
    """Each ending gives its own output, and a file that cannot be written is one clear error."""
    batch = Batch((logged(),))
    for ending in ENDINGS:
        write_output(tmp_path / "new" / f"results{ending}", batch)
        assert (tmp_path / "new" / f"results{ending}").read_text(encoding="utf-8") == made_for(ending, batch)
    (tmp_path / "folder.xml").mkdir()
    with pytest.raises(FileError, match=r"folder\.xml: cannot be written: Is a directory"):
        write_output(tmp_path / "folder.xml", batch)


@pytest.mark.parametrize(
    ("clock", "selfcheck_sha256", "marked"),
    [("wall", "", True), ("wall", "cc" * 32, False), ("virtual", "", False)],
)
def test_a_run_whose_bench_nobody_measured_is_marked(clock, selfcheck_sha256, marked, logged):
    """In a property, a line and a field; not so with a self-check, nor in virtual time, where the file is the unit."""
    run = logged(clock=clock, selfcheck_sha256=selfcheck_sha256)
    said = {p.get("name"): p.get("value") for p in xml([run]).iter("property")}["self-check"]
    assert said == (UNMEASURED if marked else selfcheck_sha256)
    assert results([run])["runs"][0]["no_selfcheck"] == (UNMEASURED if marked else "")
    assert (UNMEASURED[1:] in page([run])) == marked


def test_runs_together_end_as_the_worst_does(logged):
    """Aborted comes before fail, fail before inconclusive, as in the exit codes."""
    runs = tuple(logged(verdict=verdict) for verdict in ("pass", "inconclusive", "fail"))
    assert Batch(runs).verdict == "fail"
    assert Batch((*runs, logged(verdict="aborted"))).verdict == "aborted"
    assert Batch(runs).counted == "3 runs: 1 fail, 1 inconclusive, 1 pass"
    assert Batch(runs[:1]).counted == "1 run: 1 pass"


def test_what_was_not_run_is_never_left_out(logged):
    """A profile that something kept from being run is an error in every output, though all runs passed."""
    said = "2 of 3 planned runs are not here: frost; gale."
    whole = SetCheck(missing=(said,), absent=("frost", "gale"), planned=3)
    root = xml([logged()], whole)
    assert (root.get("tests"), root.get("errors")) == ("4", "3")
    names = [suite.get("name") for suite in root]
    assert names == ["the set of runs", "frost", "gale", "rain closes the vents"]
    made = results([logged()], whole)
    assert (made["verdict"], made["status"], made["not_run"]) == (
        "aborted",
        "incomplete",
        ["frost", "gale"],
    )
    assert (made["complete"], made["set_notes"]) == (False, [said])
    assert page([logged()], whole).startswith(f"### ⛔ ventproof: incomplete\n\n**{said}**\n")


def test_a_file_that_is_no_log_is_told(tmp_path):
    """Every file that cannot be read is named at once."""
    (tmp_path / "a.jsonl").write_text("nothing\n")
    with pytest.raises(
        FileError, match=r"(?s)a\.jsonl:1: this is not a ventproof log.*b\.jsonl: cannot read"
    ):
        read_runs([tmp_path / "a.jsonl", tmp_path / "b.jsonl"])
