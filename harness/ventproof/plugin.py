"""The pytest plugin: `pytest PROFILES --bench FILE` runs each YAML profile as one test.

It does nothing unless `--bench` is given, and imports the rest of ventproof only then.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Generator, Iterator, Sequence
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Self

import pytest
from _pytest._code.code import ReprFileLocation, TerminalRepr
from _pytest._io import TerminalWriter

from ventproof_bench.base.errors import BenchError, FileError, LinkError, VentproofError
from ventproof_bench.base.text import one_line

if TYPE_CHECKING:
    from ventproof.profile.model import Profile
    from ventproof.session.planned import PlannedRuns
    from ventproof.session.session import RunResult, Session
    from ventproof_bench.yamlfile.load import Loaded


_SESSION: pytest.StashKey[Session] = pytest.StashKey()
_RUNS: pytest.StashKey[PlannedRuns] = pytest.StashKey()
_NO_VERDICT: Final[Any] = "run"
_NOT_CLOSED: pytest.StashKey[str] = pytest.StashKey()


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the bench's options."""
    group = parser.getgroup("ventproof", "test profiles on a bench")
    group.addoption(
        "--bench", metavar="FILE", type=Path, help="bench file; YAML profiles are collected as tests"
    )
    group.addoption("--unit", default="", help="serial number of the unit under test")
    group.addoption("--firmware", default="", help="its firmware version")
    group.addoption("--operator", default="", help="who runs the test")
    group.addoption(
        "--records", metavar="DIR", type=Path, default=Path("records"), help="folder for the logs"
    )
    group.addoption(
        "--history",
        metavar="FILE|URL|none",
        default=os.environ.get("VENTPROOF_HISTORY"),
        help="enter every run here; without it, into history.sqlite in the folder for the logs",
    )
    group.addoption("--bench-seed", type=int, default=0, help="seed for what is random on a virtual bench")
    group.addoption(
        "--map",
        action="append",
        default=[],
        metavar="NAME=BENCH_NAME",
        help="take the bench's BENCH_NAME where profiles say NAME",
    )
    group.addoption(
        "--any-path", action="store_true", help="let profiles name files outside their own folders"
    )
    group.addoption(
        "--acceptance",
        metavar="FILE",
        type=Path,
        help="data of the acceptance test, for the logs and their report",
    )
    group.addoption(
        "--waivers",
        metavar="FILE",
        type=Path,
        help="known fails that are accepted, for the logs and their report; the tests fail all the same",
    )
    group.addoption(
        "--confirm-clear", action="store_true", help="vents and drives are clear of people and guarded"
    )
    group.addoption("--use", action="append", dest="map", default=[], help=argparse.SUPPRESS)
    group.addoption("--clear", action="store_true", dest="confirm_clear", help=argparse.SUPPRESS)


