"""Options of the commands that a live page can show, and the page beside such a command."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeVar, final

import click

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ventproof.page.process import LivePage


_R = TypeVar("_R")

_CAUTION: Final = (
    "The page is not an emergency stop, and cannot confirm that vents are clear: the bench asks here."
)
_PLAIN: Final = (
    "Without --cert nothing on the page is encrypted: anyone on this network can read it, and act in its guests' "
    "names."
)


@final
@dataclass(frozen=True, slots=True)
class PageAsked:
    """What was asked for of a page.

    Attributes:
        page: whether one is served.
        listen: address to serve it at; None: to browsers on this computer alone.
        cert: file with certificate and key; None: no encryption.
    """

    page: bool
    listen: str | None
    cert: Path | None


def with_page(function: Callable[..., _R]) -> Callable[..., _R]:
    """Add the options of the live page; the command gets them together, as `page`."""

    @wraps(function)
    def with_asked(*args: object, page: bool, listen: str | None, cert: Path | None, **given: object) -> _R:
        return function(*args, page=PageAsked(page or listen is not None, listen, cert), **given)

    made: Callable[..., _R] = with_asked
    for option in (
        click.option(
            "--cert",
            type=click.Path(path_type=Path, dir_okay=False),
            metavar="FILE",
            help="Serve the page over TLS with the certificate and private key in this PEM file.",
        ),
        click.option(
            "--listen",
            metavar="ADDRESS",
            help="Serve the page on the network of this address of the computer, to holders of its key only.",
        ),
        click.option("--page", is_flag=True, help="Serve a live page to browsers on this computer."),
    ):
        made = option(made)
    return made


@contextmanager
def live_page(asked: PageAsked, people: Sequence[str] = ()) -> Iterator[LivePage | None]:
    """Serve a page while a command works; gives None where nobody asked for one.

    Args:
        asked: what was asked for.
        people: of the bench, whose prompts are answered there.

    Raises:
        FileError: it cannot be served, or its address or certificate is none.
        UsageError: a certificate was given, and no page asked for.
    """
    if not asked.page:
        if asked.cert is not None:
            raise click.UsageError("--cert is for a page: give it with --page or --listen")
        yield None
        return
    from ventproof.page.keys import LOOPBACK, address_of, qr_text  # noqa: PLC0415 - only where a page is served
    from ventproof.page.process import LivePage  # noqa: PLC0415
    from ventproof.page.server import check_certificate, require_server  # noqa: PLC0415

    require_server("--page")
    if asked.cert is not None:
        check_certificate(asked.cert)
    ip, port = (LOOPBACK, 0) if asked.listen is None else address_of(asked.listen)
    with LivePage(ip, port, asked.cert, people=people, said=_tell) as page:
        _tell(f"Page: {page.url}  (the key opens it once)")
        if asked.listen is not None:
            if sys.stderr.isatty():
                click.echo(qr_text(page.url), err=True)
            if asked.cert is None:
                _tell(_PLAIN)
        _tell(_CAUTION)
        yield page


def phases(page: LivePage | None, title: str, *names: str) -> Callable[[int, int], None]:
    """Return what tells a page how far a command with several phases has come.

    Args:
        page: the page; None: nobody is told.
        title: of the command.
        names: of its phases, one after the other.
    """
    left, rows = iter(names), list[tuple[str, int, int]]()

    def told(done: int, of: int) -> None:
        if page is None:
            return
        if done == 1 or not rows:
            rows.append((next(left, "more"), done, of))
        rows[-1] = (rows[-1][0], done, of)
        page.tell(progress={"title": title, "rows": rows})

    return told


def both(one: Callable[[int, int], None], other: Callable[[int, int], None]) -> Callable[[int, int], None]:
    """Return what tells both how far something has come."""

    def told(done: int, of: int) -> None:
        one(done, of)
        other(done, of)

    return told


def _tell(said: str) -> None:
    click.echo(said, err=True)
