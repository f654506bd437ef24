"""Drafted profiles: right files, readable, decided on the shipped bench, honest about what they prove."""

from __future__ import annotations

from dataclasses import replace
from itertools import islice
from pathlib import Path

import pytest
from as_mock import with_table

from ventproof.challenge.trial import attempt
from ventproof.cli.options import SHIPPED, with_faults
from ventproof.draft.draft import drafts, left_over, scenarios, why_undrafted, write_drafts
from ventproof.draft.emit import signed, untouched
from ventproof.draft.resolution import Margins
from ventproof.draft.story import ScenarioBuilder
from ventproof.draft.traceability import LineClaim, traced, unknown_lines
from ventproof.profile.load import load_profile, read_profile
from ventproof.session.session import Session
from ventproof.table.lines import lines
from ventproof.table.load import load_table, read_table
from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import load_bench, read_bench

FILES = Path(__file__).parents[3] / "bench" / "files"
BENCH = load_bench(FILES / "mock.yaml")
TABLE = load_table(FILES / "mock-overrides.yaml")
MEAN = "      - {wind: cups, above: 10 m/s, ends_at: 8 m/s, accuracy: 0.4 m/s, averaged_over: 60 s}\n"
SOME = (  # all of them run in `make campaign`
    "gale-edges-of-cups.yaml",
    "rain-edges-of-bucket.yaml",
    "rain-then-gale.yaml",
    "together-02.yaml",
)


@pytest.fixture(scope="module")
def drafted():
    """The profiles drafted from the shipped table for the shipped bench, by file."""
    return {draft.file: draft for draft in drafts(TABLE, BENCH, strength=2, source="table.yaml")}


def trial(draft, faults=(), table=TABLE):
    """Try a drafted profile on the mock that does what its table says."""
    bench = with_faults(with_table(BENCH, table), faults)
    return attempt(read_profile(draft.file, draft.text), bench, seed=0)


def test_every_draft_is_a_right_profile(drafted):
    """Each loads without a note, fits the bench, and names only lines that the table has."""
    session = Session(bench=BENCH, out=Path())
    for draft in drafted.values():
        profile = read_profile(draft.file, draft.text)
        assert profile.notes == (), draft.file
        session.bind(profile)
        assert unknown_lines(TABLE, [profile]) == [], draft.file
        assert [its.line for its in draft.shown] == profile.model.proves, draft.file


@pytest.mark.parametrize("file", SOME)
def test_the_healthy_unit_passes(file, drafted):
    """What is demanded is what the table says and no more: the mock that obeys it passes, for certain."""
    tried = trial(drafted[file])
    assert tried.passed, tried.why


@pytest.mark.performance
@pytest.mark.parametrize("strength", [2, 3])
def test_the_healthy_unit_passes_all_of_them(strength):
    """Every profile of either strength passes on the mock that obeys the table; part of the campaign."""
    for draft in drafts(TABLE, BENCH, strength=strength, source="table.yaml"):
        tried = trial(draft)
        assert tried.passed, f"{draft.file}: {tried.why}"


@pytest.mark.parametrize(
    ("fault", "file"),
    [
        ("entry_at_once", "rain-rain-too-short.yaml"),
        ("no_gale_hysteresis", "gale-edges-of-cups.yaml"),
        ("last_override_wins", "gale-then-rain.yaml"),
        ("sides_exchanged", "gale-leeward-roof.yaml"),
        ("no_debounce", "rain-chatter-of-rain.yaml"),
        ("skips_reference", "supply-lost-in-rain.yaml"),
        ("lost_bus_late", "gale-bus-silent.yaml"),
        ("lost_bus_early", "gale-bus-silent.yaml"),
        ("dead_cups_unseen", "gale-cups-stand-still.yaml"),
        ("smooths_gusts", "gale-mean-of-cups.yaml"),
    ],
)
def test_a_faulty_unit_fails(fault, file, drafted):
    """A profile finds the fault that its line of the table is about."""
    assert trial(drafted[file], [fault]).failed


def test_a_unit_that_does_not_average_begins_too_early(drafted):
    """The profile of the mean tells a unit whose mean is over a tenth of the time."""
    bench = read_bench("bench.yaml", BENCH.text.replace("gust_over: 3 s", "gust_over: 300 ms"))
    draft = drafted["gale-mean-of-cups.yaml"]
    assert attempt(read_profile(draft.file, draft.text), bench, seed=0).failed