def pytest_configure(config: pytest.Config) -> None:
    """Load the bench file; a fault in it ends pytest before anything is collected."""
    path: Path | None = config.getoption("--bench")
    if path is None:
        return
    from ventproof.history.enter import keeper_of, ledger_beside  # noqa: PLC0415
    from ventproof.papers.acceptance import agreed, load_acceptance  # noqa: PLC0415
    from ventproof.papers.waivers import load_waivers  # noqa: PLC0415
    from ventproof.session.session import Session, use_pairs  # noqa: PLC0415
    from ventproof.verdict.old_names import OPTIONS  # noqa: PLC0415
    from ventproof_bench.benchcheck.load import load_bench  # noqa: PLC0415 - only when profiles are asked for

    for option in (word.partition("=")[0] for word in config.invocation_params.args):
        if new := OPTIONS["pytest"].get(str(option)):
            said = f"`{option}` is now `{new}`; a later version refuses the old name"
            config.issue_config_time_warning(pytest.PytestWarning(said), stacklevel=2)
    acceptance, waivers = config.getoption("--acceptance"), config.getoption("--waivers")
    try:
        papers = load_acceptance(acceptance) if acceptance else None
        unit, firmware, operator = (
            agreed(papers, of, config.getoption(f"--{of}")) for of in ("unit", "firmware", "operator")
        )
        config.stash[_SESSION] = Session(
            bench=load_bench(path),
            out=config.getoption("--records"),
            unit=unit,
            firmware=firmware,
            operator=operator,
            acceptance=papers,
            waivers=load_waivers(waivers) if waivers else None,
            seed=config.getoption("--bench-seed"),
            use=use_pairs(config.getoption("--map")),
            keeper=keeper_of(config.getoption("--history"), config.getoption("--records")),
            ledger=ledger_beside(config.getoption("--history"), config.getoption("--records")),
        )
    except FileError as error:
        raise pytest.UsageError(str(error)) from error


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Close the set of runs; a worker that runs a share of it cannot."""
    runs = session.config.stash.get(_RUNS, None)
    if runs is None or hasattr(session.config, "workerinput"):
        return
    try:
        runs.close(str(session.shouldstop or session.shouldfail or "pytest ended before"))
    except VentproofError as error:
        session.config.stash[_NOT_CLOSED] = f"MANIFEST NOT WRITTEN: {error}"
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Say which runs are missing from the history, and where the set of runs could not be closed."""
    if said := config.stash.get(_NOT_CLOSED, ""):
        terminalreporter.write_line(said, red=True)
    session = config.stash.get(_SESSION, None)
    if session is not None and session.keeper is not None and session.keeper.warning:
        terminalreporter.write_line(session.keeper.warning, yellow=True)


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> ProfileFile | None:
    """Take YAML files as profiles, when there is a bench to run them on; bench files and tables are none."""
    if file_path.suffix not in {".yaml", ".yml"} or _SESSION not in parent.config.stash:
        return None
    from ventproof_bench.yamlfile.load import kind_of  # noqa: PLC0415 - only when profiles are asked for

    with suppress(FileError):  # whoever loads it says what is wrong
        if kind_of(file_path) != "profile":
            return None
    return ProfileFile.from_parent(parent, path=file_path)


def pytest_collection_finish(session: pytest.Session) -> None:
    """Refuse to drive real outputs when nobody said that vents and drives are clear."""
    ours = [item for item in session.items if isinstance(item, ProfileItem)]
    options = session.config.option
    if ours:
        _check_use(session)
        _plan(session.config, ours)
    if ours and not options.collectonly:
        _look_before(session.config, clear=options.confirm_clear)


def _look_before(config: pytest.Config, *, clear: bool) -> None:
    from ventproof.session.onward import probed, reserved  # noqa: PLC0415 - only when profiles are asked for

    bench = config.stash[_SESSION].bench

    if not clear and not bench.model.virtual:
        raise pytest.UsageError(
            f"{bench.path} drives real outputs: give --confirm-clear once all vents and drives are clear of people "
            "and guarded"
        )
    held = ExitStack()
    config.add_cleanup(held.close)
    try:
        held.enter_context(reserved(bench, "pytest"))
        probed(bench)
    except FileError as error:
        raise pytest.UsageError(str(error)) from error


def _plan(config: pytest.Config, items: Sequence[ProfileItem]) -> None:
    """Plan the runs, each item being one."""
    from ventproof.session.planned import PlannedRuns  # noqa: PLC0415 - only when profiles are asked for

    config.stash[_RUNS] = PlannedRuns(config.stash[_SESSION], [item.profile for item in items])
    for number, item in enumerate(items):
        item.number = number


