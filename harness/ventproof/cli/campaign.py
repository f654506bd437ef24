"""`ventproof campaign`: every combination of profiles, benches, units, firmware, seeds and faults."""

from __future__ import annotations

from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final, final

import click

from ventproof.cli import HISTORY_VARIABLE, options
from ventproof.cli.lab import LabAsked, with_lab
from ventproof.cli.report import REPORTS, write_all
from ventproof.cli.suite import Selection, load_suite
from ventproof.verdict.finding import EXIT_ACCEPTED, EXIT_BENCH, EXIT_INTERRUPTED, EXIT_PASS
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.text import harmless, stated

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from ventproof.campaign.carry_out import CampaignRuns
    from ventproof.campaign.planned import CampaignJob, PlannedGroup, Variants
    from ventproof.jobs.executor import Executor
    from ventproof.log.signing import SigningKey
    from ventproof.papers.waivers import Waivers
    from ventproof.profile.model import Profile
    from ventproof.runset.campaign import Campaign, CampaignBench
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded
    from ventproof_bench.yamlfile.tree import Path as Place


_INTERRUPTED: Final = "interrupted"


@click.command("campaign")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@options.folder("--out", "records/campaign", "Folder for the logs, a folder of each plan in it.")
@options.OPERATOR
@click.option(
    "--resume",
    is_flag=True,
    help="Continue the campaign that began in --out. Runs with a verdict are kept. Runs without one are repeated.",
)
@with_lab
@options.WAIVERS
@options.SIGN
@click.option(
    "--history",
    envvar=HISTORY_VARIABLE,
    show_envvar=True,
    metavar="FILE|URL|none",
    help="Enter every run here when its log arrives: an SQLite file, or postgresql://user@host/database.  "
    "[default: history.sqlite in the folder for the logs]",
)
@REPORTS
@options.ANY_PATH
def campaign(
    file: Path,
    out: Path,
    operator: str,
    resume: bool,
    lab: LabAsked,
    waivers: Path | None,
    sign: Path | None,
    history: str | None,
    reports: tuple[Path, ...],
    any_path: bool,
) -> int:
    """Run each combination of a campaign FILE: profiles, benches, units, firmware versions, faults, seeds, repeats.

    `ventproof explain campaign` shows such a file. The record of the campaign in --out lists all that is to be run:
    `ventproof verify` names what is missing. `--sign` signs it, too. Exit codes are those of `ventproof run`.
    """
    from ventproof.campaign.carry_out import CampaignRuns, campaign_folder  # noqa: PLC0415 - slow
    from ventproof.cli.sign import signing_key  # noqa: PLC0415
    from ventproof.history.enter import keeper_of  # noqa: PLC0415
    from ventproof.runset.campaign import load_campaign  # noqa: PLC0415

    loaded, known = options.warned(load_campaign(file, any_path=any_path)), options.waivers_of(waivers)
    groups = groups_in(loaded, any_path=any_path)
    if lab.address is None:
        _require_virtual(groups)
    _warn_of_misspelt(known, groups)
    stated(operator, "--operator")
    key = signing_key(sign) if sign else None
    with campaign_folder(out) as folder:
        keeper = keeper_of(history, folder)
        runs = CampaignRuns(
            loaded.model.campaign, folder, groups, operator, keeper, waivers=known, key=key, resume=resume
        )
        try:
            code = _carry_out(runs, lab, reports, key)
            if code == EXIT_INTERRUPTED:
                options.aside(f"to go on: ventproof campaign {file} --resume --out {folder}")
            return code
        finally:
            if keeper is not None and keeper.warning:
                click.echo(keeper.warning, err=True)


def _warn_of_misspelt(waivers: Waivers | None, groups: Sequence[PlannedGroup]) -> None:
    """Say which names in waivers no profile of any bench has."""
    from ventproof.session.session import Session  # noqa: PLC0415

    suite = {profile.digest: profile for group in groups for profile in group.suite}
    for problem in Session(bench=groups[0].bench, out=Path(), waivers=waivers).misspelt(suite.values()):
        options.aside(f"warning: {problem}")


def groups_in(campaign: Campaign, *, any_path: bool) -> list[PlannedGroup]:
    """Return the plans of a campaign, its benches and profiles checked.

    Args:
        campaign: the file.
        any_path: let profiles name files outside their folders.

    Raises:
        FileError: something in one of the files is wrong; every fault found.
    """
    from ventproof.campaign.planned import groups_of, variants_of  # noqa: PLC0415
    from ventproof.session.session import Session  # noqa: PLC0415

    found = _Found(campaign)
    model = campaign.model
    every = found.profiles(("profiles",), model.profiles) if model.profiles else [options.SHIPPED]
    benches: list[Loaded[BenchFile]] = []
    suites: list[Sequence[Loaded[Profile]]] = []
    variants: Variants = {}
    named: Sequence[CampaignBench | None] = model.benches or [None]
    for number, one in enumerate(named):
        place = ("benches", number, "profiles")
        its = every if one is None or one.profiles is None else found.profiles(place, one.profiles)
        session = None
        with found.problems_of():
            benches.append(found.bench(number, one))
            session = Session(bench=benches[-1], out=Path())
        with found.problems_of():
            suites.append(load_suite(its, session, Selection(any_path=any_path)) if its else [])
    if len(benches) == len(named):
        with found.problems_of():
            variants = variants_of(campaign, benches, lambda one, fault: options.with_faults(one, [fault]))
    if found.problems:
        raise FileError(found.in_order)
    return groups_of(campaign, benches, suites, variants)


