"""`ventproof archive`: every command reads archives, and the folder that comes back is the one that was archived."""

from __future__ import annotations

import pytest

from ventproof.cli.options import SHIPPED, SHIPPED_BENCH
from ventproof.history.database import place_of
from ventproof.history.store import History
from ventproof.log.names import logs_in
from ventproof.log.signing import make_key

READERS = [
    "verify records --key own.pub",
    "judge records/LOG",
    "report records -o out.html",
    "report records -o out.json",
    "bundle records -o out.zip",
    "verify out.zip --key own.pub",
    "history import records --history out.sqlite",
    "history import records --history out.sqlite",
    "compare records records/LOG",
    "trend records",
]


@pytest.fixture
def records(ventproof, shipped, tmp_path):
    """The folder of a signed plan of two profiles."""
    make_key(tmp_path / "own.key", tmp_path / "own.pub")
    profiles = [shipped["rain-count"], shipped["rain-contact-bounce-ignored"]]
    words = ["run", *profiles, "--bench", SHIPPED_BENCH, "--sign", "own.key", "--history", "none"]
    assert ventproof(*words)[0] == 0
    return tmp_path / "records"


def test_logs_are_archived_and_come_back_to_the_byte(records, ventproof):
    """The folder shrinks, and is the same again when it is unpacked; the command says what was freed."""
    before = {path.name: path.read_bytes() for path in records.iterdir()}
    size_mb = sum(path.stat().st_size for path in logs_in(records)) / 1e6
    names = [f"{path.name}.zst" for path in logs_in(records)]
    code, said, _ = ventproof("archive", "records")
    small_mb = sum(path.stat().st_size for path in logs_in(records)) / 1e6
    assert (code, [path.name for path in logs_in(records)]) == (0, names)
    assert said.splitlines()[-1] == f"2 logs archived: {size_mb - small_mb:.2f} MB freed"
    assert small_mb < size_mb / 10
    assert ventproof("archive", "records")[1] == "0 logs archived: 0.00 MB freed; 2 already archived\n"
    code, said, _ = ventproof("archive", "--unpack", "records")
    assert (code, said.splitlines()[-1]) == (0, f"2 logs unpacked: {size_mb - small_mb:.2f} MB more")
    assert {path.name: path.read_bytes() for path in records.iterdir()} == before


def test_every_command_reads_archives_as_logs(records, ventproof, tmp_path):
    """Verdicts, digests, signatures, the manifest and the history: what is said of a folder stays what it was."""

    def told():
        log = logs_in(records)[0].name
        found = [ventproof(*line.replace("LOG", log).split()) for line in READERS]
        for path in tmp_path.glob("out.*"):
            path.unlink()
        return [(code, *(text.replace(".zst", "") for text in texts)) for code, *texts in found]

    before = told()
    assert [code for code, *_ in before] == [0, 0, 0, 0, 0, 0, 0, 0, 3, 0]
    ventproof("archive", "records")
    assert told() == before


@pytest.mark.parametrize("steps", [["archive", "archive --unpack"], ["archive --unpack", "archive"]])
def test_a_history_finds_a_log_that_was_archived_or_unpacked_since(records, ventproof, steps):
    """The log of a run is found by its digest whichever way it was stored when it was entered, and is now."""
    if steps[-1] == "archive":
        ventproof("archive", "records")
    ventproof("history", "import", "records", "--history", "past.sqlite")
    for step in steps:
        ventproof(*step.split(), "records")
        past = History(place_of("past.sqlite"))
        found = [past.file_of(entry.record.digest) for entry in past.entries()]
        assert sorted(filter(None, found)) == logs_in(records)
    assert "2 known already" in ventproof("history", "import", "records", "--history", "past.sqlite")[1]


@pytest.mark.usefixtures("records")
def test_a_plan_goes_on_with_archived_logs(ventproof):
    """What its manifest lists is here, so that nothing is left to be run."""
    ventproof("archive", "records")
    code, _, said = ventproof("run", SHIPPED, "--resume", "records", "--bench", SHIPPED_BENCH)
    assert (code, "every plan here is finished" in said) == (3, True)


def test_the_refused_are_named_and_stay_and_the_others_are_archived(records, ventproof):
    """A log whose chain is broken is left as it is, with exit code 3."""
    first, second = logs_in(records)
    broken = first.read_bytes().replace(b'"poll"', b'"pole"', 1)
    first.write_bytes(broken)
    code, said, refused = ventproof("archive", "records")
    assert (code, said.splitlines()[-1].startswith("1 log archived: ")) == (3, True)
    assert refused.startswith(f"records/{first.name}:12: its chain is broken (")
    assert first.read_bytes() == broken
    assert not second.exists()
