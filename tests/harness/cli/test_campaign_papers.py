"""The papers of a campaign: logs and record signed, known fails accepted, all of it reported; also when broken off."""

from __future__ import annotations

import contextlib
import json
import shutil
from dataclasses import replace

import pytest

from ventproof.campaign import kept
from ventproof.cli import campaign as command
from ventproof.cli.options import SHIPPED_BENCH
from ventproof.log.names import signature_path
from ventproof.log.signing import make_key
from ventproof.runset.campaign_record import read_campaign_record
from ventproof.runset.manifest import read_manifest
from ventproof_bench.base.errors import RecordError

COUNT = """
profile: closures are counted
needs:
  outputs: {rain: contact}
  signals: {rain_count: count}
start:
  set: {rain: open}
  until: [{signal: rain_count, unchanged: {for: 1 s}}]
steps:
  - step: five closures
    do: [{pulse: rain, times: 5, closed_for: 100 ms, open_for: 150 ms, label: train}]
    expect: [{signal: rain_count, counts: 5, within: 4 s, after: train}]
"""
NIGHT = """
campaign: night
profiles: [count.yaml]
benches: [{file: mock.yaml}]
units: [U-1, U-2]
faults: [counts_twice]
repeats: 2
"""
WAIVER = """
  - id: W-{unit}
    profile: closures are counted
    response: rain_count counts
    unit: {unit}
    reason: bounce is counted
    disposition: use as is
    owner: I. Halvorsen
    approved_by: M. Okonjo
    retest_by: 2099-12-31
"""
FIRST, SECOND = "001-unit-u-1-fault-counts-twice", "002-unit-u-2-fault-counts-twice"
WHOLE = "All 4 runs in 2 plans of campaign night are here, as campaign.json lists them"


class _Here:
    """Makes runs in this process, and is interrupted after some of them."""

    def __init__(self, most=100):
        self._most = most

    def finished(self, work, jobs):
        for number, job in enumerate(jobs):
            if number == self._most:
                raise KeyboardInterrupt
            yield number, work(job)

    def stopped(self, _):
        return iter(())


@pytest.fixture
def night(tmp_path, ventproof, monkeypatch):
    """A campaign of four runs that all fail, and what runs it: U-1 has a waiver in one file, both have in another."""
    (tmp_path / "count.yaml").write_text(COUNT, encoding="utf-8")
    (tmp_path / "night.yaml").write_text(NIGHT, encoding="utf-8")
    shutil.copy(SHIPPED_BENCH, tmp_path / "mock.yaml")
    first, second = (WAIVER.format(unit=unit) for unit in ("U-1", "U-2"))
    (tmp_path / "one.yaml").write_text(f"waivers:{first}", encoding="utf-8")
    (tmp_path / "both.yaml").write_text(f"waivers:{first}{second}", encoding="utf-8")
    make_key(tmp_path / "anna.key", tmp_path / "anna.pub")

    def carry_out(*words, most=100):
        monkeypatch.setattr(command, "_executor", lambda *_: contextlib.nullcontext(_Here(most)))
        return ventproof("campaign", "night.yaml", "--out", "out", "--operator", "Anna Falk", *words)

    return carry_out


@pytest.fixture
def verified(ventproof):
    """Verify the campaign with the key; returns the exit code and what was said before the logs were."""

    def verify():
        code, out, _ = ventproof("verify", "out", "--key", "anna.pub")
        return code, [line for line in out.splitlines() if not line.startswith(("out/", "4 files"))]

    return verify


def test_a_waiver_of_one_unit_leaves_the_fails_of_another(night, ventproof, tmp_path):
    """Each accepted fail is told as such; with waivers for both the exit code is 5; logs and files for CI say fail."""
    code, out, told = night("--waivers", "one.yaml", "--report", "all.html", "--report", "all.json")
    assert code == 1
    assert "4 runs: 2 fail, 2 accepted deviation\n" in out
    accepted = (line for line in out.splitlines() if line.startswith("accepted deviation W-U-1: "))
    assert next(accepted).endswith("(bounce is counted; retest by 2099-12-31) (2 runs)")
    assert f"fail: unit U-2, fault counts_twice: closures are counted, repeat 1 of 2 (out/{SECOND}/" in out
    assert "fail: unit U-1" not in out
    assert (
        "all.html: fail: 2 units, firmware not stated. 4 runs: 2 failed, 2 with accepted deviations only."
        in out
    )
    told = json.loads((tmp_path / "all.json").read_text(encoding="utf-8"))
    assert ({one["verdict"] for one in told["runs"]}, told["complete"]) == ({"fail"}, True)
    assert night("--resume", "--waivers", "one.yaml")[0] == 1
    for other in (("--waivers", "both.yaml"), ()):
        code, _, told = night("--resume", *other)
        assert (code, "was run with other waivers, or none; go on with those" in told) == (3, True)
    assert ventproof("report", "out", "-o", "again.html")[1].partition(": ")[2].startswith("fail: 2 units")