@final
class _Found:
    """The files that a campaign names, and what is wrong with them, each once."""

    def __init__(self, campaign: Campaign) -> None:
        self._campaign = campaign
        self._folder = Path(campaign.path).parent
        self.problems: dict[Problem, None] = {}

    @contextmanager
    def problems_of(self) -> Iterator[None]:
        """Take what is wrong with a file, and go on with the others."""
        try:
            yield
        except FileError as error:
            self.problems |= dict.fromkeys(error.problems)

    @property
    def in_order(self) -> list[Problem]:
        """What is wrong with the campaign file itself, by its lines, then all else."""
        own = [one for one in self.problems if one.file == self._campaign.path]
        others = [one for one in self.problems if one.file != self._campaign.path]
        return sorted(own, key=lambda one: (one.line or 0, one.column or 0)) + others

    def bench(self, number: int, named: CampaignBench | None) -> Loaded[BenchFile]:
        """Return a bench; the shipped one where none is named.

        Raises:
            FileError: it is not there, or something in it is wrong.
        """
        if named is None:
            return options.bench_at(options.SHIPPED_BENCH)
        return options.bench_at(self._there(("benches", number, "file"), named.file))

    def profiles(self, place: Place, names: Sequence[str]) -> list[Path]:
        """Return profiles, and folders of such, that are there."""
        found = []
        for number, name in enumerate(names):
            with self.problems_of():
                found.append(self._there((*place, number), name))
        return found

    def _there(self, place: Place, name: str) -> Path:
        """Return a file or folder that is there; one that is not is told where it is named."""
        path = self._folder / name
        try:
            options.profile_paths([path])
        except FileError as error:
            raise FileError(
                self._campaign.problem(place, f"{name!r} {one.reason}", one.hint) for one in error.problems
            ) from None
        return path


def _require_virtual(groups: list[PlannedGroup]) -> None:
    """Refuse real outputs, which need a worker that holds them."""
    real = {group.bench.path: group.bench.model.bench for group in groups if not group.bench.model.virtual}
    if real:
        hint = "start `ventproof worker` on its computer and give --scheduler, or use `ventproof run`"
        raise FileError(
            Problem(path, None, None, f"bench {name!r} drives real outputs, and no worker holds it", hint)
            for path, name in real.items()
        )


def _carry_out(runs: CampaignRuns, lab: LabAsked, reports: Sequence[Path], key: SigningKey | None) -> int:
    """Make the runs that are missing, show how they went, report them, and return the exit code."""
    from ventproof.campaign.told import end_lines, plan_lines  # noqa: PLC0415
    from ventproof.log.names import has_signature  # noqa: PLC0415
    from ventproof.runset.present import Choice  # noqa: PLC0415

    for line in plan_lines(runs):
        options.aside(line)
    broken_off = _made(runs, lab)
    logs = runs.kept.logs
    if key is not None and logs and not runs.unclosed and all(map(has_signature, logs)):
        from ventproof.log.signing import fingerprint  # noqa: PLC0415 - slow, and only who signs needs it

        click.echo(f"every log, every manifest and the record are signed, key {fingerprint(key.public)}")
    if runs.waived is not None:
        options.tell_waived(runs.waived)
    for line in end_lines(runs, broken_off):
        click.echo(harmless(line))
    written = write_all(reports if logs else (), logs, Choice.RECORDED)
    if broken_off == _INTERRUPTED:
        return EXIT_INTERRUPTED
    whole = written and not (broken_off or runs.unclosed)
    return EXIT_BENCH if not whole and runs.code in {EXIT_PASS, EXIT_ACCEPTED} else runs.code


def _made(runs: CampaignRuns, lab: LabAsked) -> str:
    """Make the runs that are missing; return what broke the campaign off, if something did."""
    from ventproof.campaign.told import CampaignProgress  # noqa: PLC0415
    from ventproof.terminal.progress import telling  # noqa: PLC0415
    from ventproof_bench.base.clock import Stopwatch  # noqa: PLC0415

    if not runs.jobs:
        runs.close()
        return ""
    with telling(Stopwatch().gone_s) as tell:
        progress = CampaignProgress(runs, tell)
        doing = _executor(runs, lab, progress.remark)
        try:
            with doing as doers:
                return runs.carry_out(doers, progress.told, options.aside)
        except KeyboardInterrupt:
            return _INTERRUPTED


@contextmanager
def _executor(runs: CampaignRuns, asked: LabAsked, said: Callable[[str], None]) -> Iterator[Executor]:
    """Give who makes the runs: the workers of a lab, or this computer."""
    from ventproof.campaign.work import JobLeft  # noqa: PLC0415
    from ventproof.jobs.executor import cores, own_processes  # noqa: PLC0415

    if asked.address is None:
        count = min(asked.jobs or cores(), len(runs.jobs))
        with own_processes(count, begin=str) as processes:
            yield processes
        return
    from ventproof.lab.executor import LabExecutor  # noqa: PLC0415 - only in a lab

    def lost(_: CampaignJob, why: str) -> JobLeft:
        return JobLeft(why=why)

    with LabExecutor(asked.address, lambda job: job.real_bench, lost, said, options.aside) as lab:
        benches = {job.real_bench: job.bench.digest for job in runs.jobs if job.real_bench}
        lab.require(benches, virtual=any(not job.real_bench for job in runs.jobs))
        yield lab
