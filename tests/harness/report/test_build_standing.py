"""How runs stand on a report: nothing but a whole pass that its evidence bears out is ever called one."""

from __future__ import annotations

import json
import shutil
from dataclasses import asdict
from xml.etree import ElementTree

import pytest

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.cli.report import judging, write
from ventproof.export.junit import junit
from ventproof.export.markdown import markdown
from ventproof.export.results import results_json
from ventproof.log.names import signature_path
from ventproof.log.signing import load_signing_key, make_key, sign_log
from ventproof.papers.waivers import ACCEPTED
from ventproof.rejudge.batch import judged_batch, read_runs
from ventproof.rejudge.standing import BELIEVED, STANDINGS
from ventproof.report.build import report_of
from ventproof.report.chapter import UNMEASURED_NOTE
from ventproof.report.cover import cover_of
from ventproof.report.write import html_of
from ventproof.runset.completeness import SetCheck
from ventproof.runset.present import Choice
from ventproof.session.selfcheck import pinned, selfcheck
from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import load_bench

LOUD = {
    "aborted": "has no closing line",
    "broken": "breaks at line 151",
    "contradicted": "The log closed with pass; its evidence, judged again, gives fail",
    "unconfirmed": "the log's format is 1",
}


ALONE = [standing for standing in STANDINGS if standing != ACCEPTED]  # which takes waivers
RUNS = [standing for standing in ALONE if standing != "unreadable"]


@pytest.mark.parametrize("standing", RUNS)
def test_a_log_stands_as_it_is_and_is_said_so_on_the_first_page(standing, logs):
    """Aborted, broken, rewritten and unreadable logs are told of as such, in the first lines."""
    report = report_of([logs[standing]])
    assert report.cover.standing == standing
    assert [chapter.standing for chapter in report.chapters] == [standing]
    assert report.cover.entries[0].standing == standing
    assert any(LOUD.get(standing, "") in alarm for alarm in report.cover.alarms) or standing not in LOUD


@pytest.mark.parametrize("standing", [standing for standing in ALONE if standing != "pass"])
def test_one_log_that_is_no_pass_keeps_every_report_from_being_one(standing, logs, tmp_path):
    """A pass beside it changes nothing, and reports for people and for programs say the same of both."""
    named = [logs["pass"], logs[standing]]
    cover = report_of(named).cover
    assert cover.standing == standing
    assert cover.says.startswith(f"2 {'logs' if standing == 'unreadable' else 'runs'}: 1 ")
    batch = judged_batch(named)
    assert batch.standing == standing
    entries = {entry.standing for entry in cover.entries}
    assert {*(one.standing for one in batch.runs), *("unreadable" for _ in batch.lost)} == entries
    flagged = [case for case in ElementTree.fromstring(junit(batch)).iter("testcase") if len(case)]
    assert flagged
    assert f"ventproof: {standing}\n" in markdown(batch)
    made = json.loads(results_json(batch))
    assert (made["status"], made["verdict"] == "pass") == (standing, False)
    code = 0 if standing in BELIEVED else 3 if standing == "unreadable" else 4
    judged = judging(named, Choice.NAMED)
    for ending in (".html", ".xml"):
        assert write(tmp_path / f"report{ending}", named, Choice.NAMED, judged) == code


def test_a_file_that_is_no_log_is_named_first_and_the_rest_is_told(logs):
    """A stranger sees on the first page, and in every output, that a file is missing from the evidence, and which."""
    named = [logs["pass"], logs["unreadable"]]
    cover = report_of(named).cover
    reason = "line 1: this is not a ventproof log, or its first line was changed"
    assert cover.alarms[0] == (f"MISSING FROM THIS RECORD: {named[1]}: {reason}. Its content is unknown.")
    assert (cover.entries[0].profile, cover.entries[0].standing) == ("no-log.jsonl", "unreadable")
    batch = judged_batch(named)
    made = json.loads(results_json(batch))
    assert made["unreadable"] == [{"log": str(named[1]), "reason": reason}]
    (suite,) = ElementTree.fromstring(junit(batch)).findall(f"testsuite[@name='{named[1]}']")
    assert reason in suite.find("testcase/error").get("message")
    assert "**Missing**" in markdown(batch)
    assert "no-log.jsonl" in html_of(report_of(named))


