"""Comparisons and trends for other programs: what the published schemas promise."""

from __future__ import annotations

import json
from dataclasses import replace

import jsonschema
import pytest

from ventproof.compare.comparison import compare
from ventproof.compare.measures import ShiftLimits
from ventproof.compare.published import json_of, json_of_trend, schema_of_comparison, schema_of_trend
from ventproof.compare.side import side_of
from ventproof.compare.trend import trend
from ventproof.verdict.finding import Status
from ventproof_bench.base.evidence import Window
from ventproof_bench.mock.faults.fault import GivenFault


@pytest.fixture
def runs(logged, finding):
    """A good version, and one with a fault that is late, fails, and has a profile more; names to beware of."""
    good = logged(digest="a", findings=(finding(), finding(signal="roof_vent"))).run
    failed = finding(signal="roof_vent", status=Status.FAIL, why="98 % \ud800; required 48 to 52 %")
    late = finding(response_s=Window(27.0, 27.4))
    made = logged(firmware="1.1", digest="b", verdict="fail", findings=(late, failed)).run
    bad = replace(made, faults=(GivenFault("slow_travel", 2),), clock="virtual", started=None)
    more = replace(bad, digest="c", profile="frost \ud800", profile_sha256="dd" * 32)
    return [good], [bad, more]


def test_a_comparison_is_as_its_schema_says(runs):
    """Values of both sides, the fault, and what each change means can be read without a word of prose."""
    base, candidate = (side_of(name, those) for name, those in zip(("1.0", "1.1"), runs, strict=True))
    made = json.loads(json_of(compare(base, candidate, ShiftLimits())))
    jsonschema.validate(made, schema_of_comparison(), cls=jsonschema.Draft202012Validator)
    assert made["outcome"] == "worse"
    assert made["candidate"]["faults"] == [{"name": "slow_travel", "severity": 2.0}]
    (flip,) = made["changed_verdicts"]
    assert (flip["base"]["worst"], flip["candidate"]["worst"], flip["became"]) == ("pass", "fail", "worse")
    assert flip["candidate"]["observed"] == "98 % ?; required 48 to 52 %"
    late = next(one for one in made["differences"] if one["measure"] == "time" and one["became"] == "worse")
    assert (late["base"], late["candidate"], late["unit"]) == ([21.1, 21.5], [27.0, 27.4], "s")
    assert [one["profile"] for one in made["one_side_only"]] == ["frost ?"]


def test_a_trend_is_as_its_schema_says(runs):
    """The versions stand in their order, with their verdicts and faults."""
    made = json.loads(json_of_trend(trend(side_of("all", [*runs[0], *runs[1]]), ShiftLimits())))
    jsonschema.validate(made, schema_of_trend(), cls=jsonschema.Draft202012Validator)
    assert [(one["firmware"], one["verdicts"]) for one in made["versions"]] == [
        ("1.0", {"pass": 1}),
        ("1.1", {"fail": 2}),
    ]
    assert made["outcome"] == "fail"
    assert [one["became"] for one in made["changed_verdicts"]] == ["worse"]
    assert {one["firmware"] for one in made["changes"]} == {"1.1"}


@pytest.mark.parametrize("schema", [schema_of_comparison, schema_of_trend])
def test_every_key_is_explained_and_required(schema):
    """Who writes a reader finds each key, and may rely on it."""
    made = schema()
    for part in (made, *made["$defs"].values()):
        assert set(part["required"]) == set(part["properties"])
        assert part["description"]
        assert all(one.get("description") for one in part["properties"].values())
