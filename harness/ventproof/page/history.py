"""The history in browsers on this computer: its page, its logs, and reports made on demand."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable
from contextlib import suppress
from http import HTTPStatus
from typing import TYPE_CHECKING, Final, Self, final

from starlette.applications import Starlette
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.routing import Route

from ventproof.history.page import served_page
from ventproof.page.app import Guard
from ventproof.page.keys import LOOPBACK, Address, open_socket
from ventproof.page.server import server_of
from ventproof_bench.base.errors import VentproofError

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.requests import Request

    from ventproof.history.store import History, Wanted


_DIGEST: Final = re.compile(r"[0-9a-f]{64}")
_FRAMED: Final = {"Content-Security-Policy": "frame-ancestors 'none'"}
"""Pages and reports bring the rest of their policy with them, as they do in a file."""

_GONE: Final = (
    "the log of this run is not where it was entered, or is not that log any more: import it again\n"
)


@final
class HistoryServer:
    """Answers requests from this computer and from no other; a context that ends with the command.

    Args:
        history: what is shown; read anew for every page.
        wanted: which runs are shown.
        port: TCP port; 0: any free one.

    Raises:
        FileError: the port cannot be opened.
    """

    def __init__(self, history: History, wanted: Wanted, port: int) -> None:
        self._history, self._wanted = history, wanted
        self._socket = open_socket(LOOPBACK, port, "--port")
        self.address = Address(LOOPBACK, self._socket.getsockname()[1])
        routes = [
            Route("/", self._answering(lambda _: self._page())),
            Route("/log/{digest}", self._answering(lambda digest: self._of_log(digest, _log))),
            Route("/report/{digest}", self._answering(lambda digest: self._of_log(digest, _report))),
        ]
        app = Guard(Starlette(routes=routes), self.address.hosts, self.address.origins)
        self._server = server_of(app)

    def serve(self) -> None:
        """Serve until Ctrl-C, or until it is ended."""
        with suppress(KeyboardInterrupt):
            asyncio.run(self._server.serve(sockets=[self._socket]))

    def end(self) -> None:
        """Let `serve` return soon; from any thread."""
        self._server.should_exit = True

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._socket.close()

    def _answering(self, make: Callable[[str], Response]) -> Callable[[Request], Response]:
        # No coroutine: it is called in a thread, since a report takes its time.
        def answer(request: Request) -> Response:
            if request.url.query:
                return _text("there is no such page\n", HTTPStatus.NOT_FOUND)
            try:
                return make(request.path_params.get("digest", ""))
            except VentproofError as error:
                return _text(f"{error}\n", HTTPStatus.INTERNAL_SERVER_ERROR)
            except Exception as error:  # noqa: BLE001 - one page that cannot be made must not end the others
                said = f"ventproof itself failed ({type(error).__name__}: {error})\n"
                return _text(said, HTTPStatus.INTERNAL_SERVER_ERROR)

        return answer

    def _page(self) -> Response:
        return HTMLResponse(served_page(self._history, self._wanted), headers=_FRAMED)

    def _of_log(self, digest: str, make: Callable[[Path], Response]) -> Response:
        if not _DIGEST.fullmatch(digest):
            return _text("there is no such page\n", HTTPStatus.NOT_FOUND)
        log = self._history.file_of(digest)
        return _text(_GONE, HTTPStatus.NOT_FOUND) if log is None else make(log)


def _text(said: str, status: HTTPStatus = HTTPStatus.OK) -> Response:
    return PlainTextResponse(said, status)


def _log(path: Path) -> Response:
    return _text(path.read_text(encoding="utf-8", errors="replace"))


def _report(path: Path) -> Response:
    from ventproof.report.build import report_of  # noqa: PLC0415 - slow, and only reports need it
    from ventproof.report.write import html_of  # noqa: PLC0415

    return HTMLResponse(html_of(report_of([path])), headers=_FRAMED)
