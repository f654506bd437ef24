"""A campaign as plans of runs, and these as numbered jobs."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from secrets import token_hex
from typing import TYPE_CHECKING, Final, final

from ventproof.campaign.combined import bench_problems, combinations
from ventproof.log.plan import Plan, PlannedRun, campaign_of
from ventproof.profile.duration import longest_s
from ventproof.runset.campaign import HEALTHY, Campaign
from ventproof.runset.campaign_record import CampaignRecord
from ventproof.session.session import Session, slug
from ventproof_bench.base.errors import FileError, Problem

if TYPE_CHECKING:
    from ventproof.papers.waivers import Waivers
    from ventproof.profile.model import Profile
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded

    Faulty = Callable[[Loaded[BenchFile], str], Loaded[BenchFile]]
    Variants = Mapping[tuple[int, str], Loaded[BenchFile]]


MOST_RUNS: Final = 100_000


@final
@dataclass(frozen=True, slots=True)
class CampaignJob:
    """One run of a campaign, as it is sent to whoever makes it.

    Attributes:
        group: number of its group, from 0.
        place: in the plan of the group.
        profile: what is run.
        bench: where.
        operator: who runs the campaign.
        token: of a run that moves something real: it begins once; empty in virtual time.
        waivers: the deviations that were accepted before; None: there are none.
    """

    group: int
    place: PlannedRun
    profile: Loaded[Profile]
    bench: Loaded[BenchFile]
    operator: str
    token: str = ""
    waivers: Waivers | None = None

    @property
    def real_bench(self) -> str:
        """Name of the bench that must make it; empty in virtual time, where anybody may."""
        return "" if self.bench.model.virtual else self.bench.model.bench

    def session(self, out: Path, ledger: Path | None = None) -> Session:
        """Return what runs it.

        Args:
            out: folder for its log.
            ledger: where the operations of relays are added up.
        """
        plan = self.place.plan
        return Session(
            bench=self.bench,
            out=out,
            unit=plan.unit,
            firmware=plan.firmware,
            operator=self.operator,
            waivers=self.waivers,
            seed=plan.seed,
            ledger=ledger,
            token=self.token,
        )


@final
@dataclass(frozen=True, slots=True)
class PlannedGroup:
    """The runs of one plan: all profiles on one bench, with one unit, firmware version, fault and first seed.

    Attributes:
        said: what it has of its own, in words.
        folder: name of the folder of its logs.
        bench: the bench, with the fault.
        suite: the profiles, in order.
        plan: the plan.
    """

    said: str
    folder: str
    bench: Loaded[BenchFile]
    suite: tuple[Loaded[Profile], ...]
    plan: Plan

    @property
    def longest_s(self) -> float:
        """How long its runs take together at most, in the time of the bench, seconds."""
        return self.plan.repeats * sum(longest_s(profile.model) for profile in self.suite)

    def profile(self, run: int) -> Loaded[Profile]:
        """Return what a run of it runs, from 1."""
        return self.suite[(run - 1) // self.plan.repeats]

    def job(self, number: int, run: int, operator: str, waivers: Waivers | None = None) -> CampaignJob:
        """Return a run of it as a job.

        Args:
            number: of the group, from 0.
            run: which run of the plan, from 1.
            operator: who runs the campaign.
            waivers: the deviations that were accepted before.
        """
        place = PlannedRun(self.plan, run)
        return CampaignJob(number, place, self.profile(run), self.bench, operator, waivers=waivers)


def groups_of(
    campaign: Campaign,
    benches: Sequence[Loaded[BenchFile]],
    suites: Sequence[Sequence[Loaded[Profile]]],
    variants: Variants,
) -> list[PlannedGroup]:
    """Return the plans of a campaign, in order.

    Args:
        campaign: the file.
        benches: its benches, in its order.
        suites: the profiles of each bench.
        variants: of `variants_of`.

    Raises:
        FileError: there are too many runs.
    """
    models = [bench.model for bench in benches]
    wanted = combinations(campaign, models)
    runs = sum(len(suites[one.bench]) for one in wanted) * campaign.model.repeats
    if runs > MOST_RUNS:
        reason = f"the combinations are {runs:,} runs, and a campaign has at most {MOST_RUNS:,}"
        raise FileError([campaign.problem(("campaign",), reason, "combine less, or write several campaigns")])
    groups = []
    for number, one in enumerate(wanted, start=1):
        bench, said = (
            variants[one.bench, one.fault],
            one.said(models[one.bench].bench if len(models) > 1 else ""),
        )
        session = Session(bench=bench, out=Path(), unit=one.unit, firmware=one.firmware, seed=one.seed)
        plan = session.plan(suites[one.bench], campaign.model.repeats)
        groups.append(
            PlannedGroup(
                said or "all", f"{number:03d}-{slug(said or 'all')}", bench, tuple(suites[one.bench]), plan
            )
        )
    part = campaign_of(campaign.model.campaign, [group.plan for group in groups])
    return [replace(group, plan=replace(group.plan, part=part)) for group in groups]


def variants_of(campaign: Campaign, benches: Sequence[Loaded[BenchFile]], faulty: Faulty) -> Variants:
    """Return each bench with each fault.

    Args:
        campaign: the file.
        benches: its benches, in its order.
        faulty: gives the mock unit of a bench a fault.

    Raises:
        FileError: benches and units do not fit, or a fault is unknown; each at its place in the campaign file.
    """
    found = {(number, ""): bench for number, bench in enumerate(benches)}
    problems = list(bench_problems(campaign, [bench.model for bench in benches]))
    for place, fault in enumerate(campaign.model.faults):
        for number, bench in enumerate(benches):
            if bench.model.virtual:
                try:
                    found[number, fault] = faulty(bench, fault) if fault != HEALTHY else bench
                except FileError as error:
                    problems += [
                        campaign.problem(("faults", place), one.reason, one.hint) for one in error.problems
                    ]
    if problems:
        raise FileError(dict.fromkeys(problems))
    return found


def jobs_of(
    groups: Sequence[PlannedGroup], operator: str, waivers: Waivers | None = None
) -> Iterator[CampaignJob]:
    """Yield all runs of some plans as jobs, in order."""
    for number, group in enumerate(groups):
        for run in range(1, group.plan.runs + 1):
            yield group.job(number, run, operator, waivers)


def new_record(campaign: str, groups: Sequence[PlannedGroup]) -> CampaignRecord:
    """Return what a campaign notes before its first job: its plans, and a token for each run on real outputs."""
    tokens = {
        (number, run): token_hex(16)
        for number, group in enumerate(groups)
        if not group.bench.model.virtual
        for run in range(1, group.plan.runs + 1)
    }
    return CampaignRecord(campaign, {group.folder: group.plan for group in groups}, tokens)


def continued(record: CampaignRecord, groups: Sequence[PlannedGroup]) -> list[PlannedGroup]:
    """Return groups with the plans that they began with.

    Raises:
        FileError: the campaign is not what it was.
    """
    # In order: their folders may have had other names in another version.
    same = [
        replace(group, folder=folder, plan=plan)
        for group, (folder, plan) in zip(groups, record.plans.items(), strict=False)
        if group.plan.is_same_work(plan)
    ]
    if not len(same) == len(groups) == len(record.plans):
        reason = (
            f"campaign {record.campaign!r} is not as it was: its profiles, benches or combinations changed"
        )
        hint = "a campaign goes on with what it began with; begin a new one in another --out"
        raise FileError([Problem("--resume", None, None, reason, hint)])
    return same
