"""All slips of a file in one round: what is wrong in one part hides nothing in another, and nothing is made up."""

from __future__ import annotations

import random

import pytest
import yaml
from drawing import cases
from hypothesis import given, reject
from hypothesis import strategies as st
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH, SHIPPED_TABLE
from ventproof.profile.load import read_profile
from ventproof.profile.model import Profile
from ventproof.reference.words import example_text
from ventproof.table.load import read_table
from ventproof.table.model import OverrideTable
from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.benchfile.model import BenchFile
from ventproof_bench.yamlfile.load import read_document
from ventproof_bench.yamlfile.tree import as_data, grow_tree

BENCH = """
bench: a unit, a relay board and a module on one line
buses:
  line: {link: rtu, port: /dev/ttyUSB0, baud: 19200, parity: even}
  net: {link: tcp, host: 192.0.2.7}
outputs:
  rain: {driver: coil, wired: {bus: line, unit_id: 2, coil: 0}, operate: 8 ms}
  hail: {driver: coil, wired: {bus: line, unit_id: 2, coil: 1}, counted_by: hail_count}
  wind: {driver: coil, wired: {bus: line, unit_id: 2, coil: 2}, sensor: {cups: {slope: 1.2}}}
  house: {kind: register, driver: register, wired: {bus: line, table: holding, address: 0}, unit: °C}
  outside:
    kind: level
    driver: register
    wired: {bus: line, unit_id: 3, table: holding, address: 4}
    signal: 4-20 mA
    range: [-30 °C, 50 °C]
signals:
  roof_vent: {bus: line, reference: 30001, scale: 0.1, unit: "%", full_travel: 28 s}
  rain_override: {bus: line, reference: 30002, bit: 0, unit: flag, keeps_for: 1 s}
  hail_count: {bus: line, table: input, address: 5, type: u32, unit: count}
  stage: {bus: net, table: input, address: 9, unit: state, states: {shut: 0, first: 1}}
  guard: {bus: net, table: discrete, address: 0, unit: flag}
interlock: {signal: guard}
"""

PROFILE = shipped_path("rain-closes-holds-releases").read_text(encoding="utf-8")
TABLE = SHIPPED_TABLE.read_text(encoding="utf-8")

SLIPS = {
    "bench": (
        read_bench,
        BENCH,
        [
            ("baud: 19200", "buad: 19200", "did you mean 'baud'?"),
            ("host: 192.0.2.7", "host: 192.0.2.7, tcp_port: 70000", "must be at most 65535"),
            ("operate: 8 ms", "operate: 8", "expected a time, found '8', a number without unit"),
            ("counted_by: hail_count", "counted_by: hail_cuont", "there is no signal 'hail_cuont'"),
            ("unit_id: 2, coil: 2", "unit_id: 0, coil: 2", "unit_id 0 addresses all units"),
            ("address: 0}, unit: °C", "address: 40001}, unit: °C", "looks like a reference number"),
            ("range: [-30 °C, 50 °C]", "range: [-30 °C, 50 %]", "must be two values of one unit"),
            ("reference: 30001", "reference: 50001", "reference 50001 begins with 5"),
            ("bit: 0, unit: flag", "bit: 16, unit: flag", "16 must be at most 15"),
            ("type: u32, unit: count", "type: u23, unit: count", "did you mean 'u32'?"),
            ("bus: net, table: input", "bus: nte, table: input", "there is no bus 'nte'"),
            ("shut: 0, first: 1", "shut: 0, first: 0", "has the value 0 of state 'shut'"),
            ("interlock: {signal: guard}", "interlock: {signal: gaurd}", "there is no signal 'gaurd'"),
        ],
    ),
    "profile": (
        read_profile,
        PROFILE,
        [
            ("- close: rain", "- colse: rain", "did you mean 'close'?"),
            ("equals: on, within: 3 s", "equals: no, within: 3 s", "'no'"),
            ("signal: side_vent, reaches", "signal: side_vnet, reaches", "did you mean 'side_vent'?"),
            ("- open: rain", "- open: rian", "did you mean 'rain'?"),
        ],
    ),
    "table": (
        read_table,
        TABLE,
        [
            (
                "starts_within: 600 ms",
                "starts_within: 600",
                "expected a time, found '600', a number without unit",
            ),
            ("modes: [open], fails_after", "modes: [opne], fails_after", "did you mean 'open'?"),
            ("contact: rain, debounce", "contcat: rain, debounce", "contcat"),
            ("below: 2 °C, ends_at: 3 °C", "below: 2 °C, ends_at: 3 mm", "3 mm"),
            (
                "positions: {roof: 8 %, side: 45 %}",
                "positions: {rof: 8 %, side: 45 %}",
                "there is no vent 'rof'",
            ),
        ],
    ),
}
ROUNDS = [
    (kind, seed) for kind, many in (("bench", 14), ("profile", 4), ("table", 4)) for seed in range(many)
]


