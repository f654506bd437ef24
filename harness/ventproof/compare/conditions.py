"""Runs of one profile with other faults of the mock, or on another bench file, are no repeats: kept apart (pure)."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ventproof.compare.side import Side
    from ventproof.log.run import RunRecord
    from ventproof_bench.mock.faults.fault import GivenFault


class _Condition(NamedTuple):
    faults: tuple[GivenFault, ...] | None
    bench_sha256: str


_Names = Mapping[_Condition, str | None]
"""What the profile is called of the runs under each condition; None where they are left out."""


def kept_apart(base: Side, candidate: Side) -> tuple[Side, Side, tuple[str, ...]]:
    """Return both sides with runs under like conditions alone compared, and what was left out, a sentence each.

    Where a profile was run under several conditions, each that both sides have is a profile of its own. Of the same
    faults on other bench files the last runs of each side are compared. What has no counterpart is left out; runs of
    the candidate that did not pass stay, as known of one side only.
    """
    before, after = base.profiles, candidate.profiles
    names = {
        profile: _named(profile, before.get(profile, ()), after.get(profile, ()))
        for profile in dict.fromkeys((*before, *after))
    }
    old = replace(base, runs=tuple(_renamed(base.runs, {name: its for name, (its, _) in names.items()})))
    new = replace(
        candidate, runs=tuple(_renamed(candidate.runs, {name: its for name, (_, its) in names.items()}))
    )
    left = [*_left_out(base, "candidate", names, 0), *_left_out(candidate, "base", names, 1)]
    return old, new, tuple(left)


def _named(profile: str, base: Sequence[RunRecord], candidate: Sequence[RunRecord]) -> tuple[_Names, _Names]:
    """Return what a profile is called on both sides."""
    old, new = _conditions(base), _conditions(candidate)
    if len(old) <= 1 and len(new) <= 1:
        return dict.fromkeys(old, profile), dict.fromkeys(new, profile)
    every = (*old, *new)
    its: _Names = {one: f"{profile} ({_said(one, every)})" for one in every}
    pairs = list(_pairs(old, new))
    if not pairs:
        return {one: its[one] for one in old}, {one: its[one] for one in new}
    called = {one: its[one] if len(pairs) > 1 else profile for one, _ in pairs}
    names: dict[_Condition, str | None] = {other: called[one] for one, other in pairs}
    failed = {_condition(run) for run in candidate if run.verdict != "pass"}
    rest = {one: its[one] if one in failed else None for one in new}
    return {one: called.get(one) for one in old}, rest | names


def _pairs(
    base: Sequence[_Condition], candidate: Sequence[_Condition]
) -> Iterator[tuple[_Condition, _Condition]]:
    """Yield which conditions are compared with which."""
    given, others = ({one.faults for one in side} for side in (base, candidate))
    if len(given) == len(others) == 1:
        yield from _on_benches(base, candidate)
        return
    for faults in dict.fromkeys(one.faults for one in base if one.faults in others):
        old, new = ([one for one in side if one.faults == faults] for side in (base, candidate))
        yield from _on_benches(old, new)


def _on_benches(
    base: Sequence[_Condition], candidate: Sequence[_Condition]
) -> list[tuple[_Condition, _Condition]]:
    there = {one.bench_sha256: one for one in candidate}
    same = [(one, there[one.bench_sha256]) for one in base if one.bench_sha256 in there]
    return same or [(base[-1], candidate[-1])]


def _condition(run: RunRecord) -> _Condition:
    return _Condition(run.faults if run.clock == "virtual" else (), run.bench_sha256)


def _conditions(runs: Iterable[RunRecord]) -> list[_Condition]:
    """Return the conditions of some runs, those of the last run last."""
    found: dict[_Condition, None] = {}
    for one in map(_condition, runs):
        found.pop(one, None)
        found[one] = None
    return list(found)


def _said(one: _Condition, every: Sequence[_Condition]) -> str:
    """Return what tells a condition from others."""
    said = [_faults_said(one.faults)] if len({other.faults for other in every}) > 1 else []
    if len({other.bench_sha256 for other in every if other.faults == one.faults}) > 1:
        said.append(f"bench file {one.bench_sha256[:12]}")
    return ", ".join(said)


def _faults_said(faults: tuple[GivenFault, ...] | None) -> str:
    if faults is None:
        return "faults unknown"
    return f"fault {', '.join(fault.text for fault in faults)}" if faults else "no fault"


def _renamed(runs: Sequence[RunRecord], names: Mapping[str, _Names]) -> Iterator[RunRecord]:
    for run in runs:
        name = names[run.profile][_condition(run)]
        if name is not None:
            yield run if name == run.profile else replace(run, profile=name)


def _left_out(
    side: Side, other: str, names: Mapping[str, tuple[_Names, _Names]], place: int
) -> Iterator[str]:
    """Yield what is left out of a side, by its condition."""
    found: dict[str, list[str]] = defaultdict(list)
    for run in side.runs:
        one = _condition(run)
        if names[run.profile][place][one] is None:
            every = [condition for its in names[run.profile] for condition in its]
            found[_said(one, every)].append(run.profile)
    for said, profiles in found.items():
        count = f"{number_of(len(profiles), 'run')} of {number_of(len(set(profiles)), 'profile')}"
        yield f"{side.name}: {count} left out ({said}): the {other} has none like it"


def apart_by_faults(runs: Sequence[RunRecord]) -> tuple[RunRecord, ...]:
    """Return runs of several firmware versions; where one of them ran a profile with several faults, each is its own.

    Bench files change between versions, and tell nothing of repeats of one.
    """
    by_version: dict[tuple[str, str], set[tuple[GivenFault, ...] | None]] = defaultdict(set)
    for run in runs:
        by_version[run.profile, run.firmware].add(_condition(run).faults)
    mixed = {profile for (profile, _), faults in by_version.items() if len(faults) > 1}
    return tuple(
        replace(run, profile=f"{run.profile} ({_faults_said(_condition(run).faults)})")
        if run.profile in mixed
        else run
        for run in runs
    )
