"""Options of the commands that compare firmware versions."""

from __future__ import annotations

from typing import Final

import click

from harness.cli import HISTORY_FILE, HISTORY_VARIABLE

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
