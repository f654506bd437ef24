"""Options of the commands that compare firmware versions, and how they are read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import click

from harness.cli import HISTORY_FILE, HISTORY_VARIABLE
from harness.cli.options import Option

if TYPE_CHECKING:
    from bench.units import Dimension
    from harness.record.compare.measures import Limits


def limit_time(whose: str) -> Option:
    """Return the option for the limit of response times; `whose` windows it is taken from unless stated."""
    return click.option(
        "--limit-time",
        metavar="TIME",
        help="Shift of a response time that counts as the same, such as 1 s.  [default: twice the window that the "
        f"{whose}, and 0.1 s at the least; repeats tell more than one window]",
    )


def confidence(what: str) -> Option:
    """Return the option for the confidence of intervals, and that `what` is not wrongly said to be one."""
    return click.option(
        "--confidence",
        default=95.0,
        type=click.FloatRange(50, 100, max_open=True),
        metavar="PERCENT",
        help=f"Confidence of every interval, and that no {what}.",
        show_default=True,
    )


LIMIT_POSITION: Final = click.option(
    "--limit-position",
    default="1 %",
    metavar="PERCENT",
    help="Shift of a position that counts as the same.",
    show_default=True,
)
HISTORY: Final = click.option(
    "--history",
    default=HISTORY_FILE,
    envvar=HISTORY_VARIABLE,
    show_envvar=True,
    metavar="FILE|URL",
    help="Where firmware versions are looked up.",
    show_default=True,
)


def read_limits(time: str | None, position: str) -> Limits:
    """Return the limits as they were typed.

    Raises:
        FileError: one of them is no such quantity.
    """
    from bench.units import Dimension  # noqa: PLC0415 - kept with the slow imports
    from harness.record.compare.measures import Limits  # noqa: PLC0415

    return Limits(
        time_s=None if time is None else _quantity("--limit-time", time, Dimension.TIME),
        position=_quantity("--limit-position", position, Dimension.PERCENT),
    )


def _quantity(option: str, text: str, dimension: Dimension) -> float:
    from bench.errors import FileError, Problem  # noqa: PLC0415 - kept with the slow imports
    from bench.units import parse_as  # noqa: PLC0415

    try:
        value = parse_as(text, dimension)
    except ValueError as error:
        raise FileError([Problem(option, None, None, str(error))]) from None
    if value < 0:
        raise FileError([Problem(option, None, None, f"{text!r} is negative", "0 at the least")])
    return value