def test_an_alarm_names_the_place_where_each_place_has_a_log_of_that_name(logs, mock, tmp_path):
    """Two places of a rack: whoever reads that a run died knows whose it was."""
    for number, place in enumerate(("one", "two")):
        (tmp_path / place).mkdir()
        events = mock.events_of(logs["aborted"])
        events[0]["unit"] = f"V-{number}"
        mock.rechained(events, tmp_path / place / "rain.jsonl")
    report = report_of(sorted(tmp_path.rglob("*.jsonl")))
    profile = report.chapters[0].profile
    died = [one for one in report.cover.alarms if "has no closing line" in one]
    assert [one.partition(": This log")[0] for one in died] == [
        f"{profile} (one/rain.jsonl)",
        f"{profile} (two/rain.jsonl)",
    ]


def test_what_failed_and_by_how_much_stands_on_the_first_page(mock, tmp_path):
    """Each response that failed is named with its margin and its reason, as the log has them."""
    log = mock.run(tmp_path, mock.rain, faults=["slow_travel"])
    report = report_of([log])
    told = {(c.response, c.verdict, c.why) for c in report.cover.complaints}
    found = [e for e in mock.events_of(log) if e["event"] == "finding" and e["verdict"] == "fail"]
    assert found
    assert {(f"{e['signal']} {e['demand']}", "fail", e["why"]) for e in found} <= told
    assert all("too " in c.margin for c in report.cover.complaints if c.verdict == "fail")


@pytest.mark.parametrize("number", range(4))
def test_a_verdict_changed_in_a_log_chained_anew_is_found(number, logs, mock, tmp_path):
    """Whoever turns one finding of a failed run into a pass gets no pass, and neither does its opposite."""
    events = mock.events_of(logs["fail"])
    findings = [event for event in events if event["event"] == "finding"]
    changed = findings[number]
    changed["verdict"] = changed["status"] = "fail" if changed["verdict"] == "pass" else "pass"
    report = report_of([mock.rechained(events, tmp_path / "forged.jsonl")])
    assert report.cover.standing == "contradicted"
    assert any("the log says" in complaint.why for complaint in report.cover.complaints)


def test_a_finding_left_out_of_a_log_chained_anew_is_told_of(logs, mock, tmp_path):
    """The response is still in the report, as one that the log does not hold."""
    events = mock.events_of(logs["fail"])
    gone = next(e for e in events if e["event"] == "finding" and e["verdict"] == "fail")
    events.remove(gone)
    for seq, event in enumerate(events):
        event["seq"] = seq
    report = report_of([mock.rechained(events, tmp_path / "less.jsonl")])
    assert report.cover.standing == "contradicted"
    assert any("the log holds no finding for this response" in c.why for c in report.cover.complaints)


def test_the_first_page_says_that_nobody_measured_the_bench(logs, mock, tmp_path):
    """Of a run on real wires without a self-check, and not of one on the mock."""
    events = mock.events_of(logs["pass"])
    events[0] |= {"clock": "wall", "started": "2026-03-01T10:00:00+00:00"}
    notes = report_of([mock.rechained(events, tmp_path / "real.jsonl"), logs["fail"]]).cover.notes
    assert f"1 of 2 runs: {UNMEASURED_NOTE}" in notes


def test_several_units_or_firmware_versions_are_said_plainly(logs, mock, tmp_path):
    """A report of a mixture says that it is no statement about any one of them; the older version comes first."""
    events = mock.events_of(logs["pass"])
    events[0] |= {"unit": "V-1043", "firmware": "3.2"}
    report = report_of([mock.rechained(events, tmp_path / "other.jsonl"), logs["pass"]])
    assert report.cover.title == "2 units, 2 firmware versions"
    assert report.cover.alarms[0].startswith("This report holds runs of 2 units: V-1043; V-1042.")
    assert report.cover.alarms[1].startswith("This report holds runs of 2 firmware versions: 3.1; 3.2.")


def test_a_unit_that_nobody_named_is_missed(mock, tmp_path):
    """Unit, firmware and operator are what a record is about."""
    report = report_of([mock.run(tmp_path, unit="", firmware="", operator="")])
    (alarm,) = report.cover.alarms
    assert alarm.endswith("unit, firmware, operator.")


def test_a_suite_that_was_cut_short_is_no_pass(logs):
    """Profiles that were to be run and were not are named first, even where all that was run passed."""
    said = "2 of 3 planned runs are not here: frost; gale."
    cover = cover_of(
        report_of([logs["pass"]]).chapters, SetCheck(missing=(said,), absent=("frost", "gale"), planned=3)
    )
    assert (cover.standing, cover.of_set, cover.alarms[0]) == ("incomplete", "incomplete", said)
    assert cover.says == "2 of 3 planned runs are not here. One run."


