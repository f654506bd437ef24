"""Runs a suite for a command: what was done is shown whatever stops it, and its exit code tells how it went."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from bench.errors import VentproofError
from harness.cli import EXIT_BENCH
from harness.cli.options import code_of_series, view_for
from harness.cli.summary import show
from harness.series import run_series

if TYPE_CHECKING:
    from bench.document import Loaded
    from harness.profile.model import Profile
    from harness.series import Plan, Series
    from harness.session import Session


def run_suite(session: Session, suite: Sequence[Loaded[Profile]], plan: Plan) -> int:
    """Run profiles, each as often as planned, show how they went, and return the exit code.

    Raises:
        VentproofError: not even the first run came about.
    """
    try:
        return _run_suite(session, suite, plan)
    finally:
        _tell_history(session)


def _tell_history(session: Session) -> None:
    """Say what is missing from the history; it changes no verdict and no exit code."""
    if session.keeper is not None and session.keeper.warning:
        click.echo(session.keeper.warning, err=True)


def _run_suite(session: Session, suite: Sequence[Loaded[Profile]], plan: Plan) -> int:
    view = view_for(session.bench)
    done: list[Series] = []
    broken_off = ""
    for profile in suite:
        try:
            done.append(run_series(session, profile, view, plan))
        except VentproofError as error:
            if not done:
                raise
            broken_off = str(error)
            break
        except KeyboardInterrupt:
            if done:
                show(done, session.selfcheck)
            raise
        broken_off = done[-1].broken_off
        if broken_off or done[-1].results[-1].outcome.verdict is None:
            break
    show(done, session.selfcheck)
    if broken_off:
        click.echo(f"broken off: {broken_off}")
    for profile in suite[len(done) :]:
        click.echo(f"not run: {profile.model.profile}")
    return EXIT_BENCH if broken_off else code_of_series(done)
