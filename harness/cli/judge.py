"""`ventproof judge`: decide again from a log, without a bench."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("judge")
@click.argument("log", type=click.Path(path_type=Path))
@click.option(
    "--profile",
    type=click.Path(path_type=Path),
    help="Decide with this edited profile; its stimuli must be those of the log.",
)
def command(log: Path, profile: Path | None) -> int:
    """Decide again from LOG's evidence, and say what changed against the verdicts that it holds."""
    from harness.cli import EXIT_BENCH  # noqa: PLC0415 - kept with the slow imports below
    from harness.cli.options import code_of  # noqa: PLC0415
    from harness.cli.summary import show_decided  # noqa: PLC0415
    from harness.profile.load import load_profile  # noqa: PLC0415 - pydantic is slow to import
    from harness.record.again import decide_again  # noqa: PLC0415
    from harness.record.read import read_log  # noqa: PLC0415

    state = read_log(log)
    decided = decide_again(state, load_profile(profile) if profile else None)
    show_decided(str(log), state, decided)
    return EXIT_BENCH if decided.verdict is None else code_of([decided.verdict])
