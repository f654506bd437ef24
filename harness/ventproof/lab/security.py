"""Who may talk to a lab. Whoever can connect can run any code there: loopback, or certificates of the lab's own."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.errors import FileError, Problem

if TYPE_CHECKING:
    from distributed import Security


DEFAULT_PORT: Final = 8786
CERTIFICATE_FILES: Final = ("ca.pem", "cert.pem", "key.pem")
"""What the folder of certificates holds: the lab's own authority, the certificate of this computer, and its key."""

_HIGHEST_PORT: Final = 65_535


@final
@dataclass(frozen=True, slots=True)
class LabAddress:
    """Where a scheduler listens, and how to talk to it.

    Attributes:
        host: name or IP address.
        port: TCP port.
        certificates: folder with the files of `CERTIFICATE_FILES`; None: nothing is encrypted.
    """

    host: str
    port: int
    certificates: Path | None = None

    @property
    def url(self) -> str:
        """It as the engine writes it."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'tls' if self.certificates else 'tcp'}://{host}:{self.port}"

    @property
    def security(self) -> Security | None:
        """What encrypts and requires a certificate of the lab on both sides; None on loopback without certificates."""
        if self.certificates is None:
            return None
        from distributed import Security  # noqa: PLC0415 - slow, and only in a lab

        ca, cert, key = (str(self.certificates / name) for name in CERTIFICATE_FILES)
        own = {f"tls_{role}_{kind}": file for role in _ROLES for kind, file in (("cert", cert), ("key", key))}
        return Security(require_encryption=True, tls_ca_file=ca, **own)

    @property
    def loopback(self) -> bool:
        """Whether nobody but this computer can reach it."""
        return _is_loopback(self.host)


_ROLES: Final = ("client", "scheduler", "worker")


def lab_address(text: str, option: str, certificates: Path | None) -> LabAddress:
    """Return an address that was given as `HOST`, or `HOST:PORT`.

    Args:
        text: the address.
        option: how errors call it.
        certificates: folder with the lab's certificates; None where there is none.

    Raises:
        FileError: it is no address, it is beyond loopback without certificates, or a file of these is missing.
    """
    host, port = _split(text.strip())
    if not host or not 0 <= port <= _HIGHEST_PORT or any(sign in host for sign in "/ @"):
        raise FileError([Problem(option, None, None, f"{text!r} is not an address", "write HOST:PORT")])
    if certificates is None and not _is_loopback(host):
        reason = f"{host} can be reached by others, and who connects to a lab can run any program there"
        hint = f"give --tls with a folder of {', '.join(CERTIFICATE_FILES)}, or use 127.0.0.1"
        raise FileError([Problem(option, None, None, reason, hint)])
    if certificates is not None:
        missing = [name for name in CERTIFICATE_FILES if not (certificates / name).is_file()]
        if missing:
            reason = f"{certificates} holds no {', '.join(missing)}"
            hint = "put there: the lab's authority, the certificate of this computer, and its key"
            raise FileError([Problem("--tls", None, None, reason, hint)])
    return LabAddress(host, port, certificates)


def _split(text: str) -> tuple[str, int]:
    if text.count(":") > 1 and not text.startswith("["):  # an IPv6 address without a port
        return text, DEFAULT_PORT
    host, colon, port = text.rpartition(":")
    if not colon or port.endswith("]"):
        host, port = text, str(DEFAULT_PORT)
    return host.strip("[]"), int(port) if port.isascii() and port.isdecimal() else -1


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:  # a name, which may lead anywhere
        return False
