"""A line of a log is checked once, when it is read: what cannot be is told with its line, whatever reads the log."""

from __future__ import annotations

import json

import pytest
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH, with_faults
from ventproof.log.decode import event_of
from ventproof.log.encode import fields_of
from ventproof.log.events import OtherEvent
from ventproof.log.read import check_log, read_log
from ventproof.log.write import GENESIS, seal
from ventproof.profile.load import load_profile
from ventproof.rejudge.again import decide_again
from ventproof.rejudge.standing import attempt
from ventproof.run.view import SilentView
from ventproof.session.session import Session
from ventproof.verdict.finding import NotRun
from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import load_bench


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    """Run the rain profile on a unit that ignores rain, so that steps are left out; return its log."""
    bench = with_faults(load_bench(SHIPPED_BENCH), ["ignores_rain"])
    session = Session(bench=bench, out=tmp_path_factory.mktemp("logs"))
    return session.run(load_profile(shipped_path("rain-closes-holds-releases")), SilentView()).log


def lines_of(path):
    """Return the lines of a log as JSON tells them."""
    return [json.loads(line) for line in path.read_bytes().splitlines()]


def chained(lines, path):
    """Write lines as a log whose chain is whole; return its path."""
    digest = GENESIS
    with path.open("wb") as file:
        for seq, line in enumerate(lines):
            body = {key: value for key, value in line.items() if key != "chain"} | {"seq": seq}
            sealed, digest = seal(
                json.dumps(body, separators=(",", ":"), ensure_ascii=False).encode(), digest
            )
            file.write(sealed + b"\n")
    return path


def spoiled(log, path, name, change):
    """Write a log again, one line of a name changed; return its path and the number of that line."""
    lines = lines_of(log)
    number = next(number for number, line in enumerate(lines, start=1) if line["event"] == name)
    change(lines[number - 1])
    return chained(lines, path), number


WRONG = [
    ("run_begin", "seed", "7", "its `seed`: expected a whole number, found '7'"),
    (
        "run_begin",
        "started",
        "today",
        "its `started`: expected a date and time with its zone, found 'today'",
    ),
    ("poll", "values", [1.0], "its `values`: expected a mapping of numbers, found a list"),
    ("poll", "to", -5.0, "it lasts from "),
    (
        "poll",
        "shown",
        {"roof_shut": "closed"},
        "its `shown`: expected a mapping of levels, and true or false of contacts, found a mapping",
    ),
    ("poll", "words", [1.5], "its `words`: expected a list of whole numbers, found a list"),
    (
        "step_begin",
        "step",
        2**64,
        "its `step`: expected a whole number from 0 to 2147483647, found 18446744073709551616",
    ),
    ("step_begin", "step", True, "its `step`: expected a whole number from 0 up, found true"),
    ("stimulus", "edges", [], "its `edges`: expected at least one edge, found a list"),
    ("command", "states", ["closed"], "its `states`: expected a list of true and false, found a list"),
    ("found", "words", [True], "its `words`: expected a list of whole numbers, found a list"),
    ("driven", "why", "begun", "its `why`: expected one of open, safe, restore, found 'begun'"),
    ("finding", "demand", None, "its `demand`: expected text, found nothing"),
    ("finding", "margin", [2.0, 1.0], "its `margin`: expected a span, [lowest, highest], found a list"),
    (
        "finding",
        "status",
        "passed",
        "its `status`: expected one of pass, fail, inconclusive, not run",
    ),
    ("finding", "verdict", "fail", "its `verdict`: expected pass, for its status is pass, found 'fail'"),
    ("finding", "conformance", 2, "its `conformance`: expected a number from 0 to 1, found 2"),
    ("run_end", "verdict", None, "it gives both a verdict and why there is none, or neither"),
]


