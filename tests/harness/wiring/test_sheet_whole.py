"""A wiring sheet says all that is in the bench file, numbers every wire once, and cuts no text."""

from __future__ import annotations

import io
import re
from html.parser import HTMLParser
from xml.etree import ElementTree

import pypdf
import pytest
from drawing import cases
from hypothesis import given
from wired_benches import wired_benches

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.figures.drawing import text_width
from ventproof.reference.words import example_text
from ventproof.report.model import shown
from ventproof.wiring.sheet import sheet_of
from ventproof.wiring.write import html_of, pdf_of
from ventproof_bench.benchcheck.load import load_bench, read_bench
from ventproof_bench.benchfile.model import InProcessBus
from ventproof_bench.modbus.register_map import parse_reference, resolve

FILES = sorted(path for path in SHIPPED_BENCH.parent.glob("*.yaml") if not path.stem.endswith("-overrides"))
EXAMPLES = (
    "bench-wires.yaml",
    "bench-people.yaml",
    "bench-vents.yaml",
    "bench-in-process.yaml",
    "whole-bench.yaml",
)
BENCHES = [
    *(load_bench(path) for path in FILES),
    *(read_bench(name, example_text(name)) for name in EXAMPLES),
]


class Texts(HTMLParser):
    """All texts of a page, and its elements."""

    def __init__(self, page):
        super().__init__()
        self.elements, self.texts = [], []
        self.feed(page)

    def handle_starttag(self, tag, _attrs):
        """Note an element."""
        self.elements.append(tag)

    def handle_data(self, data):
        """Note a text."""
        self.texts.append(" ".join(data.split()))


def text_of(page):
    return " ".join(text for text in Texts(page).texts if text)


def names_of(file):
    """Every name of a bench file that a technician will look for."""
    yield from (*file.outputs, *file.signals, *file.boards, *file.vents, *file.people)
    yield from (f"bus {name}" for name, bus in file.buses.items() if isinstance(bus, InProcessBus))
    yield from (name for name in file.buses)


def markings_of(file):
    wired = [*file.buses.values(), *file.outputs.values(), *file.registers.values()]
    for cable in (getattr(one, "wires", None) for one in wired):
        for wire in () if cable is None else cable.by_role.values():
            yield from filter(None, (wire.bench, wire.unit, wire.colour))


@pytest.mark.parametrize("bench", BENCHES, ids=lambda bench: bench.path.rpartition("/")[2])
def test_whatever_a_shipped_bench_file_names_is_on_page_and_document(bench):
    """Outputs, signals, buses, boards, vents and terminals, in both kinds of sheet."""
    sheet = sheet_of(bench)
    page = set(re.findall(r"[\w.-]+", text_of(html_of(sheet))))
    parts = [part.extract_text() for part in pypdf.PdfReader(io.BytesIO(pdf_of(sheet))).pages]
    document = re.sub(r"[\s\u200b]", "", "".join(parts))
    for name in names_of(bench.model):
        assert name.removeprefix("bus ") in page
        assert name.replace(" ", "") in document


@given(wired_benches())
@cases(40, 400)
def test_whatever_a_bench_file_names_is_on_the_page(bench):
    """Of any bench: each name and each marking can be read, and none becomes markup."""
    page = html_of(sheet_of(bench))
    read = Texts(page)
    text = " ".join(read.texts)
    for name in names_of(bench.model):
        assert name in text
    for marking in (*markings_of(bench.model), bench.model.bench):
        assert " ".join(shown(marking).split()) in text
    assert not {"script", "img", "link", "iframe"} & set(read.elements)
    assert not re.search(r"url\((?!#)|\bsrc=|\bon\w+=\"", re.sub(r">[^<]*<", "><", page))


@given(wired_benches())
@cases(60, 600)
def test_every_wire_has_one_number_and_stands_in_drawing_and_list(bench):
    """W1, W2 and so on without a hole, each once in the list and once in the drawings."""
    sheet = sheet_of(bench)
    listed = [row[0] for row in sheet.wires.rows]
    assert listed == [f"W{number}" for number in range(1, len(listed) + 1)]
    drawn = [text for part in (*sheet.lines, *sheet.circuits) for text in numbers_in(part.figure.svg)]
    assert sorted(drawn) == sorted(listed)


def numbers_in(svg):
    texts = [
        element.text or "" for element in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")
    ]
    return [text for text in texts if re.fullmatch(r"W\d+", text)]


def boxes_in(svg):
    """Yield the extent of each text: left, top, right, bottom, px, as wide as texts are taken to be at most."""
    for element in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}text"):
        size, x, y = (float(element.get(key, "13")) for key in ("font-size", "x", "y"))
        width = text_width(element.text or "", size)
        left = x - {"start": 0.0, "middle": width / 2, "end": width}[element.get("text-anchor", "start")]
        yield left, y - 0.7 * size, left + width, y + 0.2 * size, element.text


