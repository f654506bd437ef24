"""Who may see the page: keys that open it once, names of those who came in, and the addresses that it answers to."""

from __future__ import annotations

import hashlib
import os
import secrets
import socket
from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO, StringIO
from ipaddress import IPv4Address, IPv6Address, ip_address
from typing import Final, final

from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.text import one_line

LOOPBACK: Final = IPv4Address("127.0.0.1")

_LONGEST_NAME: Final = 30
_MOST_GUESTS: Final = 20


@final
@dataclass(frozen=True, slots=True)
class Address:
    """Where the page is served.

    Attributes:
        ip: an address of this computer.
        port: TCP port.
        tls: whether it speaks TLS.
    """

    ip: IPv4Address | IPv6Address
    port: int
    tls: bool = False

    @property
    def hosts(self) -> tuple[str, ...]:
        """What the `Host` of a request may say; a name that leads here by somebody else's doing is none of them."""
        ip = f"[{self.ip}]" if self.ip.version == 6 else str(self.ip)  # noqa: PLR2004 - IPv6
        names = (ip, "localhost") if self.ip.is_loopback else (ip,)
        plain = self.port == (443 if self.tls else 80)
        return tuple(form for name in names for form in ((name,) if plain else ()) + (f"{name}:{self.port}",))

    @property
    def origins(self) -> tuple[str, ...]:
        """What the `Origin` of a request may say."""
        return tuple(f"http{'s' * self.tls}://{host}" for host in self.hosts)

    @property
    def url(self) -> str:
        """Where a browser finds the page."""
        return f"{self.origins[0]}/"

    def opened_by(self, key: str) -> str:
        """Return the address with a key that opens the page once."""
        return f"{self.url}?key={key}"


def address_of(text: str) -> tuple[IPv4Address | IPv6Address, int]:
    """Read `ADDRESS` or `ADDRESS:PORT` (`192.168.4.20:8080`, `[fd00::4]:8080`); port 0 stands for any that is free.

    Raises:
        FileError: it is none, or stands for all addresses of this computer at once.
    """
    host, colon, port = text.rpartition(":") if text.count(":") == 1 or "]:" in text else (text, "", "0")
    hint = "write an address of this computer, such as 192.168.4.20 or 192.168.4.20:8080"
    try:
        ip, number = ip_address(host.strip("[]")), int(port)
    except ValueError:
        raise FileError([Problem("--listen", None, None, f"{text!r} is not an address", hint)]) from None
    if ip.is_unspecified:
        said = f"{text!r} stands for every network of this computer"
        raise FileError([Problem("--listen", None, None, said, hint)])
    if not 0 <= number <= 65535 or (colon and not port.isdigit()):  # noqa: PLR2004 - TCP ports
        raise FileError([Problem("--listen", None, None, f"{port!r} is not a port", "write 1 to 65535")])
    return ip, number


def open_socket(ip: IPv4Address | IPv6Address, port: int, option: str) -> socket.socket:
    """Return a socket that listens at an address.

    Raises:
        FileError: it cannot be opened there.
    """
    family = socket.AF_INET6 if ip.version == 6 else socket.AF_INET  # noqa: PLR2004 - IPv6
    try:
        return socket.create_server((str(ip), port), family=family)
    except OSError as error:
        where = f"{ip} port {port}" if port else str(ip)
        hint = "name an address of this computer and a port that is free"
        raise FileError(
            [Problem(option, None, None, f"{where}: {os.strerror(error.errno or 0)}", hint)]
        ) from error


def new_key() -> str:
    """Return a key that nobody guesses: 128 random bits."""
    return secrets.token_urlsafe(16)


@final
@dataclass(frozen=True, slots=True)
class Guest:
    """Who came in.

    Attributes:
        name: who that is, or where, as stated.
        answers_for: the people of the bench whose prompts this guest answers.
    """

    name: str
    answers_for: tuple[str, ...] = ()


@final
class Door:
    """Lets in who holds a key that was not used yet.

    Args:
        key: the first key.
        people: of the bench, as its file names them.
    """

    def __init__(self, key: str, people: Sequence[str] = ()) -> None:
        self.people = people
        self._keys = {_digest(key)}
        self._asked = ""
        self._guests: dict[str, Guest] = {}

    def another(self) -> str:
        """Return a key for one guest more; the one asked for before, if nobody used it, opens nothing from now on."""
        self._keys.discard(self._asked)
        key = new_key()
        self._asked = _digest(key)
        self._keys.add(self._asked)
        return key

    def enter(self, key: str, name: str, answers_for: Sequence[str] = ()) -> str | None:
        """Return the token of a guest; None where the key opens nothing.

        Args:
            key: what the guest holds; it opens nothing from now on.
            name: who it is, or where.
            answers_for: the people of the bench whose prompts this guest answers.
        """
        digest = _digest(key)
        if digest not in self._keys or len(self._guests) >= _MOST_GUESTS:
            return None
        self._keys.remove(digest)
        token = secrets.token_urlsafe(32)
        known = tuple(one for one in self.people if one in answers_for)
        named = one_line(name)[:_LONGEST_NAME] or ", ".join(known) or "page"
        self._guests[_digest(token)] = Guest(named, known)
        return token

    def guest(self, token: str) -> Guest | None:
        """Return who holds a token; None: nobody."""
        return self._guests.get(_digest(token))


def _digest(secret: str) -> str:
    """Return what is kept and compared in a secret's place, so that no comparison tells how much of it is right."""
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()


def qr_svg(url: str) -> str:
    """Return a QR code (ISO/IEC 18004) as SVG, dark on light whatever the page."""
    import segno  # noqa: PLC0415 - only where somebody looks at it

    drawn = BytesIO()
    segno.make(url, error="m", micro=False).save(
        drawn, kind="svg", scale=6, border=4, light="#fff", xmldecl=False, nl=False, omitsize=True
    )
    return drawn.getvalue().decode("utf-8")


def qr_text(url: str) -> str:
    """Return a QR code for a terminal, two rows of it a line."""
    import segno  # noqa: PLC0415 - only where somebody looks at it

    drawn = StringIO()
    segno.make(url, error="l", micro=False).terminal(drawn, compact=True)
    return drawn.getvalue()