@pytest.mark.parametrize("wrong", WRONG, ids=lambda wrong: f"{wrong[0]}-{wrong[1]}")
def test_a_wrongly_typed_field_is_refused_with_line_and_reason(wrong, log, tmp_path, ventproof):
    """`judge`, `report` and `verify` say the same of it, and none of them takes it for a log."""
    name, field, value, reason = wrong
    path, line = spoiled(log, tmp_path / "odd.jsonl", name, lambda fields: fields.update({field: value}))
    for words in (["judge", path], ["report", path, "-o", "r.html"], ["verify", path]):
        code, out, err = ventproof(*words)
        assert (code, "Traceback" in out + err) == (3, False)
        assert f"{path}:{line}: {reason}" in " ".join((out + err).split())
        assert f"no ventproof writes such a `{name}`" in " ".join((out + err).split())


@pytest.mark.parametrize(
    ("name", "change", "reason"),
    [
        ("stimulus", {"output": "snow"}, "the profile has no output 'snow'"),
        ("stimulus", {"step": 9}, "the profile has no stimulus 0 in a step 9"),
        ("step_end", {"step": 9}, "the profile has no step 9"),
    ],
)
def test_an_event_that_no_run_of_the_profile_has_is_told_with_its_line(name, change, reason, log, tmp_path):
    """Its fields are right one by one, but not beside the profile in the first line."""
    path, line = spoiled(log, tmp_path / "odd.jsonl", name, lambda fields: fields.update(change))
    with pytest.raises(FileError, match=rf"^the log:{line}: {reason}$"):
        decide_again(read_log(path))


def test_readings_in_the_wrong_order_are_told_with_their_line(log, tmp_path):
    """No bus answers an older poll after a newer one."""
    lines = lines_of(log)
    first, second = [number for number, line in enumerate(lines) if line["event"] == "poll"][5:7]
    lines[first], lines[second] = lines[second], lines[first]
    with pytest.raises(FileError, match=rf"^the log:{second + 1}: its reading of \w+ is older than the one"):
        decide_again(read_log(chained(lines, tmp_path / "odd.jsonl")))


def test_a_verdict_beside_a_reason_why_there_is_none_is_no_end(log, tmp_path):
    """A run has a verdict or was aborted: a log that says both is not taken for a pass."""
    aborted = {"aborted": "the bus is lost", "abort": "bench"}
    path, line = spoiled(log, tmp_path / "odd.jsonl", "run_end", lambda fields: fields.update(aborted))
    with pytest.raises(
        FileError, match=rf":{line}: it gives both a verdict and why there is none, or neither"
    ):
        read_log(path)


def test_a_second_finding_of_a_response_is_told_with_its_line(log, tmp_path):
    """A fail that is followed by a pass of the same response is neither."""
    lines = lines_of(log)
    number = next(number for number, line in enumerate(lines) if line["event"] == "finding")
    lines.insert(number + 1, dict(lines[number]))
    with pytest.raises(FileError, match=rf"^the log:{number + 2}: a finding of this response stands above$"):
        decide_again(read_log(chained(lines, tmp_path / "odd.jsonl")))


def test_a_run_that_begins_twice_is_told_with_its_line(log, tmp_path):
    """What the second first line pins would be believed by nobody knows whom."""
    lines = lines_of(log)
    lines.insert(5, dict(lines[0]))
    with pytest.raises(FileError, match=r"^the log:6: a run begins but once$"):
        decide_again(read_log(chained(lines, tmp_path / "odd.jsonl")))


def test_nothing_stands_after_the_line_that_closed_the_run(log, tmp_path):
    """A torn line is what a killed run leaves behind, and a killed run has not closed its log."""
    path = tmp_path / "odd.jsonl"
    path.write_bytes(log.read_bytes() + b'{"seq":')
    state = read_log(path)
    assert (state.broken_at, state.closed) == (state.lines + 1, False)
    assert check_log(path).reason == "it stands after the line that closed the run"


def test_a_time_is_a_number_and_so_is_a_sequence_number(log, tmp_path):
    """JSON's true counts as 1 in arithmetic; in a log it is neither."""
    lines = lines_of(log)
    lines[1]["t"] = True
    assert read_log(chained(lines, tmp_path / "odd.jsonl")).reason == "it has no event or no time"


