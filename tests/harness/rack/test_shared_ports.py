"""Two places of a rack share no port, no host with its port, and no unit."""

from __future__ import annotations

import socket

import pytest

from ventproof.rack.shared import shared_problems
from ventproof.runset.rack_file import load_rack
from ventproof_bench.benchcheck.load import load_bench

BUS = {
    "tcp": "{link: tcp, host: HOST, tcp_port: PORT, poll_every: 100 ms, timeout: 300 ms}",
    "rtu": "{link: rtu, port: PORT, baud: 19200, poll_every: 200 ms, timeout: 300 ms}",
}
BENCH = """
bench: a house
buses:
  unit: BUS
signals:
  roof_vent: {bus: unit, table: input, address: 1, unit: '%', scale: 0.1, full_travel: 30 s, refreshed_every: 200 ms}
outputs:
  rain: {driver: DRIVER, wired: WIRED, operate: 8 ms, release: 8 ms, bounce: 3 ms}
"""


def bench(folder, name, bus, relay="{port: RELAY, line: rts}", driver="control-line"):
    """Write a bench file and return its name."""
    wired = relay.replace("RELAY", f"/dev/relay-{name}")
    text = BENCH.replace("BUS", bus).replace("DRIVER", driver).replace("WIRED", wired)
    (folder / f"{name}.yaml").write_text(text, encoding="utf-8")
    return f"{name}.yaml"


def tcp(host="10.0.0.7", port="502"):
    return BUS["tcp"].replace("HOST", host).replace("PORT", port)


def rtu(port):
    return BUS["rtu"].replace("PORT", port)


def found(folder, left, right, units=("V-1", "V-2")):
    """Return what is found shared by two places, in words."""
    file = folder / "rack.yaml"
    places = "".join(
        f"  {name}: {{bench: {bench}, unit: {unit}}}\n"
        for name, bench, unit in zip(("left", "right"), (left, right), units, strict=True)
    )
    file.write_text(f"rack: bay\nprofiles: [rain.yaml]\nplaces:\n{places}", encoding="utf-8")
    rack = load_rack(file)
    benches = {name: load_bench(folder / place.bench) for name, place in rack.model.places.items()}
    return [str(one) for one in shared_problems(rack, benches)]


def test_the_same_host_and_port_is_refused_with_all_three_places(tmp_path):
    """The line and column are those of the second place in the rack file; both bench files are named with theirs."""
    left, right = bench(tmp_path, "left", tcp()), bench(tmp_path, "right", tcp())
    (said,) = found(tmp_path, left, right)
    assert said == (
        f"{tmp_path}/rack.yaml:5:18: place right has a port of place left (10.0.0.7:502, {tmp_path}/right.yaml:4:27; "
        f"10.0.0.7:502, {tmp_path}/left.yaml:4:27); give each place a port or host of its own"
    )


def test_another_port_of_the_same_host_is_another_place(tmp_path):
    """A serial server has a port a line."""
    assert found(tmp_path, bench(tmp_path, "left", tcp()), bench(tmp_path, "right", tcp(port="503"))) == []


@pytest.mark.parametrize("other", ["LOCALHOST", "127.0.0.1", "localhost"])
def test_two_names_of_one_host_are_one_host(tmp_path, other):
    """Names are looked up where the ports are the same."""
    (said,) = found(tmp_path, bench(tmp_path, "left", tcp("localhost")), bench(tmp_path, "right", tcp(other)))
    assert "has a port of place left" in said


def test_names_are_not_looked_up_where_ports_differ(tmp_path, monkeypatch):
    """No network is asked what cannot matter."""
    monkeypatch.setattr(socket, "getaddrinfo", lambda *_: pytest.fail("a name was looked up"))
    left, right = bench(tmp_path, "left", tcp("north")), bench(tmp_path, "right", tcp("south", "503"))
    assert found(tmp_path, left, right) == []


def test_links_to_one_device_are_one_port(tmp_path):
    """The stable names below /dev/serial/by-id are links; a device is found behind each."""
    (tmp_path / "device").touch()
    (tmp_path / "by-id").symlink_to(tmp_path / "device")
    left = bench(tmp_path, "left", rtu(str(tmp_path / "device")))
    right = bench(tmp_path, "right", rtu(str(tmp_path / "by-id")))
    (said,) = found(tmp_path, left, right)
    assert f"{tmp_path}/by-id, {tmp_path}/right.yaml:4:" in said


@pytest.mark.parametrize("url", ["socket://10.0.0.7:502", "rfc2217://10.0.0.7:502"])
def test_a_relay_board_over_a_network_is_shared_with_a_bus_too(tmp_path, url):
    """It is the host and the port that two runs must not open, whatever speaks there."""
    left = bench(tmp_path, "left", tcp())
    right = bench(tmp_path, "right", tcp("10.0.0.8"), relay=f"{{port: '{url}', line: rts}}")
    (said,) = found(tmp_path, left, right)
    assert f"({url}, {tmp_path}/right.yaml:" in said


def test_one_relay_port_is_refused_on_buses_of_their_own(tmp_path):
    """A board with relays for two places can be driven by one process only."""
    relay = "{port: /dev/board, line: rts}"
    left = bench(tmp_path, "left", tcp(), relay=relay)
    right = bench(tmp_path, "right", tcp("10.0.0.8"), relay=relay.replace("rts", "dtr"))
    (said,) = found(tmp_path, left, right)
    assert "(/dev/board, " in said


def test_one_unit_at_two_places_is_a_slip(tmp_path):
    """Its serial number would stand in the record of another unit."""
    left, right = bench(tmp_path, "left", tcp()), bench(tmp_path, "right", tcp("10.0.0.8"))
    (said,) = found(tmp_path, left, right, units=("V-1", "V-1"))
    assert "rack.yaml:5:36: unit V-1 is also at place left;" in said
    (said,) = found(tmp_path, left, right, units=("V-1", "v-1"))
    assert "rack.yaml:5:36: unit v-1 is also at place left, written V-1;" in said