def test_a_campaign_whose_fails_are_all_accepted_has_an_exit_code_of_its_own(night):
    """As a run has; its report says the same."""
    code, out, _ = night("--waivers", "both.yaml", "--report", "all.html")
    assert (code, "4 runs: 4 with accepted deviations only." in out) == (5, True)


def test_names_in_waivers_that_no_profile_has_are_told_before_the_runs(night, tmp_path):
    """Of profiles of all benches; what covers nothing is told at the end."""
    text = (tmp_path / "one.yaml").read_text(encoding="utf-8")
    (tmp_path / "one.yaml").write_text(text.replace("are counted", "are countde"), encoding="utf-8")
    code, _, told = night("--waivers", "one.yaml")
    assert code == 1
    assert (
        "warning: one.yaml:3:14: waiver W-U-1: no profile 'closures are countde' is run; did you mean" in told
    )
    assert "warning: waiver W-U-1 covers no response of these runs" in told


def test_a_signed_campaign_proves_that_all_its_logs_are_there(night, verified, tmp_path):
    """Of logs, manifests and record: what was taken away, changed or added is named."""
    assert "every log, every manifest and the record are signed, key " in night("--sign", "anna.key")[1]
    assert verified() == (0, [f"{WHOLE}, signed by Anna Falk."])
    shutil.move(tmp_path / "out", tmp_path / "whole")
    log = "00002-closures-are-counted.jsonl"
    for spoil, code, said in (
        (lambda out: (out / FIRST / log).unlink(), 2, f"1 of 2 planned runs of {FIRST} is not here: "),
        (
            lambda out: shutil.rmtree(out / FIRST),
            2,
            f"2 of 4 planned runs are not here, since no log is in {FIRST}.",
        ),
        (lambda out: _changed(out / FIRST / log), 4, f"{FIRST}/{log} is not the log of run 2 of 2 "),
        (
            lambda out: _changed(out / "campaign.json"),
            4,
            "campaign.json: not a record of a campaign: it is not as ventproof writes it",
        ),
        (
            lambda out: (out / "campaign.json.sig").unlink(),
            2,
            "campaign.json is not signed: it does not prove ",
        ),
        (
            lambda out: (out / FIRST / "series.manifest.json.sig").unlink(),
            4,
            f"{FIRST}/series.manifest.json: it is not ",
        ),
        (_parted, 2, "Of campaign night 1 of 2 plans is here, without its record."),
        (
            _forged,
            4,
            "campaign.json: not a record of a campaign: its plans are not those that the campaign had",
        ),
    ):
        shutil.copytree(tmp_path / "whole", tmp_path / "out")
        spoil(tmp_path / "out")
        found = verified()
        assert (found[0], found[1][0].startswith(said)) == (code, True), found
        shutil.rmtree(tmp_path / "out")


def _parted(out):
    """Take a whole plan away, and with it all that lists it."""
    shutil.rmtree(out / FIRST)
    for path in out.glob("campaign.json*"):
        path.unlink()


def _forged(out):
    """Take a plan away, and write a record of what is left."""
    record = read_campaign_record(out / "campaign.json")
    _parted(out)
    replace(record, plans={SECOND: record.plans[SECOND]}, tokens={}).write(out)


def test_a_record_whose_signature_is_gone_is_missed_beside_signed_logs(night, ventproof, tmp_path):
    """Also by somebody who has no key: whoever signs logs signs what closes them."""
    night("--sign", "anna.key")
    (tmp_path / "out" / "campaign.json.sig").unlink()
    code, out, _ = ventproof("verify", "out")
    assert (code, out.startswith("campaign.json is not signed: it does not prove ")) == (2, True)


def test_a_plan_of_a_campaign_is_handed_over_as_a_part_of_it(night, ventproof):
    """Its folder and a bundle of it are sets of their own, and say what else there was; all of it is whole."""
    night()
    ventproof("bundle", f"out/{FIRST}", "-o", "one.zip")
    ventproof("bundle", "out", "-o", "all.zip")
    part = "Of campaign night 1 of 2 plans is here, without its record."
    for named in (f"out/{FIRST}", "one.zip"):
        code, out, _ = ventproof("verify", named)
        assert (code, part in out) == (0, True), out
    for named in ("out", "all.zip"):
        code, out, _ = ventproof("verify", named)
        assert (code, f"{WHOLE}." in out, "without its record" in out) == (0, True, False), out


def _changed(path):
    first, rest = path.read_bytes().split(b"\n", 1)
    path.write_bytes(first + b"\n" + rest.replace(b":", b":  ", 1))


