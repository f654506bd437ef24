"""Network ports of outputs are looked at before anything is driven."""

from __future__ import annotations

import asyncio
import socket
from dataclasses import astuple

import pytest
import yaml

from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.rig.probing import probe


def bench(bus_port, port):
    """Return a bench with two outputs at one network port; one may cut the unit's supply, so no unit is asked."""
    outputs = {
        name: {
            "driver": "scpi",
            "wired": {"port": f"socket://127.0.0.1:{port}", "channel": channel},
            "safe": safe,
        }
        for channel, (name, safe) in enumerate({"rain": "open", "supply": "closed"}.items(), 1)
    }
    bus = {"link": "tcp", "host": "127.0.0.1", "tcp_port": bus_port, "timeout": "100 ms"}
    flag = {"bus": "unit", "unit_id": 1, "table": "discrete", "address": 0, "type": "bit", "unit": "flag"}
    parts = {"buses": {"unit": bus}, "outputs": outputs, "signals": {"rain_override": flag}}
    return read_bench("bench.yaml", yaml.safe_dump({"bench": "a relay on the network", **parts})).model


@pytest.mark.parametrize("listens", [True, False])
def test_a_relay_on_the_network_that_accepts_no_connection_is_lacking(listens):
    """It is named once, where the bench file says its port first; one that accepts is not named."""
    with (
        socket.create_server(("127.0.0.1", 0)) as unit,
        socket.create_server(("127.0.0.1", 0)) as relays,
    ):
        port = relays.getsockname()[1]
        if not listens:
            relays.close()
        found = asyncio.run(probe(bench(unit.getsockname()[1], port)))
    place = ("outputs", "rain", "wired", "port")
    said = f"socket://127.0.0.1:{port} cannot be reached: Connection refused"
    lack = (place, said, "check the cable, the device's power and its address")
    assert [astuple(one) for one in found] == ([] if listens else [lack])
