"""Bench files on real wires, made at random: every kind of output, any names, any terminals."""

from __future__ import annotations

import json

from hypothesis import strategies as st

from ventproof_bench.benchcheck.load import read_bench

HOSTILE = "<script>&\"'{{x}}{%#set page(1)$*_`\\~@"
markings = st.text(
    alphabet=st.characters(categories=["L", "N", "P", "S"], include_characters=HOSTILE),
    min_size=1,
    max_size=16,
).filter(str.isprintable)
NAMES = st.from_regex(r"[a-z][a-z0-9_]{0,39}", fullmatch=True)

_BUSES = (
    {"link": "rtu", "port": "/dev/serial/by-id/usb-{}"},
    {"link": "ascii", "port": "/dev/ttyUSB{}", "parity": "none"},
    {"link": "tcp", "host": "192.0.2.{}"},
    {"link": "rtu-over-tcp", "host": "serial-server-{}.osmerley.example", "tcp_port": 4001},
)
_KINDS = (
    (("contact", "common", "supply", "return"), {"driver": "coil"}),
    (("contact", "common"), {"driver": "coil", "sensor": {"bucket": {"tip": "0.2 mm"}}}),
    (("contact",), {"driver": "coil", "at_rest": "closed", "sensor": {"cups": {"slope": 0.6}}}),
    (("contact",), {"driver": "scpi", "at_rest": "closed", "safe": "closed"}),
    (("contact",), {"driver": "control-line"}),
    (("contact",), {"driver": "frames"}),
    (("signal", "common"), {"kind": "level", "signal": "4-20 mA", "range": ["0 °C", "50 °C"], "safe": 12}),
    (("signal",), {"kind": "level", "signal": "0-10 V", "range": ["0 %", "100 %"]}),
    (("signal", "supply"), {"kind": "level", "signal": "ratio", "supply": "5 V", "range": ["0 %", "100 %"]}),
    (("high", "low", "high_sense", "low_sense"), {"kind": "resistance", "sensor": "pt1000"}),
    (("low_sense",), {"kind": "resistance", "sensor": "ntc", "ntc": {"ohm": 10000, "beta": 3950}}),
    (("high",), {"kind": "resistance", "sensor": "potentiometer", "potentiometer": {"ohm": [20, 4980]}}),
    (("supply", "return"), {"kind": "supply", "limits": ["10 V", "30 V"], "safe": 24}),
    ((), {"kind": "register", "unit": "°C"}),
)


@st.composite
def wires(draw, roles):
    """Draw what a bench file says of some wires: anything from nothing to all."""
    made = {}
    for role in roles:
        wire = {key: draw(markings) for key in ("bench", "unit", "colour") if draw(st.booleans())}
        if wire:
            made[role] = wire
    if draw(st.booleans()):
        made["shield"] = draw(st.sampled_from(["bench", "unit", "none"]))
    return made


def _place(at, bus, spec):
    """Where output number `at` is, so that no two are in one place."""
    if spec["driver"] == "coil":
        return {"bus": bus, "unit_id": 2, "coil": at}
    if spec["driver"] == "register":
        unit = 1 if spec["kind"] == "register" else 3
        return {"bus": bus, "unit_id": unit, "table": "holding", "address": 2 * at, "type": "u32"}
    if spec["driver"] == "frames":
        return {"port": "/dev/ttyS1", "channel": at, "on": "55 {channel} 01", "off": "55 {channel} 00"}
    if spec["driver"] == "control-line":
        return {"port": f"/dev/ttyS2{at}", "line": "rts"}
    return {"port": "socket://192.0.2.99:5025", "channel": at}


@st.composite
def wired_benches(draw):
    """Draw a bench file with one to eight outputs on one to four buses, loaded."""
    buses = {}
    for name in draw(st.lists(NAMES, min_size=1, max_size=4, unique=True)):
        buses[name] = json.loads(json.dumps(draw(st.sampled_from(_BUSES))).replace("{}", str(len(buses))))
        if buses[name]["link"] in ("rtu", "ascii") and (of_line := draw(wires(("a", "b", "common")))):
            buses[name]["wires"] = of_line
    outputs, contacts = {}, []
    for at, name in enumerate(draw(st.lists(NAMES, min_size=1, max_size=8, unique=True))):
        roles, spec = draw(st.sampled_from(_KINDS))
        spec = {"driver": "register", **spec}
        if contacts and spec.get("kind") in ("level", "resistance") and draw(st.booleans()):
            spec["breaks_with"] = contacts.pop()
        elif spec.get("at_rest") == "closed" and "sensor" not in spec:
            contacts.append(name)
        if contacts[-1:] == [name]:
            roles = ()  # it may come to stand in another output's wire
        if roles and (named := draw(wires(roles))):
            spec["wires"] = named
        outputs[name] = spec | {"wired": _place(at, draw(st.sampled_from(sorted(buses))), spec)}
    signals = {
        name: {
            "bus": sorted(buses)[at % len(buses)],
            "unit_id": draw(st.sampled_from([1, 2, 7])),
            "table": "input",
            "address": at,
            "unit": "count",
        }
        for at, name in enumerate(draw(st.lists(NAMES, min_size=4, max_size=6, unique=True)))
    }
    title = draw(st.text(alphabet=HOSTILE + "ab é漢", min_size=1, max_size=60).filter(str.strip))
    bench = {"bench": title, "about": draw(markings), "buses": buses, "outputs": outputs, "signals": signals}
    return read_bench(
        draw(st.sampled_from(["bench.yaml", "my bench's <file>.yaml"])), json.dumps(bench, ensure_ascii=False)
    )