@pytest.mark.parametrize(
    ("old", "new", "story", "line", "why"),
    [
        (
            "fails_after: 12 h",
            "fails_after: 200 h",
            "gale-cups-stand-still",
            "gale.cups.failed",
            "left to a person",
        ),
        (
            "averaged_over: 3 s",
            "averaged_over: 1 s",
            "gale-mean-of-cups",
            "gale.cups.averaged_over",
            "a mean over",
        ),
        ("bus_silent: 10 min", "bus_silent: 2 h", "gale-bus-silent", "gale.bus_silent", "cannot be played"),
    ],
)
def test_what_cannot_be_shown_is_not_drafted_and_said(old, new, story, line, why):
    """A silence that takes days, a mean that nobody could tell from none: no profile claims them."""
    table, margins = read_table("other.yaml", TABLE.text.replace(old, new)).model, Margins(BENCH.model)
    made = list(scenarios(ScenarioBuilder(table, margins), 2))
    assert story not in {its.file for its in made}
    assert not any(line in its.proves for its in made)
    assert why in why_undrafted(line, table, margins)


@pytest.mark.parametrize(
    ("old", "new", "file"),
    [
        ("precedence: most-closed", "precedence: [failure, rain, gale, frost]", "rain-then-gale.yaml"),
        ("restart: reference", "restart: resume", "supply-lost-in-rain.yaml"),
        ("entry_delay: 10 s", "entry_delay: 4 s", "frost-outside_temperature-too-short.yaml"),
    ],
)
def test_another_table_is_proved_on_its_own_mock(old, new, file):
    """A profile of a changed table passes on the unit that obeys it, and not on the shipped one."""
    table = read_table("other.yaml", TABLE.text.replace(old, new, 1))
    draft = next(d for d in drafts(table, BENCH, strength=2, source="table.yaml") if d.file == file)
    assert trial(draft, table=table).passed
    assert not trial(draft).passed


def test_a_latched_override_is_reset():
    """The drafted story waits after the rain, presses the reset, and sees the vents open only then."""
    text = TABLE.text.replace(
        "    positions: {roof: 8 %, side: 45 %}", "    positions: {roof: 8 %, side: 45 %}\n    latched: true"
    )
    table = read_table("latched.yaml", text + "\nreset: reset\n")
    bench = read_bench(
        "bench.yaml",
        BENCH.text.replace(
            "outputs:\n", "outputs:\n  reset: {driver: mock, wired: {input: reset}}\n", 1
        ).replace(
            "    positions: {roof: 8 %, side: 45 %}",
            "    positions: {roof: 8 %, side: 45 %}\n    latched: true",
        ),
    )
    made = next(iter(drafts(table, bench, strength=2, source="table.yaml")))
    profile = read_profile(made.file, made.text)
    assert [step.step for step in profile.model.steps][-1] == "reset"
    assert "rain.latched" in profile.model.proves
    tried = attempt(profile, bench, seed=0)
    assert tried.passed, tried.why


def test_the_wind_is_told_where_a_vent_has_a_lee_side(drafted):
    """Every profile of an override with a lee side writes at its start where the wind comes from, others do not."""
    for draft in drafted.values():
        assert ("wind_direction: 180 °" in draft.text) == ("gale_override" in draft.text), draft.file


def test_drafting_twice_gives_the_same(drafted):
    """The same table and bench give the same profiles to the byte."""
    again = list(islice(drafts(TABLE, BENCH, strength=2, source="table.yaml"), 8))
    assert again == list(islice(drafted.values(), 8))


def test_more_strength_adds_orders_of_three(drafted):
    """Strength 3 drafts what strength 2 does, every order of three overrides, and more combinations."""
    three = {
        f"{story.file}.yaml" for story in scenarios(ScenarioBuilder(TABLE.model, Margins(BENCH.model)), 3)
    }
    assert drafted.keys() <= three
    assert sum(file.count("-then-") == 2 for file in three) == 4 * 3 * 2
    assert sum(file.startswith("together") for file in three) > sum(f.startswith("together") for f in drafted)


def test_lines_that_are_not_proved_are_found(drafted):
    """The matrix names what a bench cannot show in reasonable time, and what would pass as well, and nothing else."""
    rows = traced(TABLE, [LineClaim(draft.file, its) for draft in drafted.values() for its in draft.shown])
    standings = {row.line.name: row.standing for row in rows if row.standing != "proved"}
    assert standings == {
        "sensors.cups.fails_after": "by no profile",
        "supply.rides_through": "by no profile",
        "supply.boots_for": "by no profile",
        "gale.entry_delay": "shown in part",
    }


def test_a_draft_claims_only_what_it_goes_to_the_edge_of(drafted):
    """A strong wind shows where the vents go, and not at which wind they do."""
    assert "gale.positions.roof" in {its.line for its in drafted["gale-by-cups.yaml"].shown}
    assert "gale.cups" not in {its.line for its in drafted["gale-by-cups.yaml"].shown}
    assert [its.line for its in drafted["gale-edges-of-cups.yaml"].shown][:2] == [
        "gale.cups",
        "gale.cups.ends_at",
    ]


