"""What a page is told of the logs that a command leaves behind."""

from __future__ import annotations

import json
from random import Random

import pytest
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.log.events import ContactCommand, NothingDriven, OutputDriven, OutputsUnsafe
from ventproof.log.read import header_of, read_log
from ventproof.page.batches import Whole
from ventproof.page.follow import CommandFollower
from ventproof.page.run_shown import ShownRun
from ventproof.profile.load import load_profile
from ventproof.run.view import SilentView
from ventproof.session.selfcheck import selfcheck
from ventproof.session.session import Session
from ventproof_bench.base.evidence import DrivenOutput, Window
from ventproof_bench.benchcheck.load import load_bench

RAIN = shipped_path("rain-closes-holds-releases")


def follow(folder, log, *, grows=None):
    """Return all news of a log with their places, written at once or as it grows, to a random byte each time."""
    feed, copy = folder / "feed.jsonl", folder / "copy.jsonl"
    feed.write_bytes(json.dumps({"log": str(copy)}).encode() + b"\n")
    whole = log.read_bytes()
    copy.touch()
    found, end = [], 0
    with CommandFollower(feed) as follower:
        while end < len(whole):
            end = min(len(whole), end + grows.randrange(1, 40_000)) if grows else len(whole)
            with copy.open("ab") as file:
                file.write(whole[copy.stat().st_size : end])
            while (one := follower.step()) is not None:
                found.append(one)
    return [(ident, news) for ident, news in found if news]


def together(news):
    """Return all of some news as one."""
    whole = Whole()
    for _, one in news:
        whole.take(one)
    return whole.shown


@pytest.fixture(scope="module")
def rain(tmp_path_factory):
    """Run the shipped rain profile once; returns its result."""
    bench = load_bench(SHIPPED_BENCH)
    out = tmp_path_factory.mktemp("rain")
    return Session(bench=bench, out=out, unit="GH-7").run(load_profile(RAIN), SilentView())


def test_the_page_shows_what_the_log_says(rain, tmp_path):
    """Every finding, the verdict, the last readings and the state of the outputs are those of the log."""
    shown = together(follow(tmp_path, rain.log))
    (run,) = shown["verdicts"]
    lines = [json.loads(line) for line in rain.log.read_bytes().splitlines()]
    findings = [line for line in lines if line["event"] == "finding"]
    assert [one["verdict"] for one in run["findings"]] == [one["verdict"] for one in findings]
    assert (run["title"], run["verdict"]) == (rain.profile, rain.outcome.verdict)
    assert shown["safe"].startswith("Outputs: all in their safe state (read back)")
    assert shown["run"]["unit"] == "GH-7"
    last = next(line for line in reversed(lines) if "roof_vent" in line.get("values", {}))
    assert shown["readings"]["roof_vent"][-1] == (
        round(last["t"], 3),
        *[round(last["values"]["roof_vent"], 3)] * 2,
    )
    assert shown["step"]["number"] == len(shown["run"]["steps"])


def test_the_page_says_how_the_outputs_were_left(rain):
    """A bench that was not opened drove nothing; outputs that may not be safe are named with what they may move."""
    header = header_of(read_log(rain.log))
    begun = OutputDriven(1.0, DrivenOutput("rain", "open", Window(1.0, 1.0), closed=False, read_back=True))
    closed = ContactCommand(2.0, 1, 0, "rain", "close rain", (True,), 2.0)
    never, lost = ShownRun(header), ShownRun(header)
    never.feed(NothingDriven(0.5))
    for event in (begun, closed, OutputsUnsafe(3.0, "relay board: no reply")):
        lost.feed(event)
    assert never.news()["safe"] == "Outputs: none was driven, the bench was not opened"
    assert lost.news()["unsafe"].startswith("relay board: no reply; rain left closed: roof_vent")


def test_however_the_log_grows_the_page_shows_the_same(rain, tmp_path):
    """Lines that are seen in part, one by one or many at once come to the same whole, at the same place."""
    first = follow(tmp_path, rain.log)
    wanted = together(first)
    for seed in range(3):
        folder = tmp_path / str(seed)
        folder.mkdir()
        found = follow(folder, rain.log, grows=Random(seed))
        shown = together(found)
        assert shown | {"demands": []} == wanted | {"demands": []}
        assert found[-1][0] == first[-1][0]
        places = [ident for ident, _ in found]
        assert places == sorted(set(places)), "each place stands once, in order"
    lines = rain.log.read_bytes().count(b"\n")
    assert first[-1][0] == (1, lines)


def test_bands_and_deadlines_are_those_of_the_judge(rain, tmp_path):
    """While a vent is due in its band, the page knows the band, the deadline in log time, and how long it holds."""
    seen = [one for _, news in follow(tmp_path, rain.log, grows=Random(1)) for one in news.get("demands", ())]
    roof = [
        one for one in seen if one["signals"] == ["roof_vent"] and "reaches" in one["text"] and "low" in one
    ]
    low, high, holds, start, limits = (roof[-1][key] for key in ("low", "high", "holds", "from", "limits"))
    assert low < high
    assert roof[-1]["to"] == pytest.approx(limits[0][0] + holds)
    assert limits[0][0] > start
    states = {one["state"] for one in roof if "state" in one}
    assert {"travelling", "in the band"} <= states


def test_time_left_counts_runs_that_are_still_to_come(tmp_path):
    """What is left in all holds the repeats and profiles after this one, at their longest."""
    bench = load_bench(SHIPPED_BENCH)
    session, suite = Session(bench=bench, out=tmp_path), [load_profile(shipped_path("rain-count"))] * 2
    plan = session.plan(suite, repeats=3)
    log = session.run(suite[0], SilentView(), list(plan.places)[1]).log
    feed = tmp_path / "feed.jsonl"
    feed.write_text(
        json.dumps({"longest_s": [100.0, 7.0]}) + "\n" + json.dumps({"log": str(log)}) + "\n",
        encoding="utf-8",
    )
    with CommandFollower(feed) as follower:
        news = [follower.step() for _ in range(4)]
    run = next(one[1]["run"] for one in news if one and "run" in one[1])
    assert (run["run"], run["runs"]) == (2, 6)
    assert run["later_s"] == 100.0 + 3 * 7.0


def test_a_selfcheck_is_followed_too(tmp_path):
    """Its signals move, and what it found wrong and its result are told."""
    result = selfcheck(load_bench(SHIPPED_BENCH), tmp_path, kind="unit")
    shown = together(follow(tmp_path, result.log))
    assert shown["verdicts"][0]["verdict"] == result.result
    assert shown["run"]["title"] == "How the unit is hooked up"
    assert len(shown["verdicts"][0]["findings"]) == len(result.sentences) + sum(
        not u.left for u in result.unjudged
    )
    assert {"roof_vent", "side_vent"} <= shown["readings"].keys()


def test_a_log_that_cannot_be_shown_ends_nothing(tmp_path):
    """What another version wrote is not shown, and what follows in the feed is."""
    log, feed = tmp_path / "log.jsonl", tmp_path / "feed.jsonl"
    log.write_text('{"seq":0,"t":0.0,"event":"of_tomorrow","chain":""}\n', encoding="utf-8")
    feed.write_text(f'{{"log":"{log}"}}\n{{"progress":{{"title":"x","rows":[]}}}}\n', encoding="utf-8")
    with CommandFollower(feed) as follower:
        steps = [follower.step() for _ in range(3)]
    assert steps == [((1, 0), {}), ((2, 0), {"progress": {"title": "x", "rows": []}}), None]
