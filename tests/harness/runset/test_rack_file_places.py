"""What a rack file says for all places counts for each that does not state it; each becomes a command line of `run`."""

from __future__ import annotations

from pathlib import Path

from ventproof.reference.words import example_text
from ventproof.runset.rack_file import plans_of, read_rack

ONE = """
rack: bay
bench: shared.yaml
firmware: "3.1"
profiles: [rain.yaml, wind]
map: {rain: rain_spare}
table: owed.yaml
places:
  left: {unit: V-1}
  right: {unit: V-2, bench: /benches/right.yaml, firmware: "3.2", map: {}, profiles: [frost.yaml]}
"""


def test_a_place_takes_what_it_does_not_state_from_the_top():
    """Each key for itself; an empty mapping of its own counts, too."""
    left, right = plans_of(read_rack("racks/bay.yaml", ONE))
    assert (left.unit, left.firmware, left.use) == ("V-1", "3.1", ("rain=rain_spare",))
    assert (right.unit, right.firmware, right.use) == ("V-2", "3.2", ())
    assert right.table == left.table == Path("racks/owed.yaml")


def test_files_are_named_from_the_folder_of_the_rack_file():
    """Wherever the command runs; an absolute path stays."""
    left, right = plans_of(read_rack("racks/bay.yaml", ONE))
    assert left.bench == Path("racks/shared.yaml")
    assert right.bench == Path("/benches/right.yaml")
    assert left.profiles == (Path("racks/rain.yaml"), Path("racks/wind"))


def test_a_place_is_a_command_line():
    """Nothing that it leaves out is an option; a profile is never taken for one."""
    left, right = plans_of(read_rack("racks/bay.yaml", ONE))
    assert left.words == (
        "--bench=racks/shared.yaml",
        "--unit=V-1",
        "--firmware=3.1",
        "--table=racks/owed.yaml",
        "--map=rain=rain_spare",
        "--",
        "racks/rain.yaml",
        "racks/wind",
    )
    assert not [word for word in right.words if word.startswith(("--map", "--waivers"))]


def test_the_example_says_every_key():
    """All of them reach the command line of some place."""
    plans = plans_of(read_rack("rack.yaml", example_text("rack.yaml")))
    options = {word.partition("=")[0] for plan in plans for word in plan.words if word.startswith("--")}
    assert options >= {
        "--bench",
        "--unit",
        "--firmware",
        "--table",
        "--selfcheck",
        "--acceptance",
        "--waivers",
        "--map",
    }
