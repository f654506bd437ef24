"""Compare, trend."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from ventproof.cli import HISTORY_FILE, HISTORY_VARIABLE
from ventproof.cli.options import Option

if TYPE_CHECKING:
    from ventproof.compare.measures import ShiftLimits
    from ventproof_bench.base.quantities import Dimension


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


def read_limits(time: str | None, position: str) -> ShiftLimits:
    """Return the limits as they were typed.

    Raises:
        FileError: one of them is no such quantity.
    """
    from ventproof.compare.measures import ShiftLimits  # noqa: PLC0415
    from ventproof_bench.base.quantities import Dimension  # noqa: PLC0415 - kept with the slow imports

    return ShiftLimits(
        time_s=None if time is None else _quantity("--limit-time", time, Dimension.TIME),
        position=_quantity("--limit-position", position, Dimension.PERCENT),
    )


def _quantity(option: str, text: str, dimension: Dimension) -> float:
    from ventproof_bench.base.errors import FileError, Problem  # noqa: PLC0415 - kept with the slow imports
    from ventproof_bench.base.quantities import parse_as  # noqa: PLC0415

    try:
        value = parse_as(text, dimension)
    except ValueError as error:
        raise FileError([Problem(option, None, None, str(error))]) from None
    if value < 0:
        raise FileError([Problem(option, None, None, f"{text!r} is negative", "0 at the least")])
    return value


@click.command("compare")
@click.argument("base")
@click.argument("candidate")
@limit_time("base usually has")
@LIMIT_POSITION
@confidence("shift is wrongly said to have changed")
@HISTORY
@click.option(
    "-o",
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also write the whole comparison as a page, FILE.html. One that stands there is replaced.",
)
@click.option(
    "--all",
    "everything",
    is_flag=True,
    help="Show every flip and shift in full, those within their limits too.",
)
def compare(
    base: str,
    candidate: str,
    limit_time: str | None,
    limit_position: str,
    confidence: float,
    history: str,
    out: Path | None,
    everything: bool,
) -> int:
    """Say what is worse or better in CANDIDATE than in BASE: each a log, a folder of logs, or a firmware version in
    the history.

    Verdicts that flipped come first, then what only one side tells of, then the shifts of response times, positions and
    margins. A shift has changed if its whole interval lies beyond the limit, and is the same if all of it lies within.
    Runs of `--repeat` give the intervals; of one run each only what polling leaves open is known.

    \b
    Exit code 0: nothing is worse · 1: something is · 2: nothing is for certain, something cannot be told
              3: an argument or a log is wrong
    """  # noqa: D205, D301 - the first sentence is what `--help` shows; click's own mark for a paragraph
    from ventproof.compare.comparison import compare as compare_sides  # noqa: PLC0415
    from ventproof.compare.side import load_sides  # noqa: PLC0415
    from ventproof.terminal.comparison import EXIT_CODE, show_comparison  # noqa: PLC0415 - rich and SciPy are slow

    if out is not None:
        from ventproof.compare.page import check_page_name  # noqa: PLC0415 - only where a page is asked for

        check_page_name(out)
    limits = read_limits(limit_time, limit_position)
    old, new = load_sides(base, candidate, history)
    found = compare_sides(old, new, limits, confidence / 100)
    show_comparison(found, everything=everything)
    if out is not None:
        from ventproof.compare.page import write_page  # noqa: PLC0415

        write_page(found, out)
        click.echo(f"the whole comparison: {out}")
    return EXIT_CODE[found.outcome]


@click.command("trend")
@click.argument("records", nargs=-1, required=True)
@limit_time("versions before usually have")
@LIMIT_POSITION
@confidence(
    "change of the newest version is wrongly said to be one, nor any that is found among all versions"
)
@HISTORY
@click.option("--all", "everything", is_flag=True, help="Show every change in full, and what cannot be told.")
def trend(
    records: tuple[str, ...],
    limit_time: str | None,
    limit_position: str,
    confidence: float,
    history: str,
    everything: bool,
) -> None:
    """Follow each response over the firmware versions of RECORDS: logs, folders of logs, or firmware versions in the
    history.

    Versions are put in the order of their numbers, or of the days on which they were first seen. The newest is compared
    with the one before it, as `ventproof compare` does. Between which other versions a response time, a position or a
    margin changed is found from all of them.

    \b
    Exit code 0: the trend is told, whatever it is · 3: an argument or a log is wrong
    """  # noqa: D205, D301 - the first sentence is what `--help` shows; click's own mark for a paragraph
    from ventproof.compare.side import (  # noqa: PLC0415
        load_runs,
        side_of,
    )
    from ventproof.compare.trend import trend as trend_of  # noqa: PLC0415
    from ventproof.terminal.comparison import show_trend  # noqa: PLC0415 - rich and SciPy are slow

    limits = read_limits(limit_time, limit_position)
    runs = [one.run for name in records for one in load_runs(name, history)]
    show_trend(trend_of(side_of(", ".join(records), runs), limits, confidence / 100), everything=everything)
