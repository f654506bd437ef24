"""A set of runs is a thing: what is missing, changed, twice here or of another plan is said before what passed."""

from __future__ import annotations

import json
import shutil
import zipfile
from xml.etree import ElementTree

import pytest
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.log.signing import make_key
from ventproof.log.write import GENESIS, seal
from ventproof.profile.load import load_profile
from ventproof.run.view import SilentView
from ventproof.runset.manifest import read_manifest
from ventproof.session.planned import PlannedRuns
from ventproof.session.repeats import RepeatPlan
from ventproof.session.session import Session
from ventproof_bench.benchcheck.load import load_bench

COUNT = "every-closure-of-the-rain-contact-is-counted"
SECOND = "every closure of the rain contact is counted, repeat 2 of 3"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Three signed repeats closed by a signed manifest, a run of another plan, and the keys; never changed."""
    top = tmp_path_factory.mktemp("plan")
    key = make_key(top / "anna.key", top / "anna.pub")
    make_key(top / "eve.key", top / "eve.pub")
    stated = {"bench": load_bench(SHIPPED_BENCH), "unit": "GH-7", "firmware": "2.4", "operator": "Anna Falk"}
    suite = [load_profile(shipped_path("rain-count"))]
    runs = PlannedRuns(Session(**stated, out=top / "records", signing=key), suite, RepeatPlan(3))
    runs.repeat(0, SilentView())
    runs.close()
    Session(**stated, out=top / "other", seed=7).run(suite[0], SilentView())
    return top


@pytest.fixture
def folder(made, tmp_path):
    """The records and keys, to be changed."""
    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    return tmp_path / "records"


def signed_away(folder):
    for path in folder.glob("*.sig"):
        path.unlink()


def delete(folder):
    (folder / f"{COUNT}-2.jsonl").unlink()


def delete_with_manifest(folder):
    delete(folder)
    for path in folder.glob("series.manifest.json*"):
        path.unlink()


def replace_with_another(folder):
    delete(folder)
    signed_away(folder)
    shutil.copy(next((folder.parent / "other").glob("*.jsonl")), folder / f"{COUNT}-2.jsonl")


def duplicate(folder):
    shutil.copy(folder / f"{COUNT}-2.jsonl", folder / "copy.jsonl")


def rename(folder):
    for ending in ("", ".sig"):
        (folder / f"{COUNT}-2.jsonl{ending}").rename(folder / f"b.jsonl{ending}")


def put_another_in(folder):
    shutil.copy(next((folder.parent / "other").glob("*.jsonl")), folder / "stray.jsonl")


def edit_manifest(folder, old='"outcome": "pass"', new='"outcome": "fail"'):
    path = folder / "series.manifest.json"
    path.write_text(path.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")


def edit_unsigned_manifest(folder):
    signed_away(folder)
    edit_manifest(folder)


def spell_manifest_otherwise(folder):
    signed_away(folder)
    edit_manifest(folder, '"version": 1', '"version":  1')


def take_manifests_signature(folder):
    (folder / "series.manifest.json.sig").unlink()


def rewrite_place(log, **place):
    events = [json.loads(line) for line in log.read_bytes().splitlines()]
    events[0]["plan"] |= place
    digest, lines = GENESIS, []
    for event in events:
        body = {key: value for key, value in event.items() if key != "chain"}
        line, digest = seal(json.dumps(body, separators=(",", ":")).encode(), digest)
        lines.append(line + b"\n")
    log.write_bytes(b"".join(lines))


MIXED = "Logs of different plans lie here together, each counted for itself: "
ENDED = "series.manifest.json says how they ended: "
MISSING = f"1 of 3 planned runs is not here: {SECOND}."
CHANGES = [
    (delete, 2, "incomplete", [MISSING, f"{ENDED}{SECOND}: pass."]),
    (delete_with_manifest, 2, "incomplete", [MISSING, "No manifest closes the 3 runs of plan "]),
    (
        replace_with_another,
        2,
        "incomplete",
        [MISSING, ENDED, MIXED],
    ),
    (
        duplicate,
        0,
        "pass",
        [f"1 log is here twice, byte for byte, and counted once: {COUNT}-2.jsonl is copy"],
    ),
    (rename, 0, "pass", [f"b.jsonl was called {COUNT}-2.jsonl when series.manifest.json was written."]),
    (
        put_another_in,
        0,
        "pass",
        [f"{MIXED}3 of the 3 runs"],
    ),
    (edit_manifest, 4, "broken", ["series.manifest.json: it was changed since it was signed."]),
    (edit_unsigned_manifest, 4, "broken", ["series.manifest.json says that run 1 of 3 (every closure"]),
    (
        spell_manifest_otherwise,
        4,
        "broken",
        ["series.manifest.json: not a manifest: it is not as ventproof"],
    ),
    (
        take_manifests_signature,
        4,
        "broken",
        ["series.manifest.json: it is not signed: its signature is missing."],
    ),
]


@pytest.mark.parametrize("case", CHANGES, ids=[change.__name__ for change, *_ in CHANGES])
def test_what_was_done_to_a_set_of_runs_is_said_before_what_passed(ventproof, folder, case):
    """`verify` says it in its first lines, every report before its counts, and no such set has exit code 0."""
    change, code, standing, said = case
    change(folder)
    got, out, err = ventproof("verify", "records")
    assert (got, err) == (code, "")
    for line, sentence in zip(out.splitlines(), said, strict=False):
        assert line.startswith(sentence)
    outs = [word for ending in ("json", "md", "xml", "html") for word in ("-o", f"r.{ending}")]
    got, out, _ = ventproof("report", "records", *outs)
    assert (got, out.startswith(f"r.json: {standing}: ")) == (code, True)
    whole = json.loads((folder.parent / "r.json").read_text(encoding="utf-8"))
    assert (whole["status"], whole["complete"], whole["verdict"] == "pass") == (
        standing,
        code == 0,
        code == 0,
    )
    for sentence, start in zip(whole["set_notes"], said, strict=False):
        assert sentence.startswith(start)
    markdown = (folder.parent / "r.md").read_text(encoding="utf-8")
    assert markdown.index("**" if code else said[0][:20]) < markdown.index(" run")
    errors = ElementTree.parse(folder.parent / "r.xml").getroot()[0].findall("testcase/error")
    assert [error.get("type") for error in errors] == [standing] * (code > 0)
    page = (folder.parent / "r.html").read_text(encoding="utf-8")
    assert page.index(f"<title>{standing}: ") < page.index(said[0][:60]) < page.index('id="runs"')


def test_a_whole_set_is_said_to_be_whole(ventproof, folder):
    """Every run is here, the manifest closes them, and who signed it is told; with another's key it is not right."""
    code, out, _ = ventproof("verify", "records", "--key", "anna.pub")
    assert code == 0
    assert out.startswith("All 3 runs of plan ")
    assert out.splitlines()[0].endswith(" are here, closed by series.manifest.json, signed by Anna Falk.")
    code, out, _ = ventproof("verify", "records", "--key", "eve.pub")
    assert (code, out.startswith("series.manifest.json: it is signed by another key; ")) == (4, True)
    take_manifests_signature(folder)
    code, out, _ = ventproof("sign", "records", "--key", "anna.key")
    assert (code, out) == (0, "records/series.manifest.json: signed\n")
    assert ventproof("verify", "records", "--key", "anna.pub")[0] == 0


