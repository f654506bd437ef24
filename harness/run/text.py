"""How findings look in a terminal: one line each, and the table at the end; plain text unless colour is asked for."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from rich.table import Table

NOT_RUN: Final = "not run"
"""How the reason of a response begins whose step was never begun."""

VERDICT_STYLE: Final = {
    "pass": "green",
    "fail": "bold red",
    "inconclusive": "yellow",
    "aborted": "bold magenta",
}


def titled(profile: str, decision: str) -> str:
    """Return a profile's name, with its decision rule where that is not the guarded one."""
    return profile if decision == "guarded" else f"{profile} [decision: {decision}, readings as they stand]"


def signed_text(value: float) -> str:
    """Return a margin to a tenth; a violation too small for that keeps its sign by reading `> -0.1`."""
    return "> -0.1" if -0.05 <= value < 0 else f"{value + 0.0:+.1f}"  # noqa: PLR2004 - what rounds to -0.0


def span_text(pair: list[float] | None, unit: str, *, signed: bool = False) -> str:
    """Return an interval as `31.4 … 31.8 s`, or as one number where both ends read alike."""
    if pair is None:
        return "–"
    low, high = (signed_text(value) if signed else f"{value:.1f}" for value in pair)
    return f"{low} {unit}".rstrip() if low == high else f"{low} … {high} {unit}".rstrip()


def margin_text(finding: Mapping[str, Any]) -> str:
    """Return the worst margin in the signal's unit and in seconds, whichever there are."""
    unit = {"flag": "", "count": "", "state": ""}.get(finding["unit"], finding["unit"])
    parts = []
    if finding["margin"] is not None and unit:
        parts.append(f"{signed_text(finding['margin'][0])} {unit}")
    if finding["slack"] is not None:
        parts.append(f"{signed_text(finding['slack'][0])} s")
    return ", ".join(parts) or "–"


def finding_line(finding: Mapping[str, Any]) -> str:
    """Return one finding as a line without colour."""
    line = f"{finding['verdict']:<12}  {finding['signal']} {finding['demand']}"
    if finding["response"] is not None:
        line += f"  [took {span_text(finding['response'], 's')}]"
    if finding["verdict"] != "pass" and finding["why"]:
        line += f"\n{'':14}{finding['why']}"
    return line


def findings_table(title: str, findings: Sequence[Mapping[str, Any]]) -> Table:
    """Return the table of one run's findings; those of steps that were not run share one row."""
    from rich.table import Table  # noqa: PLC0415 - heavy, and only needed where a table is shown
    from rich.text import Text  # noqa: PLC0415

    table = Table(title=Text(title), title_justify="left", title_style="bold", expand=False)
    table.add_column("step", overflow="fold")
    table.add_column("response", overflow="fold", ratio=1)
    table.add_column("took", no_wrap=True)
    table.add_column("margin", no_wrap=True)
    table.add_column("verdict", no_wrap=True)
    previous = None
    ran = [f for f in findings if not f["why"].startswith(NOT_RUN)]
    for finding in ran:
        demand = f"{finding['signal']} {finding['demand']}"
        if finding["verdict"] != "pass" and finding["why"]:
            demand += f"\n→ {finding['why']}"
        if finding["verdict"] == "inconclusive" and finding.get("conformance") is not None:
            share = 100 * finding["conformance"]
            demand += f"\n→ probability of conformance {share:.0f} %, all that the readings leave being equally likely"
        table.add_row(
            Text("" if finding["in"] == previous else finding["in"]),
            Text(demand),
            span_text(finding["response"], "s"),
            margin_text(finding),
            Text(finding["verdict"], style=VERDICT_STYLE[finding["verdict"]]),
        )
        previous = finding["in"]
    if len(ran) < len(findings):
        left = f"{len(findings) - len(ran)} more, {NOT_RUN}: an earlier step did not pass"
        table.add_row("", Text(left), "–", "–", Text("not run", style=VERDICT_STYLE["inconclusive"]))
    return table


def plain(table: Table, *, width: int = 110) -> str:
    """Return a table as plain text without control codes."""
    from rich.console import Console  # noqa: PLC0415 - heavy, and only needed where a table is shown

    buffer = io.StringIO()
    Console(file=buffer, width=width, color_system=None, force_terminal=False).print(table)
    return buffer.getvalue()