def test_a_log_of_another_campaign_is_named(night, verified, tmp_path):
    """Though it is signed by the same person, and lies where one of this campaign might."""
    night("--sign", "anna.key")
    shutil.move(tmp_path / "out", tmp_path / "other")
    (tmp_path / "night.yaml").write_text(NIGHT.replace("U-2", "U-3"), encoding="utf-8")
    night("--sign", "anna.key")
    log = next((tmp_path / "other" / SECOND).glob("*.jsonl"))
    for path in (log, signature_path(log)):
        shutil.copy(path, tmp_path / "out" / FIRST / path.name.replace("00001", "00003"))
    code, (said, *_) = verified()
    assert code == 4
    assert said.endswith(".jsonl is of no plan of campaign night: it was added, or is another's log.")
    assert FIRST in said


def test_a_campaign_that_is_broken_off_is_signed_and_reported_as_incomplete(night, verified, tmp_path):
    """Never as passed; what is missing comes first. Going on makes all of it whole, and signs that."""
    (tmp_path / "night.yaml").write_text(NIGHT.replace("counts_twice", "none"), encoding="utf-8")
    code, out, told = night("--sign", "anna.key", "--report", "all.html", most=1)
    assert (code, told.endswith("to go on: ventproof campaign night.yaml --resume --out out\n")) == (
        130,
        True,
    )
    assert "all.html: incomplete: Unit U-1, firmware not stated. 3 of 4 planned runs are not here." in out
    code, (not_run, untouched, *_) = verified()
    assert code == 2
    assert not_run == (
        "1 of 2 planned runs of 001-unit-u-1 is not run: closures are counted, repeat 2 of 2. Broken off: interrupted."
    )
    assert untouched == "2 of 4 planned runs are not here, since no log is in 002-unit-u-2."
    code, out, _ = night("--resume", "--sign", "anna.key", "--report", "all.html")
    assert (code, "4 runs: 4 pass\n" in out) == (0, True)
    assert "all.html: pass: 2 units, firmware not stated. 4 runs: 4 passed." in out
    assert verified() == (0, [f"{WHOLE}, signed by Anna Falk."])


def test_going_on_signs_and_closes_what_a_killed_campaign_left(night, verified, tmp_path):
    """Also where every run stands: logs without signatures, and manifests that do not list the last logs."""
    night(most=3)
    stale = [path.read_bytes() for path in sorted(tmp_path.glob("out/*/*.manifest.json"))]
    night("--resume")
    for path in (tmp_path / "out").glob("*/series-2.manifest.json"):
        path.unlink()
    assert night("--resume", "--sign", "anna.key")[0] == 1
    assert verified() == (0, [f"{WHOLE}, signed by Anna Falk."])
    manifests = sorted(tmp_path.glob("out/*/*.manifest.json"))
    assert [path.parent.name for path in manifests] == [FIRST, SECOND, SECOND]
    assert [path.read_bytes() for path in (manifests[0], manifests[2])] == stale
    assert [one.outcome for one in read_manifest(manifests[1]).left] == ["fail", "fail"]


def test_a_signed_campaign_goes_on_signed_or_not_at_all(night, verified):
    """Otherwise its record would lose its signature without a word; where all was run, nothing is written."""
    night("--sign", "anna.key", most=2)
    code, _, told = night("--resume")
    assert (code, ".jsonl: it is signed, and what is to come would not be; give --sign" in told) == (3, True)
    assert night("--resume", "--sign", "anna.key")[0] == 1
    assert night("--resume")[0] == 1
    assert verified() == (0, [f"{WHOLE}, signed by Anna Falk."])


def test_a_name_that_no_signature_can_state_is_refused_before_anything_begins(night, tmp_path):
    """As `run` does; no folder is made."""
    code, _, told = night("--sign", "anna.key", "--operator", "Anna\nFalk")
    assert (code, told.startswith("--operator: 'Anna\\nFalk' holds ")) == (3, True)
    assert not (tmp_path / "out").exists()


def test_a_signature_that_is_wrong_is_not_taken_up(night, tmp_path):
    """Going on stops there: what somebody changed is no run of this campaign."""
    night("--sign", "anna.key", most=2)
    one, other = sorted((tmp_path / "out" / FIRST).glob("*.jsonl.sig"))
    shutil.copy(one, other)
    code, _, told = night("--resume", "--sign", "anna.key")
    assert code == 3
    assert "it was changed after signing, and its chain was rewritten" in told


def test_a_record_that_cannot_be_signed_is_told_and_is_no_pass(night, tmp_path, monkeypatch):
    """The logs stand; the exit code says that not all was done."""

    def full(path, *_):
        raise RecordError(f"the signature {path}.sig cannot be written: no space left")

    (tmp_path / "night.yaml").write_text(NIGHT.replace("counts_twice", "none"), encoding="utf-8")
    monkeypatch.setattr(kept, "sign_closing", full)
    code, out, _ = night("--sign", "anna.key")
    assert (code, "4 runs: 4 pass" in out) == (4, True)
    assert "NOT WRITTEN: the signature out/001-unit-u-1/series.manifest.json.sig cannot" in out
    assert "are signed" not in out
