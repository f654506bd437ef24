"""Hyetographs from lists and from CSV text, with a clear error for each fault."""

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pulses_and_tips import steady_rain

from ventproof.weather.csv_series import read_series
from ventproof.weather.hyetograph import blocks, from_depths, from_intensities, from_totals, ramp
from ventproof_bench.base.errors import FileError


def read(*lines, shape="steps"):
    return read_series("\n".join(lines), name="rain.csv", shape=shape)


def test_intensity_in_steps():
    """An intensity keeps until the next row, and the last row says when the rain ends."""
    rain = read("# a shower", "", "time [min], intensity [mm/h]", "0, 6", "10, 12", "15, 0")
    assert rain == blocks([(600, 6), (300, 12)])


def test_intensity_joined_by_lines():
    """With the linear shape intensity changes evenly from row to row."""
    assert read("time [s],intensity [mm/h]", "0,0", "60,12", shape="linear") == ramp(0, 12, duration_s=60)


def test_depths_and_totals_say_the_same():
    """Depths since the row before, and their running total, are the same rain; inches are exact."""
    depths = read("time (h); depth (in)", "0; 0", "1; 0.1", "2; 0.2")
    assert depths == read("time [h],total [in]", "0,5", "1,5.1", "2,5.3")
    assert depths == blocks([(3600, Fraction("2.54")), (3600, Fraction("5.08"))])


def test_dates_decimal_commas_and_other_columns():
    """ISO times, decimal commas between semicolons or tabs, quotes, a byte order mark and unknown columns are read."""
    text = '\ufeff"time";"wind";"depth [mm]"\r\n2024-05-01 14:00;3,1;0\r\n2024-05-01 14:10;;0,2\r\n'
    assert read_series(text, name="rain.csv") == blocks([(600, Fraction("1.2"))])
    assert read_series(text.replace(";", "\t"), name="rain.csv") == blocks([(600, Fraction("1.2"))])


def test_utc_offsets_count():
    """Times with an offset are compared as instants: an hour that clocks repeat is no fault."""
    rain = read("time,depth [mm]", "2024-10-27 02:30+02:00,0", "2024-10-27 02:30+01:00,1")
    assert rain == blocks([(3600, 1)])


HEADER = "time [s],depth [mm]"


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        (["# nothing"], r"^rain\.csv: the file holds no rain; write 'time \[s\]' and one of"),
        (["time [s],rain"], r"^rain\.csv:1: the header has 1 time column and 0 columns of rain: "),
        (["time [s],depth [mm],total [mm]"], r"^rain\.csv:1: the header has 1 time .* and 2 columns"),
        (
            ["time [s],depth"],
            r"^rain\.csv:1: the column depth names no unit; write 'depth \[mm\]'; units: mm, in$",
        ),
        (["time [s],depth [mm/h]"], r"^rain\.csv:1: 'mm/h' is not a unit of depth; write 'depth \[mm\]'"),
        (
            ["time [mm],depth [mm]"],
            r"^rain\.csv:1: 'mm' is not a unit of time; write 'time \[ms\]'; units: ms, s",
        ),
        ([HEADER, "0;0", "1,1"], r"^rain\.csv:2: 1 cell where the header has 2; part them with ',' as"),
        ([HEADER, "0,0", "1,"], r"^rain\.csv:3:\d: a cell is empty; an unknown value is not zero"),
        ([HEADER, "0,0", "1,wet"], r"^rain\.csv:3:\d: 'wet' is not a number; write one such as 2\.5$"),
        ([HEADER, "0,0", "1,nan"], r"^rain\.csv:3:\d: 'nan' is not a number"),
        ([HEADER, "0,0", "1,1e999"], r"^rain\.csv:3:\d: inf is not a number that can be measured; check it$"),
        ([HEADER, "0,0", "1,-1"], r"^rain\.csv:3:\d: depth '-1' is below zero; rain is 0 or more$"),
        (
            [HEADER, "0,0", "0,1"],
            r"^rain\.csv:3: this time does not come after the one in line 2; times must rise",
        ),
        (
            [HEADER, "0,1", "1,1"],
            r"^rain\.csv:2: the first depth, 1 mm, has no beginning; put a point before it",
        ),
        ([HEADER, "0,0"], r"^rain\.csv: 1 row: no span of rain; the first row says when"),
        ([HEADER], r"^rain\.csv: 0 rows: no span of rain"),
        (
            ["time [s],intensity [mm/h]", "0,1", "1,1"],
            r"^rain\.csv:3: the last intensity, 1 mm/h, has no end; add",
        ),
        (
            ["time [s],total [mm]", "0,2", "1,1"],
            r"^rain\.csv:3: the total falls from 2 to 1 mm; a total only grows",
        ),
        (
            ["time [s];depth [mm]", "0;0", "1;1,000"],
            r"^rain\.csv:3:\d: '1,000' may mean 1000 or 1\.000; write one",
        ),
        (
            ["time,depth [mm]", "0,0"],
            r"^rain\.csv:2:\d: '0' is not a date and time; write one such as 2024-05-01 14:10",
        ),
        (
            ["time,depth [mm]", "2024-05-01 14:00,0", "2024-05-01 14:10Z,1"],
            r"^rain\.csv:3: some times have a UTC offset and some have none; give every row a UTC offset, or none$",
        ),
    ],
)
def test_faults_of_a_series(lines, message):
    """Each fault is one message with its line, what is wrong and what would be right."""
    with pytest.raises(FileError, match=message) as caught:
        read(*lines)
    assert len(caught.value.problems) == 1


