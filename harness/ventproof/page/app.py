"""The page's requests: the page itself, what it is told, and the few things that a guest may send back."""

from __future__ import annotations

import json
import secrets
from collections.abc import Callable, Sequence
from http import HTTPStatus
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, final
from urllib.parse import parse_qs

from starlette.applications import Starlette
from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from ventproof.page.keys import qr_svg
from ventproof.report.typeset import page
from ventproof_bench.base.text import one_line

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from starlette.requests import Request
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

    from ventproof.page.batches import Batches
    from ventproof.page.follow import Ident
    from ventproof.page.keys import Address, Door, Guest


Say = Callable[[dict[str, Any]], None]
"""Hands on to the command what a guest wants of it."""

_LONGEST_BODY: Final = 4096
_LONGEST_ANSWER: Final = 200
_TEMPLATES: Final = Path(__file__).parent / "templates"

_HEADERS: Final = {
    "X-Content-Type-Options": "nosniff",
    # Not `no-referrer`: with that a browser sends `Origin: null` with the form that brings the key.
    "Referrer-Policy": "same-origin",
    "Cache-Control": "no-store",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}
_POLICY: Final = "default-src 'none'; base-uri 'none'; frame-ancestors 'none'"


@final
class Guard:
    """Answers what was asked for under a name of this server and from its own pages, and refuses all else.

    Args:
        app: what answers.
        hosts: what `Host` may say.
        origins: what `Origin` may say.
    """

    def __init__(self, app: ASGIApp, hosts: Sequence[str], origins: Sequence[str]) -> None:
        self._app = app
        self._hosts, self._origins = hosts, origins

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            return
        headers = Headers(scope=scope)

        async def secured(message: Message) -> None:
            if message["type"] == "http.response.start":
                kept = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    kept[name] = value
                kept.setdefault("Content-Security-Policy", _POLICY)
            await send(message)

        refused = self._refused(scope["method"], headers)
        app = self._app if refused is None else PlainTextResponse(refused, HTTPStatus.FORBIDDEN)
        await app(scope, receive, secured)

    def _refused(self, method: str, headers: Headers) -> str | None:
        if headers.getlist("host") not in [[host] for host in self._hosts]:
            # A page from elsewhere whose name was made to lead here must not read what is here.
            return f"ask for {self._origins[0]}\n"
        origin = headers.get("origin")
        if origin is None:
            return None if method in {"GET", "HEAD"} else "only this server's own page may send anything\n"
        return None if origin in self._origins else "another site's page may not ask here\n"