def _check_use(session: pytest.Session) -> None:
    from ventproof.profile.bind import check_use  # noqa: PLC0415 - only when profiles are asked for

    profiles = [item.profile for item in session.items if isinstance(item, ProfileItem)]
    problems = check_use(session.config.stash[_SESSION].use, profiles)
    if problems:
        raise pytest.UsageError("\n".join(str(problem) for problem in problems))
    for problem in session.config.stash[_SESSION].misspelt(profiles):
        session.config.issue_config_time_warning(pytest.PytestWarning(str(problem)), stacklevel=2)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Tell a unit that failed (a failure) from a run of which nobody can say (an error), as JUnit of `run` does."""
    report = yield
    if isinstance(item, ProfileItem) and call.when == "call" and call.excinfo is not None:
        error = call.excinfo.value
        if isinstance(error, BenchError | FileError) or (
            isinstance(error, NotPassedError) and not error.failed
        ):
            report.when = _NO_VERDICT  # whatever is not `call` is an error to pytest
    return report


def pytest_report_teststatus(report: pytest.TestReport) -> tuple[str, str, str] | None:
    """Count a run without a verdict among the errors."""
    return ("error", "E", "ERROR") if report.when == _NO_VERDICT and report.failed else None


class ProfileFile(pytest.File):
    """A YAML file with one profile."""

    def collect(self) -> Iterator[ProfileItem]:
        """Load the profile and tie it to the bench, before anything is switched."""
        from ventproof.profile.load import load_profile  # noqa: PLC0415 - only when profiles are asked for

        try:
            profile = load_profile(self.path, any_path=self.config.getoption("--any-path"))
            self.config.stash[_SESSION].bind(profile)
        except FileError as error:
            raise self.CollectError(str(error)) from None
        for note in profile.renamed:
            self.warn(pytest.PytestWarning(str(note)))
        yield ProfileItem.from_parent(self, name=profile.model.profile, profile=profile)


class ProfileItem(pytest.Item):
    """One profile as one test."""

    def __init__(self, *, profile: Loaded[Profile], **kwargs: Any) -> None:  # noqa: ANN401 - pytest's own arguments
        super().__init__(**kwargs)
        self.profile = profile
        self.number = 0

    @classmethod
    def from_parent(cls, parent: Any, **kwargs: Any) -> Self:  # noqa: ANN401 - pytest's own arguments
        """Make the item, as pytest wants it made."""
        return super().from_parent(parent, **kwargs)

    def runtest(self) -> None:
        """Run the profile; anything but a pass fails the test."""
        from ventproof.log.gaps import gaps_text  # noqa: PLC0415 - only when profiles are asked for
        from ventproof.run.view import SilentView  # noqa: PLC0415
        from ventproof.verdict.text import response  # noqa: PLC0415

        runs = self.config.stash[_RUNS]
        try:
            result = runs.run(self.number, SilentView())
        except LinkError as error:
            self.session.shouldstop = str(error)
            raise
        self.user_properties += [("log", str(result.log)), ("digest", result.digest)]
        if result.gaps:
            self.user_properties.append(("gaps", gaps_text(result.gaps)))
        self.user_properties += [
            ("shows nothing", f"{response(f)}: {f.why}") for f in result.findings if f.hollow
        ]
        if runs.ended:
            self.session.shouldstop = f"nothing more is driven: {runs.ended}"
        if result.outcome.verdict != "pass":
            raise NotPassedError(result)

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:  # noqa: ANN401 - pytest's signature
        """Show the table of findings rather than a traceback."""
        if isinstance(excinfo.value, NotPassedError):
            return ToldFailure(self.path, excinfo.value.brief, str(excinfo.value))
        if isinstance(excinfo.value, BenchError | FileError):
            return ToldFailure(self.path, str(excinfo.value).partition("\n")[0], str(excinfo.value))
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int, str]:
        """Return where the profile stands and what it is called."""
        return self.path, 0, self.name


class ToldFailure(TerminalRepr):
    """Why a profile did not pass: a line for summaries and JUnit, and the whole."""

    def __init__(self, path: Path, brief: str, text: str) -> None:
        self.reprcrash = ReprFileLocation(str(path), 1, brief)
        self._text = text

    def toterminal(self, tw: TerminalWriter) -> None:
        """Write the whole."""
        tw.line(self._text)


class NotPassedError(Exception):
    """A profile failed, stayed inconclusive, or was aborted; its text is the table of findings.

    Attributes:
        failed: whether the unit failed; else nobody can say.
        brief: the verdict and its first reason, in one line.
    """

    def __init__(self, result: RunResult) -> None:
        from ventproof.terminal.findings import findings_table, plain  # noqa: PLC0415 - only when something did not pass
        from ventproof.verdict.text import response  # noqa: PLC0415

        outcome = result.outcome
        self.failed = outcome.verdict == "fail"
        verdict = outcome.verdict or f"aborted: {outcome.aborted}"
        first = [f"{response(f)}: {f.why}" for f in result.findings if str(f.status) == outcome.verdict][:1]
        self.brief = one_line(": ".join([verdict, *first]))
        table = plain(findings_table(result.profile, result.findings))
        super().__init__(f"{table}{verdict}\nlog {result.log}, digest {result.digest}")