@pytest.mark.usefixtures("folder")
def test_logs_chosen_one_by_one_are_no_accusation_and_no_pass(ventproof):
    """Two logs of three are said to be two of three, plainly; their report is not a pass."""
    logs = [f"records/{COUNT}.jsonl", f"records/{COUNT}-3.jsonl"]
    said = f"were named; the others were not looked at: {SECOND}."
    code, out, _ = ventproof("verify", *logs)
    assert (code, out.startswith("2 of the 3 runs of plan ")) == (2, True)
    assert said in out.splitlines()[0]
    code, out, _ = ventproof("report", *logs, "-o", "r.html")
    assert (code, out.startswith("r.html: incomplete: ")) == (2, True)
    assert ventproof("verify", *logs, f"records/{COUNT}-2.jsonl")[0] == 0


def test_a_log_that_belies_its_plan_is_not_believed(ventproof, folder):
    """Somebody who makes the third repeat pass for the second gets no verdict for it."""
    signed_away(folder)
    rewrite_place(folder / f"{COUNT}-3.jsonl", run=2)
    code, _, _ = ventproof("report", "records", "-o", "r.md")
    assert code == 4
    assert "it says that the repeat is 3, and its plan says 2" in (folder.parent / "r.md").read_text(
        encoding="utf-8"
    )


def test_a_series_that_was_broken_off_says_what_was_not_run(ventproof, tmp_path):
    """The manifest is written all the same, and every reader tells why runs are missing."""
    deaf = SHIPPED_BENCH.read_text(encoding="utf-8").replace("timeout: 500 ms", "timeout: 1 ms")
    (tmp_path / "deaf.yaml").write_text(deaf, encoding="utf-8")
    profiles = [shipped_path(name) for name in [*["rain-closes-holds-releases"] * 3, *["rain-count"] * 2]]
    code, out, _ = ventproof("run", *profiles, "--bench", "deaf.yaml")
    assert (code, "\n2 of 5 planned runs not run\n" in out) == (4, True)
    manifest = read_manifest(tmp_path / "records" / "series.manifest.json")
    assert [one.outcome for one in manifest.left] == [*["aborted"] * 3, *["not run"] * 2]
    assert manifest.broken_off
    code, out, _ = ventproof("report", "records", "-o", "r.md")
    assert (code, out.startswith("r.md: aborted: 2 of 5 planned runs are not here; 3 runs: 3 aborted")) == (
        2,
        True,
    )
    assert "! 2 of 5 planned runs are not run: " in out
    assert "Broken off: " in out


