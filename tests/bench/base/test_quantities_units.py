"""Quantities: what files may write, and what is refused."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.quantities import (
    UNITS,
    Dimension,
    canonical_symbol,
    dimension_of,
    parse,
    parse_as,
    span_text,
)


@pytest.mark.parametrize(
    ("text", "value", "dimension"),
    [
        ("90 s", 90, Dimension.TIME),
        ("250ms", 0.25, Dimension.TIME),
        ("1.5 min", 90, Dimension.TIME),
        ("2 h", 7200, Dimension.TIME),
        ("5 %", 5, Dimension.PERCENT),
        ("-3.5 °C", -3.5, Dimension.TEMPERATURE),
        ("50 °F", 10, Dimension.TEMPERATURE),
        ("12 mm/h", 12, Dimension.RAIN_INTENSITY),
        ("850 W/m2", 850, Dimension.IRRADIANCE),
        ("78 %RH", 78, Dimension.HUMIDITY),
        ("900 ppm", 900, Dimension.CONCENTRATION),
        ("1013 hPa", 101.3, Dimension.PRESSURE),
        ("2.5 A", 2500, Dimension.CURRENT),
        ("1e3 s", 1000, Dimension.TIME),
        (7, 7, Dimension.COUNT),
    ],
)
def test_a_quantity_is_kept_in_its_canonical_unit(text, value, dimension):
    """A number and a unit become the canonical unit's number."""
    quantity = parse(text)
    assert quantity.value == pytest.approx(value)
    assert quantity.dimension is dimension


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("fast", r"^'fast' is not a quantity; write a number and a unit, such as '90 s' or '8 %'$"),
        ("5 sek", r"^'sek' is not a unit that ventproof knows; did you mean 's'\?$"),
        ("", r"^'' is not a quantity"),
        ("5 5 %", r"^'5 5 %' is not a quantity"),
        ("nan s", r"^'nan s' is not a quantity"),
    ],
)
def test_what_is_no_quantity_is_refused_with_the_way_out(text, message):
    """An unreadable quantity says what it was and what would be right."""
    with pytest.raises(ValueError, match=message):
        parse(text)


def test_a_wrong_dimension_names_both():
    """A speed where a time is wanted says so, with the units that would do."""
    with pytest.raises(ValueError, match=r"^expected a time, found '5 m/s', a speed; use ms, s, min, h, d$"):
        parse_as("5 m/s", Dimension.TIME)
    with pytest.raises(ValueError, match=r"^expected a time, found '5', a number without unit"):
        parse_as(5, Dimension.TIME)


@pytest.mark.parametrize(
    ("text", "value"),
    [("8.2 min", 492.0), ("1.1 h", 3960.0), ("0.07 h", 252.0), ("36 km/h", 10.0), ("14 °F", -10.0)],
)
def test_a_quantity_is_rounded_once(text, value):
    """What comes out whole on paper comes out whole: a hair less rain than asked for is a tip less."""
    assert parse(text).value == value


@given(st.floats(-3e4, 3e4), st.sampled_from(sorted(UNITS)))
def test_every_unit_scales_linearly(number, symbol):
    """Each unit is its factor and offset, whatever the number."""
    unit = UNITS[symbol]
    quantity = parse(f"{number!r} {symbol}")
    assert quantity.value == pytest.approx(number * unit.factor + unit.offset, rel=1e-12, abs=1e-9)
    assert quantity.dimension is dimension_of(symbol)


def test_every_dimension_has_a_canonical_unit_of_factor_one():
    """Values are kept in units that need no conversion."""
    for dimension in Dimension:
        symbol = canonical_symbol(dimension)
        assert dimension is Dimension.COUNT or (UNITS[symbol].factor, UNITS[symbol].offset) == (1.0, 0.0)


def test_conversion_factors_are_the_published_ones():
    """1 kn = 1852 m/h exactly (SI brochure); 1 mi = 1609.344 m and 1 in = 25.4 mm (yard and pound agreement, 1959)."""
    assert parse("1 kn").value == pytest.approx(0.514444, abs=1e-6)
    assert parse("1 mph").value == pytest.approx(1609.344 / 3600)
    assert parse("1 in/h").value == pytest.approx(25.4)


@pytest.mark.parametrize(
    ("span_s", "text"),
    [
        (0, "0 s"),
        (0.025, "25 ms"),
        (0.7, "0.7 s"),
        (60, "60 s"),
        (120, "2 min"),
        (5400, "90 min"),
        (10800, "3 h"),
    ],
)
def test_a_span_is_written_as_a_person_would(span_s, text):
    """Whole minutes and hours from two on, milliseconds below a tenth of a second, and seconds for the rest."""
    assert span_text(span_s) == text


@given(st.floats(0, 1e9) | st.integers(0, 10**9).map(float) | st.integers(0, 10**5).map(lambda ms: ms / 1000))
def test_a_span_is_read_as_it_was_written(span_s):
    """To the bit: what a generated profile says is what was meant."""
    assert parse_as(span_text(span_s), Dimension.TIME) == span_s


@pytest.mark.parametrize("text", ["1e308 min", "1e11 s", "-1e11 s", "40000 d"])
def test_nobody_waits_for_a_hundred_years(text):
    """A time that overflows sums, or that no computer waits for, is refused where it stands."""
    with pytest.raises(Refusal, match=r"too large|longer than a hundred years"):
        parse_as(text, Dimension.TIME)
