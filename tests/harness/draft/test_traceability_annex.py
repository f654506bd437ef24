"""The override table as an annex of a report: each line with what proves it, and none called proved that is not."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.draft.traceability import table_section
from ventproof.log.events import PinnedText
from ventproof.table.lines import lines
from ventproof.table.load import read_table

TEXT = (SHIPPED_BENCH.parent / "mock-overrides.yaml").read_text(encoding="utf-8")
PINNED = PinnedText("make-believe", "ab" * 32, TEXT)


def chapter(profile, standing, *proves):
    return SimpleNamespace(profile=profile, standing=standing, proves=proves)


def proofs(section):
    (table,) = section.tables
    return {name: proved for _, _, name, proved in table.rows}


def test_every_line_of_the_table_is_in_the_annex():
    """Lines without any run say so."""
    section = table_section(PINNED, [chapter("rain", "pass", "rain.entry_delay")], "table-1")
    names = [line.name for line in lines(read_table("table.yaml", TEXT))]
    assert list(proofs(section)) == names
    assert proofs(section)["rain.entry_delay"] == "rain: pass"
    assert proofs(section)["rain.release_delay"] == "no run in this report"
    assert section.sentences[:2] == (
        f"1 of the table's {len(names)} lines are proved by runs in this report that passed.",
        f"{len(names) - 1} have no run in this report.",
    )


@pytest.mark.parametrize(
    "standing", ["fail", "inconclusive", "aborted", "broken", "contradicted", "unconfirmed"]
)
def test_a_line_with_a_run_that_did_not_pass_is_not_proved(standing):
    """Not even where the same profile passed in another run, or another profile passed."""
    runs = [chapter("rain", standing, "rain.entry_delay"), chapter("rain", "pass", "rain.entry_delay")]
    section = table_section(PINNED, [*runs, chapter("showers", "pass", "rain.entry_delay")], "table-1")
    assert proofs(section)["rain.entry_delay"] == f"rain: {standing}, pass; showers: pass"
    assert section.sentences[0].startswith("0 of ")
    assert section.sentences[-1] == "1 have a run that did not pass."


def test_a_table_that_cannot_be_read_is_said_so():
    """A log that somebody made up still makes a report."""
    section = table_section(replace(PINNED, text="table: ["), [], "table-1")
    assert section.sentences[0].startswith("The table cannot be read: override table in the log:")
    assert section.tables == ()
