"""Whatever is taken away from a set of runs, put into it or changed in it, nobody is told that it is whole."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof.log.decode import LineError
from ventproof.log.plan import Plan, PlannedClaim, PlannedProfile, PlannedRun
from ventproof.runset.completeness import PresentLog, PresentManifest, check_set
from ventproof.runset.manifest import NOT_NEEDED, NOT_RUN, LeftLog, Manifest, manifest_of

OUTCOMES = st.sampled_from(["pass", "fail", "inconclusive", "aborted"])


@st.composite
def series(draw, claims=(None,)):
    """Draw a plan, the log of each of its runs, and the manifest that closes them."""
    names = draw(st.lists(st.sampled_from(["rain", "wind", "frost"]), min_size=1, max_size=3))
    repeats = draw(st.integers(1 if len(names) > 1 else 2, 4))
    profiles = tuple(PlannedProfile(name, "ab" * 32) for name in names)
    started = draw(st.sampled_from([None, "2026-03-01T10:00:00.000+00:00"]))
    plan = Plan(
        profiles=profiles,
        repeats=repeats,
        seed=draw(st.integers(0, 3)),
        started=started,
        claim=draw(st.sampled_from(claims)),
    )
    logs = [log_of(place, draw(OUTCOMES)) for place in plan.places]
    left = tuple(LeftLog(log.name, log.sha256, log.outcome) for log in logs)
    return logs, Manifest(plan, left)


def log_of(place, outcome="pass", name=None):
    sha256 = f"{place.run:064x}"
    return PresentLog(name or f"run-{place.run}.jsonl", sha256[::-1], sha256, place, outcome)


def told(logs, *manifests, **how):
    present = [PresentManifest(f"m{number}.manifest.json", one) for number, one in enumerate(manifests)]
    return check_set(logs, present, **how)


@given(series(), st.randoms(), st.booleans())
def test_a_whole_set_stands_and_every_run_less_is_counted(made, random, closed):
    """Whatever is missing is counted and named, with a manifest or from the first lines alone."""
    logs, manifest = made
    manifests = [manifest] if closed else []
    whole = told(logs, *manifests)
    assert (whole.standing, whole.short, len(whole.whole)) == ("", "", 1)
    here = random.sample(logs, random.randrange(1, len(logs)))
    check = told(here, *manifests)
    gone = len(logs) - len(here)
    assert check.standing == "incomplete"
    assert check.short == f"{gone} of {len(logs)} planned runs {'is' if gone == 1 else 'are'} not here"
    assert len(check.absent) == gone
    assert not check.wrong
    assert told(here, *manifests, named=True).standing == "incomplete"


@given(series(), st.data())
def test_a_log_that_the_manifest_does_not_list_is_never_taken_for_the_one_it_lists(made, data):
    """Changed logs, another's log in a run's place, and a manifest whose outcomes were changed are all told."""
    logs, manifest = made
    at = data.draw(st.integers(0, len(logs) - 1))
    log = logs[at]
    changed = replace(log, sha256=data.draw(st.sampled_from(["", "f" * 64])), digest="f" * 64)
    assert told([*logs[:at], changed, *logs[at + 1 :]], manifest).standing == "broken"
    assert told([*logs, replace(changed, name="more.jsonl")], manifest).standing == "broken"
    assert told([*logs, replace(changed, name="more.jsonl")]).standing == "incomplete"
    left = list(manifest.left)
    left[at] = replace(left[at], outcome="fail" if left[at].outcome != "fail" else "pass")
    assert told(logs, replace(manifest, left=tuple(left))).standing == "broken"


@given(series(), series())
def test_another_plan_beside_changes_nothing_but_what_is_remarked(one, other):
    """Two whole sets together are whole, and each is counted for itself."""
    (logs, manifest), (more, beside) = one, other
    if manifest.plan.sha256 == beside.plan.sha256:
        return
    check = told([*logs, *(replace(log, digest="e" + log.digest[1:]) for log in more)], manifest, beside)
    assert (check.standing, len(check.whole)) == ("", 2)
    assert "Logs of different plans lie here together" in " ".join(check.remarks)
    gone = told(logs, manifest, beside)
    assert (gone.standing, len(gone.absent)) == ("incomplete", len(more))
    assert told(logs, manifest, beside, every_plan=False).standing == ""


def test_repeats_that_are_spared_need_the_manifest_to_say_so():
    """The end of a claim is nothing that first lines tell."""
    plan = Plan(profiles=(PlannedProfile("rain", "ab" * 32),), repeats=5, claim=PlannedClaim(0.9, 0.95))
    logs = [log_of(PlannedRun(plan, run)) for run in (1, 2)]
    left = [*(LeftLog(log.name, log.sha256, log.outcome) for log in logs), *[LeftLog(outcome=NOT_NEEDED)] * 3]
    assert told(logs, Manifest(plan, tuple(left))).standing == ""
    assert told(logs[:1], Manifest(plan, tuple(left))).standing == "incomplete"
    assert told(logs).standing == "incomplete"


@given(series([None, PlannedClaim(0.9, 0.95)]), st.text(), st.data())
def test_a_manifest_has_one_spelling(made, reason, data):
    """It is read as it was written, and with any one character another it is none, or another one."""
    _, manifest = made
    manifest = replace(manifest, broken_off=reason.encode("utf-8", "replace").decode())
    content = manifest.content
    assert manifest_of(content) == manifest
    at = data.draw(st.integers(0, len(content) - 1))
    other = content[:at] + bytes([data.draw(st.integers(0, 255))]) + content[at + 1 :]
    try:
        assert (manifest_of(other) == manifest) == (other == content)
    except LineError:
        assert other != content


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        ("version", 2, "its version is 2, and this ventproof reads version 1"),
        ("format", "x", "it does not say that it is a ventproof manifest"),
        ("runs", [], "it tells of 0 runs, and its plan has 2"),
        (
            "runs 0 log",
            "../a.jsonl",
            "its `log`: expected the name of a log in the manifest's folder, found '../a.jsonl'",
        ),
        ("runs 0 log", None, "its `log`: expected the name of a log where a run left one"),
        ("runs 0 sha256", "x", "its `sha256`: expected 64 digits from 0 to 9 and a to f, found 'x'"),
        ("runs 0 outcome", NOT_RUN, "its `log`: "),
        ("plan runs", 3, "its `runs`: expected 2, which follows from the rest of the plan, found 3"),
        ("plan repeats", 10**9, "a plan of 1 to 1000000 runs"),
        ("plan unit", "other", "its `sha256`: "),
    ],
)
def test_what_no_manifest_says_is_told_with_what_would_be_right(path, value, said):
    """Each wrong field is named."""
    plan = Plan(profiles=(PlannedProfile("rain", "ab" * 32),), repeats=2)
    left = LeftLog("a.jsonl", "cd" * 32, "pass")
    parsed = part = json.loads(Manifest(plan, (left, left)).content)
    *above, last = path.split()
    for key in above:
        part = part[int(key) if key.isdigit() else key]
    part[last] = value
    with pytest.raises(LineError) as refused:
        manifest_of(json.dumps(parsed).encode())
    assert said in str(refused.value)


def test_of_many_plans_only_those_that_lack_a_run_are_named():
    """The plans of a campaign are counted in one short line; what is not whole among them stands out."""
    profiles = (PlannedProfile("rain", "ab" * 32), PlannedProfile("wind", "ab" * 32))
    plans = [Plan(profiles=profiles, repeats=1, seed=seed, started=None, claim=None) for seed in range(7)]
    logs = []
    for number, plan in enumerate(plans):
        for place in plan.places:
            digest = f"{number:032x}{place.run:032x}"
            logs.append(PresentLog(f"{number}/{place.run}.jsonl", digest, digest, place, "pass"))
    mixed = "Logs of different plans lie here together, each counted for itself: "
    assert told(logs).remarks[0] == f"{mixed}14 logs of 7 plans."
    short = f"; 1 of the 2 runs of plan {plans[3].code} (3/1.jsonl)."
    assert (
        told([log for log in logs if log.name != "3/2.jsonl"]).remarks[0]
        == f"{mixed}12 logs of 6 plans{short}"
    )