def test_every_line_has_a_name_and_a_place_of_its_own():
    """Names are not given twice, and each line number holds what the line is about."""
    found = lines(TABLE)
    assert len({line.name for line in found}) == len(found)
    text = TABLE.text.splitlines()
    for line in found:
        if line.name.endswith(("entry_delay", "release_delay", "restart", "ends_at")):
            assert line.name.rpartition(".")[2] in text[line.number - 1]


def test_the_shipped_profiles_name_lines_that_there_are():
    """What the shipped suite says it proves stands in the shipped table."""
    profiles = [load_profile(path) for path in sorted(SHIPPED.rglob("*.yaml"))]
    assert unknown_lines(TABLE, profiles) == []
    assert any(profile.model.proves for profile in profiles)


def test_a_line_that_the_table_lacks_is_named(drafted):
    """A misspelt name below `proves:` is placed, with the nearest right one."""
    text = drafted["rain-rain-too-short.yaml"].text.replace("rain.entry_delay", "rain.entry_dellay", 1)
    problems = unknown_lines(TABLE, [read_profile("p.yaml", text)])
    assert [p.reason for p in problems] == [f"table {TABLE.path} has no line 'rain.entry_dellay'"]
    assert problems[0].hint == "did you mean 'rain.entry_delay'?"
    assert problems[0].line == 6


def test_nothing_that_stands_there_is_written_over_unasked(drafted, tmp_path):
    """An earlier draft is renewed only with leave, what a person changed never, and one refusal stops them all."""
    made = [drafted["rain-by-rain.yaml"], drafted["gale-by-cups.yaml"]]
    assert set(write_drafts(tmp_path, made[:1], replace=False).values()) == {"new"}
    assert write_drafts(tmp_path, made[:1], replace=False) == {"rain-by-rain.yaml": "as it was"}
    path = tmp_path / "rain-by-rain.yaml"
    path.write_text(
        signed(path.read_text(encoding="utf-8").partition("\n")[2], "other.yaml"), encoding="utf-8"
    )
    with pytest.raises(FileError, match=r"rain-by-rain\.yaml: is an earlier draft.*--replace"):
        write_drafts(tmp_path, made, replace=False)
    assert not (tmp_path / "gale-by-cups.yaml").exists()
    assert write_drafts(tmp_path, made, replace=True) == {
        "rain-by-rain.yaml": "renewed",
        "gale-by-cups.yaml": "new",
    }
    path.write_text(path.read_text(encoding="utf-8").replace("8 %", "9 %"), encoding="utf-8")
    with pytest.raises(FileError, match=r"rain-by-rain\.yaml: was changed since it was drafted"):
        write_drafts(tmp_path, made, replace=True)
    assert left_over(tmp_path, made[:1]) == ["gale-by-cups.yaml"]


def test_two_drafts_never_share_a_file(drafted, tmp_path):
    """Neither of two profiles of one name is written, nor anything else."""
    twins = [drafted["gale-by-cups.yaml"], replace(drafted["rain-by-rain.yaml"], file="gale-by-cups.yaml")]
    with pytest.raises(FileError, match=r"gale-by-cups\.yaml: 'gale by cups .* would both be this file"):
        write_drafts(tmp_path / "out", twins, replace=True)
    assert not (tmp_path / "out").exists()


def test_a_gust_and_a_mean_of_the_same_cups_are_lines_of_their_own():
    """Two conditions of one kind in one override have names and profiles of their own."""
    table = read_table(
        "two.yaml", TABLE.text.replace("      - {failed: cups}\n", f"{MEAN}      - {{failed: cups}}\n")
    )
    made = [draft.file for draft in drafts(table, BENCH, strength=2, source="two.yaml")]
    assert len(set(made)) == len(made)
    assert {"gale-by-cups.yaml", "gale-by-cups_2.yaml"} <= set(made)
    names = [line.name for line in lines(table)]
    assert len(set(names)) == len(names)
    assert {"gale.cups.ends_at", "gale.cups_2.ends_at"} <= set(names)


def test_a_rule_that_another_one_hides_is_not_called_proved():
    """Where the mean of the wind keeps the vents closed, nothing shows at which gust they would open.

    At which gust they close a short one shows, which the mean does not see.
    """
    table = read_table(
        "two.yaml", TABLE.text.replace("      - {failed: cups}\n", f"{MEAN}      - {{failed: cups}}\n")
    )
    made = list(drafts(table, BENCH, strength=2, source="two.yaml"))
    rows = traced(table, [LineClaim(draft.file, its) for draft in made for its in draft.shown])
    standing = {row.line.name: row.standing for row in rows}
    assert standing["gale.cups.ends_at"] != "proved"
    assert standing["gale.cups"] == "proved"
    assert standing["gale.cups_2"] == "proved"


def test_an_untouched_draft_is_known_as_such(drafted):
    """The first line carries a digest of the rest."""
    text = drafted["rain-by-rain.yaml"].text
    assert untouched(text)
    assert not untouched(text.replace("92 %", "91 %"))
    assert not untouched("profile: by hand\n")
