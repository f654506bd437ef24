"""A named value, alone or in a sum with quantities, stands for what it comes to."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof_bench.base.quantities import parse
from ventproof_bench.yamlfile.sums import names_in, sum_of
from ventproof_bench.yamlfile.tree import as_data, grow_tree, put_values

# A minute, an hour and a day in seconds: SI brochure (9th edition), table 8.
SECONDS = {
    "ms": Decimal("0.001"),
    "s": Decimal(1),
    "min": Decimal(60),
    "h": Decimal(3600),
    "d": Decimal(86400),
}

terms = st.tuples(
    st.sampled_from("+-"),
    st.decimals(0, 1000, places=2),
    st.sampled_from(sorted(SECONDS)),
    st.booleans(),
)


def put(text):
    tree, faults = grow_tree(text)
    assert not faults
    return [(f.line, f.column, f.reason, f.hint) for f in put_values(tree, "values")], as_data(tree)


@given(st.lists(terms, min_size=1, max_size=6))
def test_a_sum_of_times_is_what_decimal_arithmetic_says(drawn):
    """Whatever the units, and whether a term is named or written out."""
    values = {f"v{n}": f"{number} {unit}" for n, (_, number, unit, _) in enumerate(drawn)}
    said = [f"$v{n}" if named else values[f"v{n}"] for n, (*_, named) in enumerate(drawn)]
    text = said[0] + "".join(f" {sign} {term}" for (sign, *_), term in zip(drawn[1:], said[1:], strict=True))
    expected = drawn[0][1] * SECONDS[drawn[0][2]] + sum(
        (1 if sign == "+" else -1) * number * SECONDS[unit] for sign, number, unit, _ in drawn[1:]
    )
    assert names_in(text) == tuple(f"v{n}" for n, (*_, named) in enumerate(drawn) if named)
    assert parse(sum_of(text, values)).value == pytest.approx(float(expected), rel=1e-11, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "comes_to"),
    [
        ("$delay", "20 min"),
        ("$delay + 5 s", "1205 s"),
        ("$delay - 100 ms - $delay", "-0.1 s"),
        ("0.1 s + $tenths", "0.3 s"),
        ("90 % + $band", "92 %"),
        ("$n + 2", "5"),
    ],
)
def test_a_value_is_put_where_it_is_named(text, comes_to):
    """The text that stands there then is a quantity as anyone would write it."""
    head = "values: {delay: 20 min, tenths: 200 ms, band: 2 %, n: 3}\n"
    assert put(f"{head}at: {text}\n")[1]["at"] == comes_to


@pytest.mark.parametrize(
    "text", ["$delay+5 s", "$delay +5 s", "2 * $delay", "$delay \u2212 5 s", "5 s+$delay"]
)
def test_what_was_meant_as_a_sum_says_how_one_is_written(text):
    """Signs without spaces, products, and the sign of typesetters."""
    faults, _ = put(f"values: {{delay: 20 min}}\nat: {text!r}\n")
    hint = "write values and quantities with spaces around + or -, such as '$delay + 5 s'"
    assert faults == [(2, 5, f"{text!r} is not a sum", hint)]


@pytest.mark.parametrize(
    "text",
    ["rain - $delay", "about $delay", "5 s + 3 s", "", "a + b", "costs 5 $ - or $x", "$delay, and 3 more"],
)
def test_any_other_text_stays_as_it_is(text):
    """A sum has spaces around its signs, and nothing in it but names and quantities."""
    faults, data = put(f"values: {{delay: 20 min}}\nat: {text!r}\n")
    assert (faults, data["at"]) == ([], text)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("$dely + 5 s", ("$dely is not among the profile's values", "did you mean $delay?")),
        (
            "$delay + $band",
            (
                "'$delay + $band' adds '20 min' and '2 %', which are of different kinds",
                "add times to times, positions to positions",
            ),
        ),
        (
            "$delay + 3",
            (
                "'$delay + 3' adds '20 min' and '3', which are of different kinds",
                "add times to times, positions to positions",
            ),
        ),
        (
            "$hot - 3 °F",
            ("'$hot - 3 °F' adds degrees Fahrenheit", "write values that are added in °C"),
        ),
        ("$word + 1 s", ("'closed' is not a quantity", "write a number and a unit, such as '90 s' or '8 %'")),
    ],
)
def test_what_cannot_be_added_is_refused_where_it_stands(text, said):
    """One message, at the sum."""
    head = "values: {delay: 20 min, band: 2 %, hot: 30 °F, word: closed}\n"
    assert put(f"{head}at: {text}\n")[0] == [(2, 5, *said)]


def test_a_value_is_no_sum_of_others():
    """A value refers to no other."""
    ((line, column, reason, _),), _ = put("values:\n  a: 5 s\n  b: $a + 3 s\n")
    assert (line, column, reason) == (3, 6, "the value 'b' refers to another value, $a + 3 s")
