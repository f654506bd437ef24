"""The record of a campaign promises its plans: whatever is missing of them, or was put among them, is said."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof.log.plan import Plan, PlannedProfile, PlannedRun, campaign_of
from ventproof.runset.campaign_record import CAMPAIGN, CampaignRecord, read_campaign_record
from ventproof.runset.completeness import PresentLog
from ventproof.runset.manifest import ENDING, LeftLog, Manifest, write_manifest
from ventproof.runset.present import Choice, checked_set
from ventproof_bench.base.errors import FileError

ALONE = {
    name: Plan(profiles=(PlannedProfile("rain", "ab" * 32),), repeats=repeats, unit=name)
    for name, repeats in (("001-a", 2), ("002-b", 1), ("003-c", 3))
}
PART = campaign_of("night", list(ALONE.values()))
PLANS = {name: replace(plan, part=PART) for name, plan in ALONE.items()}
RECORD = CampaignRecord("night", PLANS, {(0, 1): "5" * 32, (0, 2): "6" * 32}, ((0, 2),))


def log_of(folder, name, run, plan=None, outcome="pass"):
    place = PlannedRun(plan or PLANS[name], run)
    digits = f"{place.plan.code}{run}".ljust(64, "0")
    return PresentLog(str(folder / name / f"{run:05d}-rain.jsonl"), digits[::-1], digits, place, outcome)


def every_log(folder):
    return [log_of(folder, name, run) for name, plan in PLANS.items() for run in range(1, plan.runs + 1)]


@pytest.fixture(scope="module")
def campaign(tmp_path_factory):
    """A folder with the record of a campaign, and a manifest of each plan of several runs."""
    folder = tmp_path_factory.mktemp("campaign")
    RECORD.write(folder)
    for name, plan in PLANS.items():
        left = [log_of(folder, name, place.run) for place in plan.places]
        listed = tuple(LeftLog(log.name.rpartition("/")[2], log.sha256, log.outcome) for log in left)
        if plan.runs > 1:
            write_manifest(folder / name / f"series{ENDING}", Manifest(plan, listed))
    return folder


def told(logs, choice=Choice.RECORDED):
    return checked_set(logs, choice)


def test_a_whole_campaign_is_said_to_be_whole_and_nothing_else(campaign):
    """That its plans are several is no remark; one folder of it is a set of its own."""
    found = told(every_log(campaign))
    assert found.says == ()
    assert found.whole == ("All 6 runs in 3 plans of campaign night are here, as campaign.json lists them.",)
    alone = [log for log in every_log(campaign) if "003-c" in log.name]
    found = told(alone, Choice.FOLDER)
    said = ("Of campaign night 1 of 3 plans is here, without its record.",)
    assert (found.standing, found.remarks) == ("", said)


@given(st.sets(st.integers(0, 5), min_size=1, max_size=5))
def test_every_run_that_is_not_here_is_counted(campaign, gone):
    """Of plans of which nothing is left, too, and of all that were planned."""
    found = told([log for number, log in enumerate(every_log(campaign)) if number not in gone])
    are = "is" if len(gone) == 1 else "are"
    assert found.short == f"{len(gone)} of 6 planned runs {are} not here"
    assert (found.standing, found.whole) == ("incomplete", ())


def test_what_is_missing_is_said_with_the_folder_that_lacks_it(campaign, tmp_path):
    """With a manifest how it ended; without any, once for all plans."""
    logs = [log for log in every_log(campaign) if "00003" not in log.name and "002-b" not in log.name]
    assert told(logs).missing == (
        "1 of 3 planned runs of 003-c is not here: rain, repeat 3 of 3.",
        f"003-c/series{ENDING} says how they ended: rain, repeat 3 of 3: pass.",
        "1 of 6 planned runs is not here, since no log is in 002-b.",
    )
    RECORD.write(tmp_path)
    killed = told([log_of(tmp_path, "001-a", 1), log_of(tmp_path, "003-c", 2)])
    assert killed.missing == (
        "1 of 2 planned runs of 001-a is not here: rain, repeat 2 of 2.",
        "2 of 3 planned runs of 003-c are not here: rain, repeat 1 of 3; rain, repeat 3 of 3.",
        "1 of 6 planned runs is not here, since no log is in 002-b.",
    )
    assert [remark.partition(":")[0] for remark in killed.remarks] == [
        "No manifest closes 2 plans, 001-a; 003-c"
    ]


@given(st.sets(st.sampled_from(sorted(PLANS)), min_size=1))
def test_plans_that_are_taken_away_with_the_record_are_counted(tmp_path_factory, here):
    """Each log says how many plans its campaign has, so that the rest is no whole by itself."""
    folder = tmp_path_factory.getbasetemp() / "without a record"
    found = told([log for log in every_log(folder) if any(name in log.name for name in here)])
    are = "is" if len(here) == 1 else "are"
    gone = (f"Of campaign night {len(here)} of 3 plans {are} here, without its record.",)
    assert found.missing == (gone if len(here) < len(PLANS) else ())


def test_plans_of_two_campaigns_of_one_name_are_not_one_campaign(tmp_path):
    """They know each other by all plans of the campaign, and not by its name."""
    begun = [replace(plan, started="2026-11-29T22:00:00+00:00") for plan in ALONE.values()]
    other = campaign_of("night", begun)
    logs = [
        log_of(tmp_path, "001-a", 1, replace(ALONE["002-b"], part=PART)),
        log_of(tmp_path, "002-b", 1, replace(begun[0], part=other, repeats=1)),
        log_of(tmp_path, "003-c", 1, replace(begun[1], part=other)),
    ]
    assert told(logs).missing == (
        "Of campaign night 1 of 3 plans is here, without its record.",
        "Of campaign night 2 of 3 plans are here, without its record.",
    )


def test_a_log_of_another_campaign_is_named(campaign):
    """In any folder of it; one that lies beside the campaign is none of its business."""
    other = replace(PLANS["002-b"], unit="other", part=None)
    for where in ("001-a", "004-d"):
        strange = replace(log_of(campaign, where, 1, other), name=str(campaign / where / "strange.jsonl"))
        found = told([*every_log(campaign), strange])
        said = "strange.jsonl is of no plan of campaign night: it was added, or is another's log."
        assert (found.standing, found.wrong, found.whole) == ("broken", (said,), ())
    beside = told([*every_log(campaign), log_of(campaign.parent, "beside", 1, other)])
    assert (beside.standing, len(beside.whole)) == ("", 1)
    assert "Logs of different plans lie here together" in " ".join(beside.remarks)


def test_two_different_logs_of_one_run_are_told(campaign):
    """Of a plan of a single run, too, which no manifest closes."""
    more = replace(log_of(campaign, "002-b", 1), name=str(campaign / "002-b" / "more.jsonl"), sha256="f" * 64)
    assert told([*every_log(campaign), more]).missing == (
        "002-b/00001-rain.jsonl and more.jsonl are different logs of run 1 of 1 (rain): which one belongs is unknown.",
    )


def test_what_is_written_is_read_back(campaign, tmp_path):
    """Every plan and token; in a place of its own, a signature of what stood there before is gone."""
    assert read_campaign_record(campaign / CAMPAIGN) == RECORD
    (tmp_path / f"{CAMPAIGN}.sig").touch()
    RECORD.write(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == [CAMPAIGN]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda text: text[:-3], "it is not JSON"),
        (lambda text: text.replace("ventproof campaign", "shopping list"), "does not say that it is"),
        (lambda text: text.replace('"folder": "', '"folder": "../'), "none that ventproof makes"),
        (lambda text: text.replace('"folder": "001-a"', '"folder": ".."'), "none that ventproof makes"),
        (
            lambda _: replace(RECORD, plans=dict(list(PLANS.items())[:2])).content.decode(),
            "its plans are not those that the campaign had",
        ),
        (lambda text: text.replace('"unit": "001-a"', '"unit": "9"'), "sha256"),
        (lambda text: json.dumps(json.loads(text)), "somebody changed it"),
    ],
)
def test_a_record_that_was_changed_is_refused(tmp_path, change, said):
    """One spelling is ours; of logs beside any other nothing is believed."""
    (tmp_path / CAMPAIGN).write_text(change(RECORD.content.decode()), encoding="utf-8")
    with pytest.raises(FileError, match=said):
        read_campaign_record(tmp_path / CAMPAIGN)
    (wrong,) = told([log_of(tmp_path, "002-b", 1)]).wrong
    assert wrong.startswith(f"{CAMPAIGN}: ")