def test_every_line_of_a_run_is_what_its_event_says(log):
    """Reading loses nothing: each line, read and written again, is the same line."""
    for line in lines_of(log):
        own = {key: value for key, value in line.items() if key not in {"seq", "t", "event", "chain"}}
        event = event_of(line["event"], line["t"], own)
        assert not isinstance(event, OtherEvent)
        assert json.loads(json.dumps(fields_of(event))) == own


def test_an_event_that_is_not_known_is_kept(log, tmp_path):
    """A newer ventproof may say more: its log verifies, and what is known of it is judged."""
    lines = lines_of(log)
    lines.insert(5, {"t": lines[5]["t"], "event": "novelty", "colour": "blue"})
    path = chained(lines, tmp_path / "new.jsonl")
    state = read_log(path)
    assert state.events[5].fields["colour"] == "blue"
    assert (state.outcome, check_log(path).outcome) == ("fail", "fail")
    assert not decide_again(state).changes


def test_a_log_of_a_newer_format_verifies_and_is_not_judged(log, tmp_path):
    """Its chain is what it was; what its events mean is not guessed."""
    lines = lines_of(log)
    lines[0]["format"] = 99
    for line in lines:
        if line["event"] == "poll":
            line["values"] = [line["values"]]
    path = chained(lines, tmp_path / "new.jsonl")
    assert (check_log(path).broken_at, check_log(path).outcome) == (None, "fail")
    with pytest.raises(FileError, match=r"the log's format is 99, and this ventproof judges format 5"):
        decide_again(read_log(path))


@pytest.mark.parametrize(
    "change",
    [
        {"why": "was in the band of 3 to 7 % all the time"},
        {"margin": [9.0, 9.0]},
        {"slack": [30.0, 30.0]},
        {"proves": "that it never rains"},
        {"demand": "reaches 50 %"},
    ],
    ids=lambda change: next(iter(change)),
)
def test_a_finding_rewritten_in_any_part_is_not_borne_out(change, log, tmp_path, ventproof):
    """Judging again gives reasons, margins and claims too: a log that tells others contradicts itself."""
    path, _ = spoiled(log, tmp_path / "odd.jsonl", "finding", lambda fields: fields.update(change))
    code, said, _ = ventproof("judge", path)
    assert (code, "changed: " in said, "nothing changed" in said) == (1, True, False)
    ventproof("report", path, "-o", "r.html")
    assert "either this version of ventproof judges otherwise, or the log was rewritten" in (
        (path.parent / "r.html").read_text(encoding="utf-8").lower()
    )


@pytest.mark.parametrize("part", ["profile", "bench"])
def test_a_digest_that_is_not_of_the_text_is_refused(part, log, tmp_path):
    """Everybody reads the digest, and judged is by the text."""
    path, _ = spoiled(
        log, tmp_path / "odd.jsonl", "run_begin", lambda fields: fields[part].update(sha256="0" * 64)
    )
    with pytest.raises(FileError, match=rf"the log:1: the digest of its {part}.* is not that of the text"):
        decide_again(read_log(path))


def test_an_error_of_our_own_is_not_told_as_a_bad_log():
    """A log is judged again or refused; what fails in the program shows as that."""

    def judge():
        raise KeyError("a slip of ours")

    with pytest.raises(KeyError):
        attempt(judge)


def test_what_a_broken_off_run_never_came_to_says_so(log, tmp_path):
    """Its responses blame no earlier step."""
    lines = log.read_bytes().splitlines(keepends=True)
    cut = tmp_path / "cut.jsonl"
    cut.write_bytes(b"".join(lines[:12]))
    left = [finding for finding in decide_again(read_log(cut)).findings if finding.step == 2]
    assert {finding.not_run for finding in left} == {NotRun.ABORTED}
    assert {finding.why for finding in left} == {"not run: the run was aborted before"}
