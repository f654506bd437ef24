"""Runs a suite for a command: what was done is shown whatever stops it, and its exit code tells how it went."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import click

from bench.errors import VentproofError
from bench.stated import harmless
from harness.cli.console import progress
from harness.cli.options import code_of_series, view_for
from harness.cli.reporting import write_all
from harness.cli.summary import show
from harness.judge.verdict import EXIT_BENCH, EXIT_PASS
from harness.series import run_series

if TYPE_CHECKING:
    from pathlib import Path

    from bench.document import Loaded
    from harness.profile.model import Profile
    from harness.series import Plan, Series
    from harness.session import Session

_LEFT_SHOWN: Final = 3


def run_suite(
    session: Session,
    suite: Sequence[Loaded[Profile]],
    plan: Plan,
    reports: Sequence[Path] = (),
    *,
    quiet: bool = False,
) -> int:
    """Run profiles, each as often as planned, show how they went, and return the exit code.

    Args:
        session: what stays the same for all of them.
        suite: the profiles.
        plan: how often to repeat each.
        reports: files to write of all that was run; each has an ending that was checked.
        quiet: show how the runs ended and what did not pass, and not every response.

    Raises:
        VentproofError: not even the first run came about.
    """
    try:
        return _run_suite(session, suite, plan, reports, quiet=quiet)
    finally:
        _tell_history(session)


def _tell_history(session: Session) -> None:
    """Say what is missing from the history; it changes no verdict and no exit code."""
    if session.keeper is not None and session.keeper.warning:
        click.echo(session.keeper.warning, err=True)


def _run_suite(
    session: Session, suite: Sequence[Loaded[Profile]], plan: Plan, reports: Sequence[Path], *, quiet: bool
) -> int:
    done: list[Series] = []
    try:
        broken_off = _run_all(session, suite, plan, done, quiet=quiet)
    except KeyboardInterrupt:
        if done:
            show(done, session.selfcheck, quiet=quiet)
            _report(reports, done, suite)
        raise
    show(done, session.selfcheck, quiet=quiet)
    if broken_off:
        click.echo(harmless(f"broken off: {broken_off}"))
    if session.signing is not None:
        from harness.record.keys import fingerprint  # noqa: PLC0415 - slow, and only who signs needs it

        click.echo(f"every log is signed, key {fingerprint(session.signing.public)}")
    left = [profile.model.profile for profile in suite[len(done) :]]
    for name in left[:_LEFT_SHOWN]:
        click.echo(f"not run: {name}")
    if more := len(left[_LEFT_SHOWN:]):
        click.echo(f"not run: {more} more")
    written = _report(reports, done, suite)
    code = EXIT_BENCH if broken_off else code_of_series(done)
    return EXIT_BENCH if code == EXIT_PASS and not written else code


def _run_all(
    session: Session, suite: Sequence[Loaded[Profile]], plan: Plan, done: list[Series], *, quiet: bool
) -> str:
    """Run profiles into `done` until one has no verdict; return what broke the suite off, if something did."""
    view = view_for(session.bench, quiet=quiet)
    with progress(shown=session.bench.model.virtual) as tell:
        for number, profile in enumerate(suite, start=1):
            tell(f"{number} of {len(suite)}: {profile.model.profile}")
            try:
                done.append(run_series(session, profile, view, plan))
            except VentproofError as error:
                if not done:
                    raise
                return str(error)
            if done[-1].broken_off or done[-1].results[-1].outcome.verdict is None:
                return done[-1].broken_off
    return ""


def _report(outs: Sequence[Path], done: Sequence[Series], suite: Sequence[Loaded[Profile]]) -> bool:
    logs = [result.log for series in done for result in series.results]
    return write_all(outs, logs, [profile.model.profile for profile in suite[len(done) :]])
