"""Drivers of third parties: found by entry point, and refused with a reason when they are none."""

import sys

import pytest

from ventproof_bench.drivers.driver import find, names

MODULE = """
from ventproof_bench.drivers.driver import Driver
from ventproof_bench.relays.mock import MockOptions

GOOD = Driver(
    name="lamp",
    kind="contact",
    clock="wall",
    about="A lamp.",
    options=MockOptions,
    build=lambda options, wiring: None,
    place=lambda options: options.input,
)
OTHER = 7
"""
ENTRIES = """
[ventproof.drivers]
lamp = thirdparty_lamp:GOOD
seven = thirdparty_lamp:OTHER
gone = thirdparty_gone:GOOD
coil = thirdparty_lamp:OTHER
"""


@pytest.fixture
def installed(tmp_path, monkeypatch):
    """A package of drivers, as an installer would leave it."""
    (tmp_path / "thirdparty_lamp.py").write_text(MODULE)
    info = tmp_path / "thirdparty_lamp-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: thirdparty-lamp\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(ENTRIES)
    monkeypatch.syspath_prepend(tmp_path)
    yield
    sys.modules.pop("thirdparty_lamp", None)


@pytest.mark.usefixtures("installed")
def test_a_third_partys_driver_is_found_by_its_entry_point():
    """It is listed and found like our own, which come first under a name that both have."""
    assert "lamp" in names()
    assert find("lamp").about == "A lamp."
    assert find("coil").name == "coil"


@pytest.mark.usefixtures("installed")
@pytest.mark.parametrize(
    ("name", "says"),
    [
        (
            "seven",
            (
                r"^driver 'seven' \(thirdparty_lamp:OTHER\) is not a ventproof_bench\.drivers\.driver\.Driver; "
                "repair that package$"
            ),
        ),
        (
            "gone",
            r"^driver 'gone' \(thirdparty_gone:GOOD\) cannot be loaded: No module named 'thirdparty_gone'$",
        ),
        ("lmap", r"^'lmap' is not a driver; did you mean 'lamp'\?$"),
    ],
)
def test_what_is_no_driver_is_refused(name, says):
    """A broken package, something else under the name, and a slip of the pen: each with its reason."""
    with pytest.raises(ValueError, match=says):
        find(name)
