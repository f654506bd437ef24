"""Addresses that a page may be served at, the names by which it may be asked for, and who was let in."""

from __future__ import annotations

from ipaddress import ip_address

import numpy as np
import pytest
import zxingcpp

from ventproof.page.keys import Address, Door, address_of, new_key, qr_text
from ventproof_bench.base.errors import FileError


@pytest.mark.parametrize(
    ("text", "ip", "port"),
    [
        ("192.168.4.20", "192.168.4.20", 0),
        ("192.168.4.20:8080", "192.168.4.20", 8080),
        ("fd00::4", "fd00::4", 0),
        ("[fd00::4]", "fd00::4", 0),
        ("[fd00::4]:8080", "fd00::4", 8080),
    ],
)
def test_addresses_are_read_with_and_without_a_port(text, ip, port):
    """As RFC 3986 (3.2.2) writes them, and IPv6 without its brackets where no port follows."""
    assert address_of(text) == (ip_address(ip), port)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "bench",
        "bench.example:80",
        "0.0.0.0",
        "::",
        "[::]:80",
        "192.168.4.20:x",
        "1.2.3.4:65536",
        "1.2.3.4:-1",
    ],
)
def test_what_is_no_address_of_one_network_is_refused(text):
    """A name, every network at once, and ports that are none say what would be right."""
    with pytest.raises(FileError, match=r"--listen: .*; write "):
        address_of(text)


def test_a_server_answers_to_its_own_address_alone():
    """On a network to the address, on the loopback to `localhost` too; a usual port may be left out."""
    assert Address(ip_address("192.168.4.20"), 8080).hosts == ("192.168.4.20:8080",)
    assert Address(ip_address("192.168.4.20"), 80).hosts == ("192.168.4.20", "192.168.4.20:80")
    assert Address(ip_address("192.168.4.20"), 443, tls=True).origins[0] == "https://192.168.4.20"
    assert Address(ip_address("fd00::4"), 8080).hosts == ("[fd00::4]:8080",)
    assert Address(ip_address("127.0.0.1"), 80).origins[-1] == "http://localhost:80"


def test_keys_are_long_and_never_the_same():
    """128 random bits are 22 characters of base64."""
    keys = {new_key() for _ in range(1000)}
    assert len(keys) == 1000
    assert {len(key) for key in keys} == {22}


def test_names_of_guests_are_one_short_line():
    """What a guest calls itself cannot break a line of the log or of the terminal."""
    door = Door("key", ["roof"])
    guest = door.guest(door.enter("key", "ro\x1b[31mof\n" + "x" * 99, ["roof", "cellar"]))
    assert guest.name.isprintable()
    assert len(guest.name) == 30
    assert guest.answers_for == ("roof",)


def test_the_code_in_the_terminal_is_the_address():
    """A reader of QR codes (ZXing) finds the address in what the terminal shows, two rows a line."""
    url = Address(ip_address("192.168.4.20"), 8080).opened_by(new_key())
    shades = {" ": (0, 0), "█": (1, 1), "▀": (1, 0), "▄": (0, 1)}
    lines = [[shades[sign] for sign in line] for line in qr_text(url).splitlines() if line]
    rows = [[pair[half] for pair in line] for line in lines for half in (0, 1)]
    image = np.kron(np.array(rows, dtype=np.uint8) * 255, np.ones((4, 4), dtype=np.uint8))
    found = zxingcpp.read_barcodes(np.ascontiguousarray(image))
    assert [code.text for code in found] == [url]
