"""`ventproof trend`: each response over firmware versions, and where it changed."""

from __future__ import annotations

import click

from harness.cli.shiftoptions import HISTORY, LIMIT_POSITION, confidence, limit_time, read_limits


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
    from harness.cli.compared import show_trend  # noqa: PLC0415 - rich and SciPy are slow
    from harness.record.compare.load import load_runs  # noqa: PLC0415
    from harness.record.compare.side import side_of  # noqa: PLC0415
    from harness.record.compare.trend import trend as trend_of  # noqa: PLC0415

    limits = read_limits(limit_time, limit_position)
    runs = [one.run for name in records for one in load_runs(name, history)]
    show_trend(trend_of(side_of(", ".join(records), runs), limits, confidence / 100), everything=everything)
