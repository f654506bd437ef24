"""Compare, trend."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from ventproof.cli import HISTORY_FILE, HISTORY_VARIABLE
from ventproof.cli.options import Option
from ventproof.cli.suite import ONLY, TAG, Selection

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ventproof.compare.comparison import Comparison
    from ventproof.compare.measures import ShiftLimits
    from ventproof.compare.trend import FirmwareTrend
    from ventproof_bench.base.quantities import Dimension


def limit_time(whose: str) -> Option:
    """Return the option for the limit of response times; `whose` windows it is taken from unless stated."""
    return click.option(
        "--limit-time",
        metavar="TIME",
        help="Largest difference between response times that still counts as equal, such as 1 s.  [default: twice the "
        f"usual time uncertainty of {whose}, at least 0.1 s]",
    )


def confidence(of: str) -> Option:
    """Return the option for the confidence level of all that is inferred."""
    return click.option(
        "--confidence",
        default=95.0,
        type=click.FloatRange(50, 100, max_open=True),
        metavar="PERCENT",
        help=f"Confidence level of {of} together.",
        show_default=True,
    )


LIMIT_POSITION: Final = click.option(
    "--limit-position",
    default="1 %",
    metavar="PERCENT",
    help="Largest difference between positions that still counts as equal.",
    show_default=True,
)
HISTORY: Final = click.option(
    "--history",
    default=HISTORY_FILE,
    envvar=HISTORY_VARIABLE,
    show_envvar=True,
    metavar="FILE|URL",
    help="History with the firmware versions.",
    show_default=True,
)


OUT: Final = click.option(
    "-o",
    "--out",
    "outs",
    multiple=True,
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Also write it as FILE.html (a page), FILE.md (a summary for a pull request) or FILE.json (`ventproof schema "
    "comparison` or `trend` describes it). Overwrites an existing file. May be given more than once.",
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


def _write(found: Comparison | FirmwareTrend, outs: Sequence[Path]) -> None:
    """Write a comparison or a trend into each file, and say so."""
    from ventproof.compare.write import write  # noqa: PLC0415 - kept with the slow imports

    for out in outs:
        write(found, out)
        click.echo(f"written: {out}")


@click.command("compare")
@click.argument("base")
@click.argument("candidate")
@limit_time("the base")
@LIMIT_POSITION
@confidence("all intervals")
@HISTORY
@OUT
@ONLY
@TAG
@click.option(
    "--verbose",
    "--all",
    "verbose",
    is_flag=True,
    help="Show all changed verdicts and differences, also those within the limits, and not only what fits on a screen.",
)
def compare(
    base: str,
    candidate: str,
    limit_time: str | None,
    limit_position: str,
    confidence: float,
    history: str,
    outs: tuple[Path, ...],
    only: tuple[str, ...],
    tags: tuple[str, ...],
    verbose: bool,
) -> int:
    """Compare CANDIDATE with BASE: each a log, a folder of logs, or a firmware version in the history.

    Changed verdicts come first, then responses of one side only, then differences of response times, positions and
    margins. A difference is a change if its whole interval is beyond the limit, and none if the whole interval is
    within. Repeats (`run --repeat`) give the intervals; with one run each, run-to-run variation is not included.

    \b
    Exit code 0: nothing worse · 1: something worse · 2: nothing proven worse, some inconclusive
              3: an argument or a log is wrong
    """  # noqa: D301 - the first sentence is what `--help` shows; click's own mark for a paragraph
    from ventproof.compare.comparison import compare as compare_sides  # noqa: PLC0415
    from ventproof.compare.side import load_sides  # noqa: PLC0415
    from ventproof.compare.write import check_names  # noqa: PLC0415
    from ventproof.terminal.comparison import EXIT_CODE, show_comparison  # noqa: PLC0415 - rich and SciPy are slow

    check_names(outs)
    limits = read_limits(limit_time, limit_position)
    old, new = load_sides(base, candidate, history, Selection(only, tags).takes_log)
    found = compare_sides(old, new, limits, confidence / 100)
    _write(found, outs)
    show_comparison(found, verbose=verbose)
    return EXIT_CODE[found.outcome]


@click.command("trend")
@click.argument("records", nargs=-1, required=True)
@limit_time("the earlier versions")
@LIMIT_POSITION
@confidence("all intervals, and of all changes between versions,")
@HISTORY
@OUT
@ONLY
@TAG
@click.option(
    "--verbose", "--all", "verbose", is_flag=True, help="Show all changes, also the inconclusive ones."
)
def trend(
    records: tuple[str, ...],
    limit_time: str | None,
    limit_position: str,
    confidence: float,
    history: str,
    outs: tuple[Path, ...],
    only: tuple[str, ...],
    tags: tuple[str, ...],
    verbose: bool,
) -> None:
    """Compare each response over the firmware versions of RECORDS: logs, folders of logs, or versions in the history.

    Versions are sorted by number, or by the day of their first run. The newest is compared with the one before it, as
    `ventproof compare` does. Changes of response times, positions and margins between older versions are found from
    all versions together.

    \b
    Exit code 0: the trend is shown, whatever it is · 3: an argument or a log is wrong
    """  # noqa: D301 - the first sentence is what `--help` shows; click's own mark for a paragraph
    from ventproof.compare.side import (  # noqa: PLC0415
        load_runs,
        side_of_logged,
    )
    from ventproof.compare.trend import trend as trend_of  # noqa: PLC0415
    from ventproof.compare.write import check_names  # noqa: PLC0415
    from ventproof.terminal.comparison import show_trend  # noqa: PLC0415 - rich and SciPy are slow

    check_names(outs)
    limits = read_limits(limit_time, limit_position)
    taken = Selection(only, tags).takes_log
    runs = [one for name in records for one in load_runs(name, history, taken)]
    found = trend_of(side_of_logged(", ".join(records), runs), limits, confidence / 100)
    _write(found, outs)
    show_trend(found, verbose=verbose)