def cut_or_crossing(svg):
    """Return the texts that leave the drawing, or stand on one another."""
    root = ElementTree.fromstring(svg)
    width, height = (float(root.get(key)) for key in ("width", "height"))
    boxes = list(boxes_in(svg))
    cut = [b for b in boxes if b[0] < 0 or b[1] < 0 or b[2] > width or b[3] > height]
    crossing = [
        (a[4], b[4])
        for at, a in enumerate(boxes)
        for b in boxes[at + 1 :]
        if a[0] < b[2] - 0.5 and b[0] < a[2] - 0.5 and a[1] < b[3] - 0.5 and b[1] < a[3] - 0.5
    ]
    return cut, crossing


@given(wired_benches())
@cases(60, 600)
def test_no_text_of_a_drawing_is_cut_or_stands_on_another(bench):
    """By the width that drawings take a text to have, which is rather too much."""
    sheet = sheet_of(bench)
    for part in (*sheet.lines, *sheet.circuits):
        assert cut_or_crossing(part.figure.svg) == ([], []), part.title


@pytest.mark.parametrize("bench", BENCHES, ids=lambda bench: bench.path.rpartition("/")[2])
def test_no_text_of_a_shipped_bench_is_cut(bench):
    """The same, of the benches that come along."""
    sheet = sheet_of(bench)
    for part in (*sheet.lines, *sheet.circuits):
        assert cut_or_crossing(part.figure.svg) == ([], []), part.title


def test_a_sensor_of_four_wires_has_contact_common_supply_and_return():
    """The rain sensor of the example: four wires with colours, shield on earth at the unit alone."""
    sheet = sheet_of(read_bench("bench.yaml", example_text("bench-wires.yaml")))
    rows = [row[2:7] for row in sheet.wires.rows if row[1] == "rain"]
    assert rows == [
        ("NO", "K1-14", "input", "X3-7", "yellow"),
        ("COM", "K1-11", "common of input", "X3-8", "green"),
        ("sensor supply", "", "supply", "X3-5", "brown"),
        ("sensor return", "", "return", "X3-6", "white"),
    ]
    rain = next(part for part in sheet.circuits if part.title == "rain")
    texts = [box[4] for box in boxes_in(rain.figure.svg)]
    assert ("shield to earth here" in texts, "shield not connected, insulated" in texts) == (True, True)


def test_relay_and_limits_of_a_contact_are_on_its_sheet():
    """Which relay to fit, and what no profile does to it."""
    sheet = sheet_of(read_bench("bench.yaml", example_text("bench-wires.yaml")))
    rain = next(part for part in sheet.circuits if part.title == "rain")
    notes = " ".join(rain.notes)
    assert "Relay: electromechanical (2026-03), good for 1000000 operations." in notes
    assert (
        "No profile drives it beyond: 2000 closures an hour, closed at least 20 ms, open at least 20 ms, away from "
        "safe at most 7200 s."
    ) in notes


def test_a_contact_in_a_wire_is_drawn_in_that_wire():
    """The wire that a profile breaks goes over the relay's common and its normally closed terminal."""
    sheet = sheet_of(read_bench("bench.yaml", example_text("bench-wires.yaml")))
    rows = [row[2:6] for row in sheet.wires.rows if row[1] == "outside_temperature"]
    relay = "coil 5 of unit 2 on bus line"
    assert rows == [
        ("output +", "AO1+", f"{relay}: COM", ""),
        (f"{relay}: NC", "", "input +", "X4-1"),
        ("output -", "AO1-", "input -", "X4-2"),
    ]
    assert "outside_wire" in [row[0] for row in sheet.unwired.rows]


def test_both_ends_of_a_line_are_terminated_and_no_more():
    """Two places to tick, whatever the number of devices between them; bias and earth in one place each."""
    sheet = sheet_of(read_bench("bench.yaml", example_text("bench-wires.yaml")))
    line = next(part for part in sheet.lines if part.title == "Bus line")
    texts = [box[4] for box in boxes_in(line.figure.svg)]
    assert texts.count("terminate here: A to B") == 2
    assert texts.count("bias A and B here only") == texts.count("common to protective earth here only") == 1


def test_references_on_the_sheet_mean_the_addresses_beside_them():
    """What a technician looks up in the maker's list is what the bench reads."""
    for bench in BENCHES:
        rows = {row[0]: row[2] for row in sheet_of(bench).signals.rows}
        for name, signal in bench.model.registers.items():
            assert parse_reference(rows[name].rpartition("(")[2].rstrip(")")) == resolve(signal)


def test_what_is_played_warns_of_drives_and_what_is_virtual_says_so():
    """The two things that a reader must not miss."""
    alarms = {bench.path.rpartition("/")[2]: " ".join(sheet_of(bench).alarms) for bench in BENCHES}
    assert "no drive may be connected in their place" in alarms["mock-loop-tcp.yaml"]
    assert "nothing to wire" in alarms["mock.yaml"]
    assert alarms["mock-rtu.yaml"] == ""


def test_the_cautions_come_before_the_first_wire():
    """Isolate first, sensors open and close dry, and the cautions of every report."""
    page = text_of(html_of(sheet_of(BENCHES[0])))
    first = page.index("From the devices to the unit")
    for words in (
        "Isolate first",
        "opened and closed dry",
        "move without warning and crush",
        "licensed people",
    ):
        assert page.index(words) < first
