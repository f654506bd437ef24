"""`ventproof history`: past runs, found again by unit, firmware, profile, verdict and date."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, ParamSpec, TypeVar

import click

from ventproof.cli import HISTORY_FILE, HISTORY_VARIABLE, options
from ventproof_bench.base.text import harmless, number_of

if TYPE_CHECKING:
    from ventproof.history.store import History, Wanted
    from ventproof.runset.completeness import PresentLog


_SHOWN: Final = 30
_ON_PAGE: Final = 500

_P = ParamSpec("_P")
_R = TypeVar("_R")


def _placed(function: Callable[_P, _R]) -> Callable[_P, _R]:
    """Add the option that says where the history is kept."""
    return click.option(
        "--history",
        "place",
        default=HISTORY_FILE,
        envvar=HISTORY_VARIABLE,
        metavar="FILE|URL",
        show_default=True,
        show_envvar=True,
        help="The history: an SQLite file, or postgresql://user@host/database.",
    )(function)


_FILTERS: Final[dict[str, dict[str, Any]]] = {
    "unit": {"metavar": "PATTERN", "help": "Only this unit; in patterns * stands for anything."},
    "firmware": {"metavar": "PATTERN", "help": "Only this firmware version."},
    "profile": {"metavar": "PATTERN", "help": "Only this profile, by its name."},
    "verdicts": {
        "multiple": True,
        "type": click.Choice(["pass", "fail", "inconclusive", "aborted"]),
        "help": "Only runs with this verdict. May be given more than once.",
    },
    "since": {"metavar": "DATE", "help": "Only runs of this day (UTC) and later."},
    "until": {"metavar": "DATE", "help": "Only runs of this day (UTC) and earlier."},
    "limit": {"type": click.IntRange(1), "metavar": "N", "help": "Only the newest N runs."},
}


def _with_filters(names: Collection[str]) -> Callable[[Callable[..., _R]], Callable[..., _R]]:
    """Add options that say which runs are wanted; the command gets them together, as `wanted`."""

    def added(function: Callable[..., _R]) -> Callable[..., _R]:
        @wraps(function)
        def with_wanted(*args: object, **given: object) -> _R:
            return function(*args, wanted=_wanted({name: given.pop(name) for name in names}), **given)

        made: Callable[..., _R] = with_wanted
        for name in reversed([*names]):
            made = click.option(f"--{name.removesuffix('s')}", name, **_FILTERS[name])(made)
        return made

    return added


_filtered: Final = _with_filters(_FILTERS)


def _wanted(filters: dict[str, Any]) -> Wanted:
    from ventproof.history.store import Wanted, since_of, until_of  # noqa: PLC0415 - with the slow imports

    since, until = filters.pop("since"), filters.pop("until")
    return Wanted(
        since=since_of(since) if since else None, until=until_of(until) if until else None, **filters
    )


def _at_most(wanted: Wanted, most: int) -> Wanted:
    """Return what is wanted, limited where it is not yet."""
    return wanted if wanted.limit else replace(wanted, limit=most)


def _open(place: str, *, create: bool = False) -> History:
    from ventproof.history.database import place_of  # noqa: PLC0415 - SQLAlchemy is slow to import
    from ventproof.history.store import History  # noqa: PLC0415

    return History(place_of(place), create=create)


@click.group("history", invoke_without_command=True)
@_placed
@_filtered
@click.option(
    "--html",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write a page with units and trends instead of the list. Overwrites an existing file.",
)
@click.pass_context
def history(
    ctx: click.Context,
    place: str,
    wanted: Wanted,
    html: Path | None,
) -> int | None:
    """List past runs, newest first, or write a page of them.

    Each run is entered when it ends. The logs are the record; the history is an index. `import` rebuilds it.
    """
    if ctx.invoked_subcommand is not None:
        given = [name for name in ctx.params if ctx.get_parameter_source(name) is _ON_COMMAND_LINE]
        if given:
            raise click.UsageError(f"write the options after `{ctx.invoked_subcommand}`")
        return None
    past = _open(place)
    if html is not None:
        from ventproof.history.page import write_page  # noqa: PLC0415 - only where a page is asked for

        click.echo(f"{write_page(html, past, _at_most(wanted, _ON_PAGE))} runs in {html}")
        return 0
    from ventproof.terminal.dashboard import show_runs  # noqa: PLC0415 - rich is slow to import

    show_runs(past, _at_most(wanted, _SHOWN))
    return 0


_ON_COMMAND_LINE: Final = click.core.ParameterSource.COMMANDLINE


@history.command("import")
@_placed
@click.argument("logs", nargs=-1, required=True, type=click.Path(path_type=Path))
def import_command(place: str, logs: tuple[Path, ...]) -> int:
    """Enter LOGS (files or folders). Known runs are not entered again.

    Each run is judged again, and the signature of its log is checked. Contradicted runs are listed without verdict.
    Planned runs without a log are listed too.

    \b
    Exit code 0: every log was read and confirmed.
              2: the same, but planned runs are missing.
              3: a file is not a log; all others are entered.
              4: a log contradicts its own evidence, was changed, or cannot be judged again.
    """  # noqa: D301 - click's own mark for a paragraph that keeps its line breaks
    from collections import Counter  # noqa: PLC0415 - kept with the slow imports

    from ventproof.cli.report import code_of_standings  # noqa: PLC0415
    from ventproof.history.enter import imported  # noqa: PLC0415
    from ventproof.runset.present import checked_set  # noqa: PLC0415

    paths = options.log_paths(logs)
    past = _open(place, create=True)
    counts: Counter[str] = Counter()
    standings: set[str] = set()
    here: list[PresentLog] = []
    for one in imported(past, paths):
        here += [one.here] if one.here else []
        counts[one.entered] += 1
        standings.add(one.standing)
        if one.alarm:
            click.echo(harmless(one.alarm), err=True)
    said = {
        "new": "new",
        "continued": "known so far only in part",
        "known": "known already",
        "no run": "of self-checks, left out",
        "refused": "refused",
    }
    whole = checked_set(here, options.choice_of(logs))
    for sentence in whole.says:
        click.echo(harmless(sentence))
    parts = [f"{counts[key]} {text}" for key, text in said.items() if counts[key]]
    click.echo(f"{number_of(counts.total(), 'log')}: {', '.join(parts)}")
    return code_of_standings({*standings, whole.standing})


@history.command("export")
@_placed
@_filtered
@click.argument("file", type=click.Path(path_type=Path))
def export_command(
    place: str,
    file: Path,
    wanted: Wanted,
) -> int:
    """Write runs to FILE (.csv or .parquet), one row a response. A file of that name is replaced.

    In CSV a text that a spreadsheet would take for a formula gets an apostrophe before it.
    """
    from ventproof.history.export import export  # noqa: PLC0415 - with the slow imports

    rows = export(file, _open(place).entries(wanted))
    click.echo(f"{number_of(rows, 'row')} in {file}")
    return 0


@history.command("forget")
@_placed
@_with_filters([name for name in _FILTERS if name != "limit"])
@click.option(
    "--newest",
    type=click.IntRange(1),
    metavar="N",
    help="Keep the newest N runs of each profile, firmware and unit.",
)
@click.option("--confirm", is_flag=True, help="Do it; without this nothing is changed.")
def forget_command(place: str, wanted: Wanted, newest: int | None, *, confirm: bool) -> int:
    """Show which old runs the history can forget; with --confirm, forget them.

    Name them with --newest, --until or both. Forgotten runs are no longer listed, compared or exported. Their verdicts
    still count in the numbers of the history page. Runs that did not pass stay unless --verdict asks for them. The last
    pass of each profile, firmware and unit always stays. Logs stay as they are, and `import` enters them again.
    """
    from ventproof.history.retention import ForgottenTold, RetentionRule  # noqa: PLC0415 - with the slow imports

    if newest is None and wanted.until is None:
        raise click.UsageError("say which runs: give --newest N, --until DATE or both")
    rule = RetentionRule(newest, wanted.verdicts or ("pass",), wanted.since, wanted.until)
    of_all = replace(wanted, verdicts=(), since=None, until=None)
    told, digests = ForgottenTold(), []
    for entry in rule.forgettable(_open(place).entries(of_all, findings=False)):
        told.add(entry)
        digests.append(entry.record.digest)
    if confirm and digests:
        _open(place, create=True).forget(digests)
    for sentence in told.sentences:
        click.echo(harmless(sentence))
    done = "forgotten; logs stay as they are" if confirm else "would be forgotten; `--confirm` does it"
    click.echo(f"{number_of(len(digests), 'run')} {done}")
    return 0


@history.command("serve")
@_placed
@_filtered
@click.option(
    "--port", type=click.IntRange(0, 65535), default=0, help="TCP port.  [default: any that is free]"
)
def serve_command(
    place: str,
    wanted: Wanted,
    port: int,
) -> int:
    """Serve the page to browsers on this computer, with a report of each run, until Ctrl-C."""
    from ventproof.page.history import HistoryServer  # noqa: PLC0415 - only where something is served
    from ventproof.page.server import require_server  # noqa: PLC0415

    require_server("history serve")
    with HistoryServer(_open(place), _at_most(wanted, _ON_PAGE), port) as server:
        click.echo(f"The history is at {server.address.url}. Ctrl-C ends it.")
        server.serve()
    return 0
