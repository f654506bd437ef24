"""Network endpoints belong to one run at a time on one computer."""

from __future__ import annotations

import os

import pytest

from ventproof.cli.options import SHIPPED_BENCH
from ventproof_bench.base.errors import LinkError
from ventproof_bench.benchcheck.load import load_bench
from ventproof_bench.rig.ports import PortHold, network_endpoints


def test_buses_and_outputs_over_the_network_are_endpoints():
    """Hosts with ports and URLs count; serial devices are held by their own locks, and the mock needs none."""
    files = SHIPPED_BENCH.parent
    assert network_endpoints(load_bench(files / "mock-tcp.yaml").model) == [
        "127.0.0.1:15020",
        "socket://127.0.0.1:15025",
    ]
    assert network_endpoints(load_bench(files / "mock-rtu.yaml").model) == ["rfc2217://127.0.0.1:15026"]
    assert network_endpoints(load_bench(SHIPPED_BENCH).model) == []


def test_a_second_run_is_refused_until_the_first_lets_go(tmp_path):
    """Who comes second is told, and gets the endpoint once it is free."""
    endpoint = f"192.0.2.1:{tmp_path.name}"
    first, second = PortHold([endpoint]), PortHold([endpoint])
    first.take()
    with pytest.raises(
        LinkError,
        match=rf"^another command on this computer holds {endpoint}, process {os.getpid()} \(.*\); let it finish,",
    ):
        second.take()
    first.release()
    second.take()
    second.release()
