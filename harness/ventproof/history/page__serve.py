"""Serves the history's page on the loopback interface, and makes reports when they are asked for."""

from __future__ import annotations

import re
from contextlib import suppress
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import TYPE_CHECKING, Final, final

from bench.errors import FileError, Problem, VentproofError
from harness.record.history.page import page_of

if TYPE_CHECKING:
    from harness.record.history.store import Entry, History
    from harness.record.history.wanted import Wanted

_LOOPBACK: Final = "127.0.0.1"
_RUN: Final = re.compile(r"/(?P<what>report|log)/(?P<digest>[0-9a-f]{64})")
_HTML: Final = "text/html; charset=utf-8"
_TEXT: Final = "text/plain; charset=utf-8"


@final
class HistoryServer(ThreadingHTTPServer):
    """Answers requests from this machine and from no other.

    Args:
        history: what is shown; read anew for every page.
        wanted: which runs are shown.
        port: TCP port; 0: any free one.

    Raises:
        FileError: the port cannot be opened.
    """

    def __init__(self, history: History, wanted: Wanted, port: int) -> None:
        self.history = history
        self.wanted = wanted
        try:
            super().__init__((_LOOPBACK, port), _Handler)
        except OSError as error:
            raise FileError([Problem("--port", None, None, f"port {port}: {error.strerror}")]) from error

    @property
    def address(self) -> str:
        """Where a browser finds the page."""
        return f"http://{_LOOPBACK}:{self.server_port}/"


@final
class _Handler(BaseHTTPRequestHandler):
    server: HistoryServer

    def do_GET(self) -> None:
        """Answer a request."""
        if self.headers.get("Host") not in self._hosts:
            # A page from elsewhere whose name was made to lead here must not read what is here.
            self._answer(HTTPStatus.FORBIDDEN, _TEXT, "ask for http://127.0.0.1\n")
            return
        try:
            status, kind, content = self._content()
        except VentproofError as error:
            status, kind, content = HTTPStatus.INTERNAL_SERVER_ERROR, _TEXT, f"{error}\n"
        except Exception as error:  # noqa: BLE001 - one page that cannot be made must not end the others
            said = f"ventproof itself failed ({type(error).__name__}: {error})\n"
            status, kind, content = HTTPStatus.INTERNAL_SERVER_ERROR, _TEXT, said
        self._answer(status, kind, content)

    @property
    def _hosts(self) -> tuple[str, ...]:
        port = self.server.server_port
        return f"{_LOOPBACK}:{port}", f"localhost:{port}"

    def _content(self) -> tuple[HTTPStatus, str, str]:
        match = _RUN.fullmatch(self.path)
        if self.path == "/":
            return HTTPStatus.OK, _HTML, self._page()
        if match is None:
            return HTTPStatus.NOT_FOUND, _TEXT, "there is no such page\n"
        log = self.server.history.file_of(match["digest"])
        if log is None:
            said = "the log of this run is not where it was entered, or is not that log any more: import it again\n"
            return HTTPStatus.NOT_FOUND, _TEXT, said
        if match["what"] == "log":
            return HTTPStatus.OK, _TEXT, log.read_text(encoding="utf-8", errors="replace")
        from harness.record.report.build import report_of  # noqa: PLC0415 - slow, and only reports need it
        from harness.record.report.page import html_of  # noqa: PLC0415

        return HTTPStatus.OK, _HTML, html_of(report_of([log]))

    def _page(self) -> str:
        history, wanted = self.server.history, self.server.wanted
        entries = list(history.entries(wanted))
        return page_of(entries, left=history.count(wanted) - len(entries), links=_here, served=True)

    def _answer(self, status: HTTPStatus, kind: str, content: str) -> None:
        body = content.encode()
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        self.send_header("Content-Security-Policy", "frame-ancestors 'none'")
        self.send_header("X-Content-Type-Options", "nosniff")
        self.send_header("Referrer-Policy", "no-referrer")
        self.send_header("Cache-Control", "no-store")
        with suppress(ConnectionError):  # a browser that went away needs no answer
            self.end_headers()
            self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        """Keep the terminal quiet."""


def _here(entry: Entry) -> tuple[str, str]:
    if not entry.file.exists():
        return "", ""
    return f"/report/{entry.record.digest}", f"/log/{entry.record.digest}"
