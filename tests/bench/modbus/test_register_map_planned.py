"""The planner reads every signal, whole, in the fewest requests that the bus allows."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof_bench.benchfile.model import InProcessBus, TcpBus
from ventproof_bench.benchfile.signals import SignalSpec
from ventproof_bench.modbus.register_map import plan_reads, width


def signal(address, kind="u16", **fields):
    """Return a signal in the input registers of unit 1."""
    raw = {"bus": "unit", "table": "input", "address": address, "type": kind, "unit": "count", **fields}
    return SignalSpec.model_validate(raw)


def bus(**fields):
    """Return an in-process bus."""
    return InProcessBus.model_validate({"link": "in-process", **fields})


def requests_of(plan):
    """Return the requests as (unit, table, address, count)."""
    return [(r.unit_id, r.table, r.address, r.count) for r in plan.requests]


def test_neighbours_share_a_request_and_gaps_are_crossed_as_declared():
    """Unused registers are read across up to `longest_gap` and no further."""
    signals = {"a": signal(0), "b": signal(3), "c": signal(6, "u32")}
    assert requests_of(plan_reads(signals, bus())) == [
        (1, "input", 0, 1),
        (1, "input", 3, 1),
        (1, "input", 6, 2),
    ]
    assert requests_of(plan_reads(signals, bus(longest_gap=2))) == [(1, "input", 0, 8)]


def test_units_and_tables_are_read_apart():
    """One request reads one table of one unit."""
    signals = {
        "a": signal(0),
        "b": signal(1, unit_id=2),
        "c": signal(1, table="holding"),
        "d": signal(1, "bit", table="coil"),
    }
    assert requests_of(plan_reads(signals, bus())) == [
        (1, "coil", 1, 1),
        (1, "holding", 1, 1),
        (1, "input", 0, 1),
        (2, "input", 1, 1),
    ]


def test_values_are_taken_from_their_places():
    """Each signal is decoded from its own registers of the shared reply, several bits of one register too."""
    signals = {
        "count": signal(2, "u32"),
        "rain": signal(4, "bit", bit=0, unit="flag"),
        "wind": signal(4, "bit", bit=3, unit="flag"),
        "roof": signal(0, scale=0.1, unit="%"),
    }
    (read,) = plan_reads(signals, bus(longest_gap=1)).reads
    assert read.decode((995, 0, 0, 7, 8)) == ({"roof": 99.5, "count": 7, "rain": 0, "wind": 1}, ())


def test_signal_without_a_number_does_not_cost_the_others():
    """What is wrong with one signal of a reply is told apart from the values of the rest."""
    (read,) = plan_reads({"roof": signal(0), "house": signal(1, "f32")}, bus()).reads
    values, wrong = read.decode((5, 0x7FC0, 0))
    assert values == {"roof": 5}
    assert list(map(str, wrong)) == ["house: not a number (registers 7FC0 0000 as a 32-bit float)"]


@pytest.mark.parametrize(
    ("signals", "spec", "message"),
    [
        (
            {"a": signal(0, "u32")},
            bus(most_registers=1),
            "a: type u32 takes two registers, but most_registers allows only one",
        ),
        (
            {"a": signal(0, unit_id=0)},
            bus(framing="rtu"),
            "a: unit_id 0 is the broadcast address, which no unit answers; use 1 to 247",
        ),
        (
            {"a": signal(0), "b": signal(0, bus="other")},
            bus(),
            "one plan reads one bus, but the signals are on other, unit",
        ),
    ],
)
def test_what_cannot_be_read_is_refused(signals, spec, message):
    """A signal that no request of this bus can hold is refused with the reason."""
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        plan_reads(signals, spec)


def test_unit_zero_is_a_unit_on_tcp():
    """On TCP unit 0 is the device at the other end."""
    spec = TcpBus.model_validate({"link": "tcp", "host": "unit.example"})
    assert requests_of(plan_reads({"a": signal(0, unit_id=0)}, spec)) == [(0, "input", 0, 1)]


_kinds = st.sampled_from(["u16", "u32", "f32"])
_signals = st.lists(st.tuples(st.integers(0, 12), _kinds), min_size=1, max_size=6)


def partitions(items):
    """Yield every way to share out items among requests."""
    if not items:
        yield []
        return
    head, *rest = items
    for partition in partitions(rest):
        yield [[head], *partition]
        for i, part in enumerate(partition):
            yield [*partition[:i], [head, *part], *partition[i + 1 :]]


def permissible(part, used, longest_gap, most):
    """Whether one request may read these spans: short enough, no long run of unused registers."""
    first, end = min(s[0] for s in part), max(s[1] for s in part)
    run = longest = 0
    for register in range(first, end):
        run = 0 if register in used else run + 1
        longest = max(longest, run)
    return end - first <= most and longest <= longest_gap


@settings(max_examples=80, deadline=None)
@given(raw=_signals, longest_gap=st.integers(0, 4), most=st.integers(2, 8))
def test_no_other_plan_takes_fewer_requests(raw, longest_gap, most):
    """Against every way to share the signals out, and every signal lies whole within its request."""
    signals = {f"s{n}": signal(address, kind) for n, (address, kind) in enumerate(raw)}
    plan = plan_reads(signals, bus(longest_gap=longest_gap, most_registers=most))
    spans = [(address, address + width(signals[f"s{n}"])) for n, (address, _) in enumerate(raw)]
    used = {register for first, end in spans for register in range(first, end)}
    fewest = min(
        len(p) for p in partitions(spans) if all(permissible(part, used, longest_gap, most) for part in p)
    )
    assert len(plan.reads) == fewest
    planned = [name for read in plan.reads for name, _, _ in read.fields]
    assert sorted(planned) == sorted(signals)
    for read in plan.reads:
        assert read.request.count <= most
        for name, at, _ in read.fields:
            assert read.request.address + at == signals[name].address
            assert at + width(signals[name]) <= read.request.count


@settings(max_examples=30, deadline=None)
@given(
    addresses=st.lists(st.integers(0, 5000), min_size=1, max_size=40, unique=True), most=st.integers(1, 2000)
)
def test_bits_keep_to_their_own_limit(addresses, most):
    """Requests for coils hold no more than `most_bits`, whatever the registers' limit."""
    signals = {f"s{a}": signal(a, "bit", table="coil", unit="flag") for a in addresses}
    plan = plan_reads(signals, bus(longest_gap=124, most_registers=1, most_bits=most))
    assert all(r.count <= most for r in plan.requests)
    assert sum(len(read.fields) for read in plan.reads) == len(addresses)