def test_the_same_log_under_two_names_is_told_of_once(logs, tmp_path):
    """Copies add nothing, and the first page says so."""
    copy = shutil.copy(logs["pass"], tmp_path / "copy.jsonl")
    report = report_of([logs["pass"], copy])
    assert len(report.chapters) == 1
    assert "byte for byte, and counted once: copy.jsonl is" in report.cover.conditions[0]
    assert len(judged_batch([logs["pass"], copy]).runs) == 1


def test_a_run_on_the_mock_says_that_it_tests_no_real_unit(logs):
    """Virtual time is no test of anything that stands in a greenhouse."""
    assert "no evidence about a real unit" in report_of([logs["pass"]]).cover.conditions[0]


def test_outputs_that_may_be_unsafe_are_an_alarm(logs, mock, tmp_path):
    """What an operator must put right by hand is on the first page."""
    events = mock.events_of(logs["pass"])
    events[-1] = {
        "seq": events[-1]["seq"],
        "t": events[-1]["t"],
        "event": "not_safe",
        "reason": "relay 3 is stuck",
    }
    (alarm, *_) = report_of([mock.rechained(events, tmp_path / "unsafe.jsonl")]).cover.alarms[1:]
    assert "OUTPUTS MAY NOT HAVE BEEN SAFE" in alarm
    assert "relay 3 is stuck" in alarm


def test_a_self_check_among_the_logs_gives_the_bench_its_figures(mock, tmp_path):
    """What was measured, and what the bench can decide, stands in the bench's section."""
    bench = load_bench(SHIPPED_BENCH)
    check = selfcheck(bench, tmp_path, kind="bench").log
    events = mock.events_of(mock.run(tmp_path))
    log = mock.rechained(
        [events[0] | {"selfcheck": asdict(pinned(check, bench))}, *events[1:]], tmp_path / "with.jsonl"
    )
    (section,) = report_of([check, log]).sections
    assert [table.title for table in section.tables[-2:]] == [
        "Measured by the self-check",
        "What this bench can decide",
    ]
    assert [row[0] for row in section.tables[-1].rows] == ["rain_count", "rain_override"], "only what is used"
    (without,) = report_of([log]).sections
    assert "No log of a self-check was among the logs" in without.sentences[-1]
    with pytest.raises(FileError, match=r"no log of a run was named; name logs of `ventproof run`"):
        report_of([check])


def test_a_signed_log_names_its_key_and_a_changed_one_is_broken(logs, tmp_path):
    """A log that was chained anew after it was signed is no pass, whatever it says."""
    key, public, log = tmp_path / "a.key", tmp_path / "a.pub", tmp_path / "rain.jsonl"
    make_key(key, public)
    shutil.copy(logs["pass"], log)
    signed = sign_log(log, load_signing_key(key), "Halvorsen")
    report = report_of([log])
    assert report.cover.standing == "pass"
    assert any(f.name == "Signature" and signed.fingerprint in f.value for f in report.chapters[0].facts)
    shutil.copy(logs["inconclusive"], log)
    report = report_of([log])
    assert report.cover.standing == "broken"
    assert "The log is signed, but" in report.cover.alarms[0]


def test_where_no_log_is_left_every_wrong_one_is_named_at_once(tmp_path):
    """There is nothing to tell of: all faults are told together, each with its file."""
    one, two = tmp_path / "one.jsonl", tmp_path / "two.jsonl"
    one.write_text("hello\n", encoding="utf-8")
    two.write_text("", encoding="utf-8")
    for make in (report_of, judged_batch):
        with pytest.raises(
            FileError, match=r"one\.jsonl:1: this is not a ventproof log(.|\n)*two\.jsonl: the log is empty"
        ):
            make([one, two])


def test_events_that_are_not_ours_are_one_clear_error(logs, mock, tmp_path):
    """A log that somebody wrote by hand, whole in its chain, ends in no traceback."""
    events = mock.events_of(logs["pass"])
    for event in events:
        if event["event"] == "finding":
            del event["demand"]
    log = mock.rechained(events, tmp_path / "odd.jsonl")
    with pytest.raises(
        FileError, match=r"odd\.jsonl:\d+: it has no `demand`: no ventproof writes such a `finding`"
    ):
        report_of([log])


