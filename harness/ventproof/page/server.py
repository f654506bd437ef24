"""How pages are served: one server for the live page and for the history."""

from __future__ import annotations

import ssl
from importlib.util import find_spec
from typing import TYPE_CHECKING, Final

from ventproof_bench.base.errors import FileError, Problem

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.types import ASGIApp
    from uvicorn import Server


_LAST_WORDS_S: Final = 1  # for pages to be told the end
_NEEDED: Final = ("starlette", "uvicorn")


def require_server(option: str) -> None:
    """Refuse a page where the packages that serve it are not installed.

    Raises:
        FileError: they are not.
    """
    if any(find_spec(name) is None for name in _NEEDED):
        reason = "the page needs the packages starlette and uvicorn, which are not installed"
        raise FileError([Problem(option, None, None, reason, "pip install 'ventproof[page]'")])


def check_certificate(path: Path) -> None:
    """Refuse a file that holds no certificate with its key.

    Raises:
        FileError: it cannot be read, or holds none.
    """
    hint = "name a PEM file with the private key, without passphrase, and the certificate"
    try:
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(path, password="")
    except (OSError, ValueError) as error:
        reason = f"no certificate with its key can be read from {path}"
        raise FileError([Problem("--cert", None, None, reason, hint)]) from error


def server_of(app: ASGIApp, cert: str | None = None) -> Server:
    """Return a server that is quiet and believes no proxy.

    Args:
        app: what answers.
        cert: file with certificate and key, to speak TLS; None: plain HTTP.
    """
    import uvicorn  # noqa: PLC0415 - only where something is served

    config = uvicorn.Config(
        app,
        http="h11",
        ws="none",
        lifespan="off",
        proxy_headers=False,
        server_header=False,
        access_log=False,
        log_config=None,
        log_level="critical",
        timeout_graceful_shutdown=_LAST_WORDS_S,
        ssl_certfile=cert,
    )
    config.load()  # now, so that nothing that is missing shows later
    return uvicorn.Server(config)