@pytest.mark.parametrize(("kind", "seed"), ROUNDS)
def test_several_slips_of_a_file_are_told_in_one_round(kind, seed):
    """Three to five at a time, in different parts: each is named, and nothing beside them."""
    read, text, slips = SLIPS[kind]
    read("file.yaml", text)
    chosen = random.Random(seed).sample(slips, min(3 + seed % 3, len(slips)))
    for old, new, _ in chosen:
        assert old in text
        text = text.replace(old, new, 1)
    with pytest.raises(FileError) as caught:
        read("file.yaml", text)
    told = [str(problem) for problem in caught.value.problems]
    for _, _, says in chosen:
        assert any(says in one for one in told), (says, told)
    assert len(told) == len(chosen), told


FILES = {
    "bench": (read_bench, BenchFile, BENCH, None),
    "vents": (read_bench, BenchFile, example_text("bench-vents.yaml"), None),
    "people": (read_bench, BenchFile, example_text("bench-people.yaml"), None),
    "wires": (read_bench, BenchFile, example_text("bench-wires.yaml"), None),
    "mock": (read_bench, BenchFile, SHIPPED_BENCH.read_text(encoding="utf-8"), None),
    "rtu": (
        read_bench,
        BenchFile,
        SHIPPED_BENCH.with_name("mock-rtu.yaml").read_text(encoding="utf-8"),
        None,
    ),
    "profile": (read_profile, Profile, PROFILE, "values"),
    "table": (read_table, OverrideTable, TABLE, None),
}
GARBAGE = st.sampled_from([None, [], {}, "?", -1, 1.5, "12 kg", {"x": 1}, True, "a b", [1, 2, 3]])


def _leaves(data, path=()):
    if isinstance(data, dict | list):
        for key, value in data.items() if isinstance(data, dict) else enumerate(data):
            if not isinstance(value, dict | list):
                yield (*path, key)
            yield from _leaves(value, (*path, key))


@pytest.mark.parametrize("name", FILES)
@given(data=st.data())
@cases(25, 500)
def test_nothing_is_made_up_of_what_one_wrong_part_leaves(name, data):
    """Where the structure is wrong in one place, no other place is blamed: the rest is as right as before."""
    read, model, text, values = FILES[name]
    tree = as_data(grow_tree(text)[0])
    path = data.draw(st.sampled_from(sorted(_leaves(tree), key=str)))
    parent = tree
    for key in path[:-1]:
        parent = parent[key]
    parent[path[-1]] = data.draw(GARBAGE)
    changed = yaml.safe_dump(tree, allow_unicode=True, sort_keys=False)
    try:
        read_document("file.yaml", changed, model, values_key=values)
    except FileError as error:
        structure = error.problems
    else:
        reject()
    with pytest.raises(FileError) as caught:
        read("file.yaml", changed)
    assert caught.value.problems == structure