def test_many_logs_are_worked_on_in_several_processes_and_keep_their_order(mock, logs, tmp_path):
    """The report is the same as if they had been told of one by one."""
    names = []
    for number in range(5):
        events = mock.events_of(logs["pass"])
        events[0] |= {"repeat": number + 1}
        names.append(mock.rechained(events, tmp_path / f"{number}.jsonl"))
    together = report_of(names)
    assert [entry.repeat for entry in together.cover.entries] == ["1", "2", "3", "4", "5"]
    apart = [report_of([name]).chapters[0].digest for name in names]
    assert [chapter.digest for chapter in together.chapters] == apart


@pytest.mark.parametrize("whole_first", [True, False])
def test_a_log_that_others_went_on_with_does_not_hide_behind_the_whole_one(whole_first, logs, tmp_path):
    """Both have the same last intact line; they are not the same to the byte, and the broken one counts."""
    more = tmp_path / "more.jsonl"
    more.write_bytes(logs["pass"].read_bytes() + b'{"seq":1}\n')
    cover = report_of([logs["pass"], more] if whole_first else [more, logs["pass"]]).cover
    assert (cover.standing, cover.says) == ("broken", "2 runs: 1 with a broken log, 1 passed.")


def test_a_copy_keeps_the_place_of_the_first(logs, tmp_path):
    """Runs are told of in the order in which their logs were named."""
    shutil.copy(logs["pass"], tmp_path / "copy.jsonl")
    entries = report_of([logs["pass"], logs["fail"], tmp_path / "copy.jsonl"]).cover.entries
    assert [entry.standing for entry in entries] == ["pass", "fail"]


def test_outputs_for_programs_believe_a_signature_that_does_not_fit_as_little(logs, tmp_path):
    """A log that is other than what was signed is no pass for CI either; a signed one is."""
    log = tmp_path / "run.jsonl"
    shutil.copy(logs["pass"], log)
    sign_log(log, make_key(tmp_path / "own.key", tmp_path / "own.pub"), "Ida Holm")
    assert read_runs([log])[0].run.verdict == "pass"
    log.write_bytes(b"".join(log.read_bytes().splitlines(keepends=True)[:-1]))
    run = read_runs([log])[0].run
    assert (run.verdict, run.reason[:26]) == ("aborted", "The log is signed, but lin")
    signature_path(log).write_text("{}")
    assert read_runs([log])[0].run.reason.startswith("The signature file of this log cannot be read: ")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"decision": "simple"}, "the rule of decision is 'simple', and its own texts say 'guarded'"),
        ({"clock": "wall"}, "the clock is 'wall', and its own texts say 'virtual'"),
        ({"profile": {"name": "all overrides at once"}}, "the profile's name is 'all overrides at once'"),
        ({"bench": {"name": "a real unit"}}, "the bench's name is 'a real unit'"),
    ],
)
def test_a_first_line_that_belies_its_own_texts_is_no_pass(change, said, logs, mock, tmp_path):
    """Readers go by the first line, the judge by the texts in it; a log in which they differ is forged."""
    events = mock.events_of(logs["pass"])
    for field, value in change.items():
        events[0][field] = {**events[0][field], **value} if isinstance(value, dict) else value
    cover = report_of([mock.rechained(events, tmp_path / "forged.jsonl")]).cover
    assert cover.standing == "unconfirmed"
    assert said in cover.alarms[0]


def test_of_several_units_each_run_names_its_own(logs, mock, tmp_path):
    """Where a profile failed on one unit and passed on another, a reader sees on which; of one unit all is plain."""
    first, *rest = mock.events_of(logs["fail"])
    alone = {name: value for name, value in first.items() if name != "plan"} | {"unit": "V-2"}
    other = mock.rechained([alone, *rest], tmp_path / "other.jsonl")
    cover, plain = (report_of([log, other]).cover for log in (logs["pass"], tmp_path / "other.jsonl"))
    (profile,) = {test.profile for test in plain.paper.tests}
    named = f"{profile}, unit V-2, fault counts_twice"
    assert {one.profile for one in cover.complaints} == {named}
    assert {test.profile for test in cover.paper.tests} == {named}
    assert [entry.profile for entry in cover.entries] == [f"{profile}, unit V-1042, no faults", named]
    assert {one.profile for one in plain.complaints} == {profile}