@final
class LivePages:
    """The requests of the live page.

    Args:
        address: where it is served.
        door: who is let in.
        batches: what pages are told.
        say: hands on what a guest wants.
    """

    def __init__(self, address: Address, door: Door, batches: Batches, say: Say) -> None:
        self._address, self._door, self._batches, self._say = address, door, batches, say
        self._cookie = f"ventproof-{address.port}"

    def app(self) -> ASGIApp:
        """Return what answers the requests."""
        routes = [
            Route("/", self._page),
            Route("/enter", self._enter, methods=["POST"]),
            Route("/events", self._events),
            Route("/stop", self._stop, methods=["POST"]),
            Route("/answer", self._answer, methods=["POST"]),
            Route("/key", self._key, methods=["POST"]),
            Route("/favicon.ico", _nothing),
        ]
        return Guard(Starlette(routes=routes), self._address.hosts, self._address.origins)

    def _guest(self, request: Request) -> Guest | None:
        return self._door.guest(request.cookies.get(self._cookie, ""))

    async def _page(self, request: Request) -> Response:
        guest = self._guest(request)
        if guest is not None:
            return self._html("live.html.j2", scripts=("live.js", "live-vents.js"), guest=guest)
        key = request.query_params.get("key", "")
        status = HTTPStatus.OK if key else HTTPStatus.FORBIDDEN
        return self._html("enter.html.j2", status, key=key, refused=not key)

    def _html(
        self,
        template: str,
        status: HTTPStatus = HTTPStatus.OK,
        *,
        scripts: Sequence[str] = (),
        **fields: object,
    ) -> Response:
        nonce = secrets.token_urlsafe(16)
        texts = {
            "nonce": nonce,
            "scripts": [_template(name) for name in scripts],
            "plain": not self._address.tls and not self._address.ip.is_loopback,
            "people": self._door.people,
            **fields,
        }
        text = page(_TEMPLATES / template, texts, _template("live.css"))
        policy = (
            f"{_POLICY}; script-src 'nonce-{nonce}'; style-src 'nonce-{nonce}'; connect-src 'self'; "
            "img-src 'self'; form-action 'self'"
        )
        return HTMLResponse(text, status, {"Content-Security-Policy": policy})

    async def _enter(self, request: Request) -> Response:
        form = parse_qs((await _body(request)).decode("utf-8", "replace"))
        key, name = (form.get(field, [""])[0] for field in ("key", "name"))
        token = self._door.enter(key, name, form.get("for", []))
        if token is None:
            return self._html("enter.html.j2", HTTPStatus.FORBIDDEN, key="", refused=True)
        guest = self._door.guest(token)
        self._say({"entered": guest.name if guest else ""})
        answer = Response(status_code=HTTPStatus.SEE_OTHER, headers={"Location": "/"})
        answer.set_cookie(self._cookie, token, httponly=True, samesite="strict", secure=self._address.tls)
        return answer

    async def _events(self, request: Request) -> Response:
        if self._guest(request) is None:
            return _no_key()
        last = request.headers.get("last-event-id", request.query_params.get("after", ""))
        return StreamingResponse(self._stream(_ident(last)), media_type="text/event-stream")

    async def _stream(self, last: Ident | None) -> AsyncIterator[str]:
        yield "retry: 1000\n\n"
        async for one in self._batches.after(last):
            if one is None:
                yield "event: beat\ndata:\n\n"
            else:
                (line, seq), news = one
                yield f"id: {line}.{seq}\ndata: {json.dumps(news, separators=(',', ':'))}\n\n"

    async def _stop(self, request: Request) -> Response:
        guest = self._guest(request)
        if guest is None:
            return _no_key()
        self._say({"stop": True, "who": guest.name})
        return JSONResponse({"said": "Stop was requested."}, HTTPStatus.ACCEPTED)

    async def _answer(self, request: Request) -> Response:
        guest = self._guest(request)
        if guest is None:
            return _no_key()
        try:
            sent = json.loads(await _body(request))
            number, who, text = sent["prompt"], sent["who"], one_line(sent["text"])[:_LONGEST_ANSWER]
        except (ValueError, KeyError, TypeError, AttributeError):
            return PlainTextResponse(
                "send the prompt's number, for whom it is, and the answer's text\n", HTTPStatus.BAD_REQUEST
            )
        if type(number) is not int:
            return PlainTextResponse("a prompt has a whole number\n", HTTPStatus.BAD_REQUEST)
        if who not in guest.answers_for:
            return PlainTextResponse("this page does not answer for that person\n", HTTPStatus.FORBIDDEN)
        self._say({"answer": number, "text": text, "who": who})
        return JSONResponse({"said": "The answer was sent."}, HTTPStatus.ACCEPTED)

    async def _key(self, request: Request) -> Response:
        if self._guest(request) is None:
            return _no_key()
        url = self._address.opened_by(self._door.another())
        return JSONResponse({"url": url, "svg": qr_svg(url)})


def _template(name: str) -> str:
    return (_TEMPLATES / name).read_text(encoding="utf-8")


def _ident(text: str) -> Ident | None:
    """Return the place that a browser says it has come to; None where it says none."""
    line, _, seq = text.partition(".")
    return (int(line), int(seq)) if line.isdecimal() and seq.isdecimal() else None


async def _body(request: Request) -> bytes:
    """Return what was sent, cut off where it is longer than anything that a page of ours sends."""
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > _LONGEST_BODY:
            break
    return body[:_LONGEST_BODY]


async def _nothing(_request: Request) -> Response:
    return Response(status_code=HTTPStatus.NO_CONTENT)


def _no_key() -> Response:
    return PlainTextResponse("open the page with a key first\n", HTTPStatus.FORBIDDEN)