def test_every_fault_is_found_in_file_order():
    """Several faults are reported together, from the top down."""
    with pytest.raises(FileError, match=r"^rain\.csv:2:3: .*\nrain\.csv:4: .*\nrain\.csv:5:3: "):
        read("time [s],depth [mm]", "0,x", "5,0", "4,1", "6,-1")


@settings(max_examples=150, deadline=None)
@given(st.text(alphabet='time[s],;depth[m]\n0123456789.-+eE"#() /hnaftl\x00\x85', max_size=80))
def test_any_text_is_read_or_refused(text):
    """Whatever the text, the outcome is rain or a FileError, never another exception."""
    for body in (text, "time [s],depth [mm]\n0,0\n" + text, "time;total [in]\n" + text):
        try:
            assert read_series(body, name="x").depth_mm >= 0
        except FileError as error:
            assert error.problems  # noqa: PT017 - either outcome is right


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: from_depths([(0, 0)]), r"^1 point: no span; give at least two$"),
        (lambda: from_depths([(0, 0), (0, 1)]), r"^0 s does not come after 0 s; times must rise$"),
        (lambda: from_depths([(0, 1), (1, 1)]), r"^the first depth, 1 mm, has no beginning"),
        (lambda: from_totals([(0, 1), (1, 0)]), r"^the total falls from 1 to 0 mm at 1 s; it may only grow$"),
        (
            lambda: from_intensities([(0, 1), (1, 2)], shape="steps"),
            r"^the last intensity, 2 mm/h, has no end",
        ),
        (lambda: from_intensities([(0, -1), (1, 0)], shape="linear"), r"^mm_per_h=-1 must not be negative$"),
        (lambda: steady_rain(1, duration_s=0), r"^duration_s=0 must be more than 0$"),
        (lambda: ramp(1, -2, duration_s=1), r"^mm_per_h=-2 must not be negative$"),
        (lambda: blocks([]), r"^a hyetograph needs at least one piece; for dry weather write 0 mm/h$"),
        (lambda: steady_rain(1, duration_s=1).replayed(0), r"^speed=0 must be more than 0$"),
    ],
)
def test_hyetographs_refuse(make, message):
    """Rain that cannot be is refused by the value at fault."""
    with pytest.raises(ValueError, match=message):
        make()


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(st.integers(1, 999), st.integers(0, 99)), min_size=1, max_size=8))
def test_a_series_survives_its_text(spans):
    """Blocks written as totals in CSV are read back as the same rain."""
    rain = blocks((Fraction(s, 10), Fraction(d, 10) * 36000 / s) for s, d in spans)
    lines, at, total = ["time [s],total [mm]", "0,0"], Fraction(), Fraction()
    for span, depth in spans:
        at, total = at + Fraction(span, 10), total + Fraction(depth, 10)
        lines.append(f"{float(at)!r},{float(total)!r}")
    assert read(*lines) == rain
