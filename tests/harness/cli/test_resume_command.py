"""A suite that was broken off goes on where it was: what stands stays, what has no verdict is made again and told."""

from __future__ import annotations

import re

import pytest
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.log.read import read_log
from ventproof.log.signing import make_key
from ventproof.log.write import RecordLog
from ventproof.runset.manifest import read_manifest
from ventproof.session.planned import PlannedRuns

COUNT, RAIN = shipped_path("rain-count"), shipped_path("bucket-bounce-ignored")
COUNTED, BOUNCED = "every-closure-of-the-rain-contact-is-counted", "bounce-of-the-bucket-s-reed-is-ignored"
WAIVERS = SHIPPED_BENCH.parent / "papers" / "waivers.yaml"


@pytest.fixture
def suite(ventproof):
    """Run two profiles twice on the shipped bench; returns the exit code, standard output and standard error."""

    def run(*words, bench=SHIPPED_BENCH):
        return ventproof("run", COUNT, RAIN, "--bench", bench, *words)

    return run


@pytest.fixture
def killed(suite, tmp_path):
    """The records of a suite that was killed in its third run: the log is torn, the fourth was never begun."""
    assert suite("--repeat", "2", "--unit", "GH-7")[0] == 0
    folder = tmp_path / "records"
    (folder / f"{BOUNCED}-2.jsonl").unlink()
    (folder / "series.manifest.json").unlink()
    torn = folder / f"{BOUNCED}.jsonl"
    torn.write_bytes(torn.read_bytes()[:-2000])
    return folder


def test_a_killed_suite_is_finished_and_tells_of_the_attempt_that_died(killed, suite, ventproof):
    """The two finished runs are untouched; the torn one is made again under another name, and both stay."""
    before = {path.name: path.read_bytes() for path in killed.glob("*.jsonl")}
    code, out, _ = ventproof("verify", "records")
    assert (code, out.splitlines()[-1]) == (4, "3 files: 2 in order, 1 not in order")
    code, out, err = suite("--resume", "records")
    assert (code, err.splitlines()[0][14:]) == (
        0,
        "goes on: 2 of 4 runs stand, 1 that had no verdict is made again",
    )
    assert "4 runs: 4 pass" in out
    told = ventproof("history", "--history", "records/history.sqlite")[1]
    assert told.endswith(
        "\n6 runs: 5 pass, 1 aborted\n"
    )  # the first four, the torn log, and the one that took its place
    after = {path.name: path.read_bytes() for path in killed.glob("*.jsonl")}
    assert after.keys() - before.keys() == {f"{BOUNCED}-2.jsonl", f"{BOUNCED}-3.jsonl"}
    assert before.items() <= after.items()
    third = read_manifest(killed / "series.manifest.json").left[2]
    assert (third.outcome, [one.log for one in third.earlier]) == ("pass", [f"{BOUNCED}.jsonl"])
    code, out, _ = ventproof("verify", "records")
    assert (code, out.splitlines()[-1]) == (0, "5 files: 4 in order, 1 aborted and made again")
    code, out, _ = ventproof("report", "records", "-o", "r.md", "-o", "r.html")
    assert (code, out.startswith("r.md: pass: 5 runs: 1 aborted, 4 pass\n")) == (0, True)
    assert (
        f"! {BOUNCED}.jsonl of run 3 of 4 (bounce of the bucket's reed is ignored, repeat 1 of 2) was aborted"
        in out
    )


def test_an_interrupted_suite_says_what_goes_on_with_it(suite, ventproof, monkeypatch):
    """The manifest, which is of this plan alone; a single run has none, and its log does."""
    repeat = PlannedRuns.repeat

    def second_is_interrupted(runs, number, view):
        if number == 1 or runs.plan.runs == 1:
            repeat(runs, number, view)
            raise KeyboardInterrupt
        return repeat(runs, number, view)

    monkeypatch.setattr(PlannedRuns, "repeat", second_is_interrupted)
    code, _, err = suite()
    assert (
        code,
        err.endswith(
            "interrupted\nto go on: ventproof run --resume records/series.manifest.json PROFILES --bench FILE\n"
        ),
    ) == (
        130,
        True,
    )
    code, _, err = ventproof("run", COUNT, "--bench", SHIPPED_BENCH, "--out", "one")
    assert (
        code,
        err.endswith(f"\nto go on: ventproof run --resume one/{COUNTED}.jsonl PROFILES --bench FILE\n"),
    ) == (130, True)


def test_a_signed_suite_goes_on_signed_or_not_at_all(suite, killed, ventproof):
    """Otherwise a part of it would be, and the whole would not."""
    make_key(killed / "anna.key", killed / "anna.pub")
    ventproof("sign", killed / f"{COUNTED}.jsonl", "--key", killed / "anna.key")
    code, _, err = suite("--resume", "records")
    assert (code, "it is signed, and what is to come would not be; give --sign" in err) == (3, True)
    assert suite("--resume", "records", "--sign", killed / "anna.key")[0] == 0


def test_an_attempt_that_is_taken_away_is_missed(killed, suite, ventproof):
    """Nobody hides an aborted run: the one that took its place lists it, and so does the manifest."""
    suite("--resume", "records")
    (killed / f"{BOUNCED}.jsonl").unlink()
    for closing in (False, True):
        if closing:
            (killed / "series.manifest.json").unlink()
        code, out, _ = ventproof("report", "records", "-o", "r.md")
        assert (code, "that was aborted is not here: " in out) == (2, True)


