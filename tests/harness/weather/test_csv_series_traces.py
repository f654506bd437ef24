"""Measured series from CSV text: read, replayed, and refused with line and column."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from wind_averages import mean

from ventproof.weather.csv_series import trace_from_csv
from ventproof_bench.base.errors import FileError
from ventproof_bench.base.quantities import Dimension

TEXT = """\ufeff# mast 2, west
time min, wind km/h, house °C

0, 36, 21
1, 72, 21.5
# a note
3, 0, 22
"""


def wind(text, **more):
    return trace_from_csv(text, file="mast.csv", dimension=Dimension.SPEED, **more)


def test_a_column_is_read_in_its_unit():
    """Units of the header are converted; comments, empty lines and a byte-order mark are passed over."""
    trace = wind(TEXT)
    assert trace.times_s == (0.0, 60.0, 180.0)
    assert trace.values == pytest.approx((10.0, 20.0, 0.0))
    house = trace_from_csv(TEXT, file="mast.csv", dimension=Dimension.TEMPERATURE)
    assert house.values == pytest.approx((21.0, 21.5, 22.0))


def test_fahrenheit_is_shifted_and_scaled():
    """50 °F is 10 °C and 14 °F is -10 °C."""
    text = "time h, house °F\n0, 50\n1, 14\n"
    house = trace_from_csv(text, file="house.csv", dimension=Dimension.TEMPERATURE)
    assert house.values == pytest.approx((10.0, -10.0))
    assert house.end_s == 3600.0


@pytest.mark.parametrize(
    "text",
    [
        "time [s];wind [m/s]\n0;1,5\n2;2,5\n",
        "time (s)\twind (m/s)\n0\t1.5\n2\t2,5\n",
        '"time s","wind m/s"\r\n"0","1.5"\r\n"2","2.5"\r\n',
        "wind m/s, time s\n1.5, 7\n2.5, 9\n",
        "time, wind m/s\n2024-05-01 14:10:58, 1.5\n2024-05-01T14:11:00, 2.5\n",
        "Time, wind m/s\n2024-10-27T01:59:59+02:00, 1.5\n2024-10-27T01:00:01+01:00, 2.5\n",
    ],
)
def test_the_usual_ways_of_writing_are_read(text):
    """Separators, decimal commas, quotes, column order, and dates with and without UTC offset."""
    trace = wind(text)
    assert (trace.times_s, trace.values) == ((0.0, 2.0), (1.5, 2.5))


def test_held_values_last_until_the_next_row():
    """With `hold` each value is a step, and the last row only ends the trace."""
    trace = wind("time s, wind m/s\n0, 4\n10, 6\n20, 0\n", between="steps")
    assert (trace.before(10.0), trace.at(10.0), trace.before(20.0)) == (4.0, 6.0, 6.0)
    assert mean(trace, 0.0, 20.0) == 5.0


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(0, 400), min_size=2, max_size=20), st.sampled_from([0.1, 0.5, 2.0, 60.0]))
def test_faster_keeps_mean_and_values(tenths, faster):
    """A series played faster lasts less and has the same values and mean."""
    text = "time s, wind m/s\n" + "".join(f"{10 * k}, {v / 10}\n" for k, v in enumerate(tenths))
    slow, quick = wind(text), wind(text, faster=faster)
    assert quick.values == slow.values
    assert quick.duration_s == pytest.approx(slow.duration_s / faster)
    assert mean(quick, 0.0, quick.end_s) == pytest.approx(mean(slow, 0.0, slow.end_s))


def test_the_named_column_is_read():
    """Where several columns measure the same, the name decides."""
    text = "time s, mean m/s, gust m/s\n0, 1, 2\n1, 1, 3\n"
    assert wind(text, column="gust").values == (2.0, 3.0)


HEAD = "time s, wind m/s\n"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("# nothing\n", r"^mast.csv: the file has no header; begin it with 'time s, wind m/s'$"),
        (
            "time s, wind\n0, 1\n",
            r"^mast.csv:1: no column of 'time s,wind' measures a speed; write its unit into the",
        ),
        (
            "wind m/s\n1\n",
            r"^mast.csv:1: no column of 'wind m/s' measures a time; write .* such as 'time s'$",
        ),
        (
            "time s, a m/s, b kn\n0, 1, 2\n",
            r"^mast.csv:1: the columns 'a', 'b' all measure a speed; say which one is meant$",
        ),
        (HEAD + "0, 1\n", r"^mast.csv:1: 1 rows make no series; give 2 to 500000 rows$"),
        (HEAD + "0, 1, 2\n", r"^mast.csv:2: 3 cells under a header of 2; give each column one cell$"),
        (HEAD + "0, x\n", r"^mast.csv:2:3: 'x' is not a number; write a number in m/s$"),
        (HEAD + "0, nan\n", r"^mast.csv:2:3: 'nan' is not a number; write a number in m/s$"),
        (HEAD + "0, \n", r"^mast.csv:2:3: '' is not a number; leave rows without a reading out$"),
        (HEAD + "0, -1\n", r"^mast.csv:2:3: a wind speed of -1 m/s is impossible; give 0 or more$"),
        (
            HEAD + "0, 1\n0, 2\n",
            r"^mast.csv:3:1: the time '0' does not come after the row before; let times rise",
        ),
        (
            "time s; wind m/s\n0; 1,500\n",
            r"^mast.csv:2:3: '1,500' may mean 1500 or 1.500; write one of them$",
        ),
        (
            "time, wind m/s\nnoon, 1\n",
            r"^mast.csv:2:1: 'noon' is not a date and time; write one such as 2024-05-01 14:10",
        ),
        (
            "time, wind m/s\n2024-05-01T14:10, 1\n2024-05-01T14:20Z, 1\n",
            r"^mast.csv:3:1: some times have a UTC offset and some have none; give every row a UTC offset, or none$",
        ),
    ],
)
def test_faults_are_found_with_their_place(text, message):
    """Whatever is wrong with a file is said with line, column and what would be right."""
    with pytest.raises(FileError, match=message):
        wind(text)


def test_all_faulty_rows_are_named_at_once():
    """Three faulty rows are three problems."""
    with pytest.raises(FileError, match=r"mast.csv:2.*\n.*mast.csv:4.*\n.*mast.csv:5") as caught:
        wind(HEAD + "0, x\n1, 1\n2, y\n3\n")
    assert [p.line for p in caught.value.problems] == [2, 4, 5]


def test_an_unknown_column_is_answered_with_those_that_would_do():
    """A wrong column name brings the right ones."""
    with pytest.raises(FileError, match=r"no column 'gust' measures a speed; columns that do: 'wind'$"):
        wind(TEXT, column="gust")


@pytest.mark.parametrize("faster", [0.0, -2.0, float("inf")])
def test_time_runs_forward(faster):
    """A speed-up must be a positive number."""
    with pytest.raises(
        ValueError, match=r"^faster=.* must be more than 0; 2 plays the series twice as fast$"
    ):
        wind(TEXT, faster=faster)
