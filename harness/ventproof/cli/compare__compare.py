"""`ventproof compare`: two firmware versions side by side."""

from __future__ import annotations

from pathlib import Path

import click

from harness.cli.shiftoptions import HISTORY, LIMIT_POSITION, confidence, limit_time, read_limits


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
    from harness.cli.compared import EXIT_CODE, show_comparison  # noqa: PLC0415 - rich and SciPy are slow
    from harness.record.compare.comparison import compare as compare_sides  # noqa: PLC0415
    from harness.record.compare.load import load_sides  # noqa: PLC0415

    if out is not None:
        from harness.record.compare.page import check_page_name  # noqa: PLC0415 - only where a page is asked for

        check_page_name(out)
    limits = read_limits(limit_time, limit_position)
    old, new = load_sides(base, candidate, history)
    found = compare_sides(old, new, limits, confidence / 100)
    show_comparison(found, everything=everything)
    if out is not None:
        from harness.record.compare.page import write_page  # noqa: PLC0415

        write_page(found, out)
        click.echo(f"the whole comparison: {out}")
    return EXIT_CODE[found.outcome]