def test_a_resumed_suite_that_is_killed_again_is_resumed_again(killed, suite):
    """Every attempt before is listed in the log of the next one."""
    suite("--resume", "records")
    (killed / "series.manifest.json").unlink()
    again = killed / f"{BOUNCED}-2.jsonl"
    again.write_bytes(again.read_bytes()[:-2000])
    code, _, err = suite("--resume", "records")
    assert (code, "3 of 4 runs stand, 1 that had no verdict is made again" in err) == (0, True)
    place = read_log(killed / f"{BOUNCED}-4.jsonl").events[0].header.place
    assert [one.log for one in place.earlier] == [f"{BOUNCED}.jsonl", f"{BOUNCED}-2.jsonl"]


def test_what_had_failed_is_not_run_away(suite, tmp_path):
    """A run that was killed after a response had failed stands as it is: aborted, exit code 4."""
    text = SHIPPED_BENCH.read_text(encoding="utf-8")
    (tmp_path / "bad.yaml").write_text(
        text.replace("\nmock:", "\nmock:\n  faults: {counts_twice: 1}"), encoding="utf-8"
    )
    assert suite("--repeat", "2", bench="bad.yaml")[0] == 1
    log = tmp_path / "records" / f"{COUNTED}.jsonl"
    log.write_bytes(b"".join(log.read_bytes().splitlines(keepends=True)[:-1]))
    (tmp_path / "records" / "series.manifest.json").unlink()
    (tmp_path / "records" / f"{BOUNCED}-2.jsonl").unlink()
    code, _, err = suite("--resume", "records", bench="bad.yaml")
    said = (
        "3 of 4 runs stand (1 of them aborted, after a response had failed: such a run is not made again)\n"
    )
    assert (code, said in err) == (4, True)
    assert not list((tmp_path / "records").glob(f"{COUNTED}-3.jsonl"))


def test_a_suite_goes_on_only_with_what_it_began_with(killed, suite, ventproof, tmp_path):
    """Another bench, unit, firmware or profile is refused, and so are options that the plan answers."""
    (tmp_path / "other.yaml").write_text(
        SHIPPED_BENCH.read_text(encoding="utf-8") + "\n# mended\n", encoding="utf-8"
    )
    resume = ("--resume", "records")
    for said, (code, _, err) in {
        "other.yaml: this is not the bench file of the plan, as it was": suite(*resume, bench="other.yaml"),
        "--unit: 'GH-8', where the plan says 'GH-7'": suite(*resume, "--unit", "GH-8"),
        "--firmware: '3', where the plan says ''": suite(*resume, "--firmware", "3"),
        "--waivers: its other runs had other waivers, or none": suite(*resume, "--waivers", WAIVERS),
        "--repeat: the plan that is resumed says this; leave it out": suite(*resume, "--repeat", "2"),
        'PROFILES: "bounce of the bucket\'s reed is ignored" is not among them': ventproof(
            "run", COUNT, "--bench", SHIPPED_BENCH, *resume
        ),
    }.items():
        assert (code, said in err) == (3, True), err
    assert len(list(killed.glob("*.jsonl"))) == 3


def test_a_log_that_is_gone_changed_or_still_written_is_not_gone_on_with(killed, suite):
    """A finished run is not run again because its log was taken away where the manifest lists it."""
    suite("--resume", "records")
    first = killed / f"{COUNTED}.jsonl"
    content = first.read_bytes()
    first.unlink()
    code, _, err = suite("--resume", "records")
    assert (code, f"it lists {COUNTED}.jsonl, which is not here, or was changed; put it back" in err) == (
        3,
        True,
    )
    first.write_bytes(content.replace(b"GH-7", b"GH-8", 1))
    assert suite("--resume", "records")[0] == 3


def test_a_run_that_still_goes_on_is_left_alone(tmp_path, suite, killed):
    """Its log is held while it is written."""
    with RecordLog(tmp_path / "live.jsonl") as log:
        torn = killed / f"{BOUNCED}.jsonl"
        content = torn.read_bytes()
        torn.unlink()
        log.path.rename(torn)
        torn.write_bytes(content)
        code, _, err = suite("--resume", "records")
    assert (code, "a run still writes this log; let it finish" in err) == (3, True)


def test_a_finished_plan_is_not_resumed_and_two_unfinished_ones_must_be_told_apart(killed, suite, ventproof):
    """One clear error each; a log or manifest names the plan that is meant."""
    torn = killed / f"{COUNTED}-3.jsonl"
    ventproof("run", COUNT, COUNT, "--bench", SHIPPED_BENCH, "--seed", "7")
    torn.write_bytes(torn.read_bytes()[:-500])
    (killed / "series.manifest.json").unlink()
    code, _, err = suite("--resume", "records")
    assert (code, bool(re.search(r"2 plans here are unfinished; name a file of one: ", err))) == (3, True)
    assert suite("--resume", killed / f"{BOUNCED}.jsonl")[0] == 0
    assert suite("--resume", torn)[0] == 0
    code, _, err = suite("--resume", "records")
    assert (code, "every plan here is finished" in err) == (3, True)