def test_repeats_that_a_claim_did_not_need_are_not_missing(ventproof, tmp_path):
    """A claim that was refuted at the first repeat leaves a whole set; without the manifest nobody can say so."""
    faulty = SHIPPED_BENCH.read_text(encoding="utf-8").replace(
        "\nmock:\n", "\nmock:\n  faults: {counts_twice: 1}\n"
    )
    (tmp_path / "bench.yaml").write_text(faulty, encoding="utf-8")
    code, _, _ = ventproof("run", shipped_path("rain-count"), "--bench", "bench.yaml", "--success-ratio", 90)
    assert code == 1
    code, out, _ = ventproof("verify", "records")
    assert code == 0
    assert out.splitlines()[0].endswith("runs were not needed: the claim was decided before.")
    (tmp_path / "records" / "series.manifest.json").unlink()
    code, out, _ = ventproof("verify", "records")
    said = "Up to 29 runs were planned, and nothing says whether these were made too: "
    assert (code, out.startswith(said)) == (2, True)


def test_a_single_run_is_its_own_whole(ventproof, tmp_path):
    """It pins a plan of one, and has no manifest, and nothing to say."""
    assert ventproof("run", shipped_path("rain-count"), "--bench", SHIPPED_BENCH)[0] == 0
    (log,) = (tmp_path / "records").glob("*.json*")
    plan = json.loads(log.read_bytes().splitlines()[0])["plan"]
    assert (plan["run"], plan["runs"], len(plan["profiles"])) == (1, 1, 1)
    code, out, _ = ventproof("verify", "records")
    assert (code, out.count("\n")) == (0, 1)


def test_a_bundle_is_one_file_that_verify_reads(ventproof, folder):
    """It holds logs, signatures, manifest, report and the key's fingerprint, and is the same to the byte each time."""
    code, out, _ = ventproof("bundle", "records", "-o", "hand.zip")
    assert code == 0
    assert out.startswith("hand.zip: 3 logs, pass: Unit GH-7, firmware 2.4. 3 runs: 3 passed.\n")
    fingerprint = out.split("signed by Anna Falk, key ")[1].strip()
    with zipfile.ZipFile(folder.parent / "hand.zip") as archive:
        names = set(archive.namelist())
        keys = json.loads(archive.read("contents.json"))["keys"]
    assert keys == [{"fingerprint": fingerprint, "signer": "Anna Falk"}]
    assert names == {"contents.json", "report.html"} | {f"logs/{path.name}" for path in folder.iterdir()}
    code, out, _ = ventproof("verify", "hand.zip", "--key", "anna.pub")
    assert (code, out.startswith("All 3 runs of plan ")) == (0, True)
    assert f"\nhand.zip/logs/{COUNT}.jsonl: intact, " in out
    assert ventproof("report", "hand.zip", "-o", "again.html")[0] == 0
    ventproof("bundle", "records", "-o", "again.zip")
    assert (folder.parent / "again.zip").read_bytes() == (folder.parent / "hand.zip").read_bytes()
    code, _, err = ventproof("sign", "hand.zip", "--key", "anna.key")
    assert (code, err) == (3, "hand.zip: this is a bundle; unpack it, and name its folder\n")
    code, _, err = ventproof("bundle", "records", "-o", "hand.zip")
    assert (code, err) == (3, "hand.zip: exists already; choose another name\n")


def test_a_bundle_of_many_runs_holds_a_page_of_each(ventproof, folder, monkeypatch):
    """The report in it is whole: its first page, and the pages that this one links to."""
    monkeypatch.setattr("ventproof.report.write.FEW", 2)
    assert ventproof("bundle", "records", "-o", "hand.zip")[0] == 0
    with zipfile.ZipFile(folder.parent / "hand.zip") as archive:
        first = archive.read("report.html").decode()
        pages = {name for name in archive.namelist() if name.startswith("report-runs/")}
    assert pages == {f"report-runs/{log.stem}.html" for log in folder.glob("*.jsonl")}
    assert all(f'href="{page}#' in first for page in pages)
    assert ventproof("verify", "hand.zip")[0] == 0


def test_a_bundle_of_an_incomplete_set_says_so(ventproof, folder):
    """It is written, since what is there may have to be shown, and neither it nor `verify` has exit code 0."""
    delete(folder)
    code, out, _ = ventproof("bundle", "records", "-o", "hand.zip")
    assert (code, out.startswith("hand.zip: 2 logs, incomplete: ")) == (2, True)
    code, out, _ = ventproof("verify", "hand.zip")
    assert (code, out.splitlines()[0]) == (2, MISSING)
