"""What was required, what was measured and how it stands, test by test; and which tests prove what (pure)."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import groupby
from typing import Final

from ventproof.papers.waivers import ACCEPTED
from ventproof.rejudge.standing import STANDINGS
from ventproof.report.model import (
    Chapter,
    ReportedMark,
    ReportedRequirement,
    ReportedStep,
    ReportedTest,
    ReportedTrace,
)
from ventproof.report.model import ReportedResponse as Response
from ventproof.verdict.naming import NamedRun, names_apart

MEANINGS: Final = (
    "Pass: every movement that the readings allow meets the requirement.",
    (
        "Margin: of a pass, the distance from the limit in the worst case that the readings allow; of a fail, how far "
        "beyond the limit it was at least."
    ),
    "Inconclusive: some movements that the readings allow meet the requirement, and some do not. This is not a pass.",
)
"""What a reader must know to read a table of verdicts, a line each."""


def verdict_of(response: Response) -> str:
    """Return how a response stands: as the log says, unless its evidence says otherwise."""
    return "contradicted" if response.again else response.verdict


def mark_of(response: Response) -> str:
    """Return the same as its mark shows it: a pass that shows nothing has a mark of its own."""
    verdict = verdict_of(response)
    return "hollow" if verdict == "pass" and response.hollow else verdict


def names_of(chapters: Sequence[Chapter]) -> Callable[[Chapter], str]:
    """Return what names a run to a reader: its profile, and what tells it from others of that profile."""
    runs = [NamedRun(one.profile, one.identity, one.repeat, one.seed, one.log) for one in chapters]
    names = dict(zip((one.ident for one in chapters), names_apart(runs), strict=True))
    return lambda chapter: names[chapter.ident]


def worst_of_tests(chapters: Sequence[Chapter]) -> Iterator[tuple[str, Chapter, list[Chapter]]]:
    """Yield each test with its id: the worst of its runs, and all of them; in the order of the report."""
    places = {chapter.profile: place for place, chapter in reversed([*enumerate(chapters)])}
    ordered = sorted(chapters, key=lambda chapter: places[chapter.profile])
    ids = ids_of(chapters)
    for profile, runs in groupby(ordered, key=lambda chapter: chapter.profile):
        its = [*runs]
        yield ids[profile], min(its, key=lambda chapter: STANDINGS.index(chapter.standing)), its


def ids_of(chapters: Sequence[Chapter]) -> Mapping[str, str]:
    """Return the id of each test by the profile's name: its own, or its number in this report."""
    stated = {chapter.profile: chapter.test for chapter in chapters}
    ids: dict[str, str] = {}
    for number, (profile, test) in enumerate(stated.items(), start=1):
        ids[profile] = test if test and test not in ids.values() else f"T{number}"
    return ids


def required_of(chapters: Sequence[Chapter]) -> tuple[ReportedTest, ...]:
    """Return every requirement with what was measured; of a test with several runs, those of its worst."""
    name = names_of(chapters)
    return tuple(
        ReportedTest(
            ident=worst.ident,
            number=number,
            profile=name(worst),
            standing=worst.standing,
            requirements=tuple(
                _requirement(response.named or f"{number}.{response.place}", step, response)
                for step in worst.steps
                for response in step.responses
            ),
        )
        for number, worst, _ in worst_of_tests(chapters)
    )


def _requirement(number: str, step: ReportedStep, response: Response) -> ReportedRequirement:
    return ReportedRequirement(
        ident=response.ident,
        number=number,
        step=step.name,
        required=f"{response.signal} {response.demand}",
        measured=response.again or response.why,
        margin=response.margin,
        verdict=mark_of(response),
    )


def traces_of(chapters: Sequence[Chapter]) -> tuple[ReportedTrace, ...]:
    """Return every requirement that a test claims to prove, with the tests that do and how each stands."""
    by_name: dict[str, list[ReportedMark]] = {}
    for number, worst, _ in worst_of_tests(chapters):
        for name, verdict in _claims(worst):
            by_name.setdefault(name, []).append(ReportedMark(worst.ident, verdict, number))
    return tuple(ReportedTrace(name, tuple(marks)) for name, marks in by_name.items())


def _claims(chapter: Chapter) -> Iterator[tuple[str, str]]:
    """Yield what a run claims to prove, and its mark: a pass that does not show it is one that proves nothing of it.

    A requirement that responses name stands as the worst of them.
    """
    own: dict[str, list[str]] = {}
    for response in (response for step in chapter.steps for response in step.responses):
        for name in response.requirements:
            own.setdefault(name, []).append(mark_of(response))
    shown = {its.line: bool(its.told) for its in chapter.shown}
    for name in chapter.proves:
        hollow = chapter.standing == "pass" and not shown.get(name, True)
        yield name, "hollow" if hollow else chapter.standing
    for name, marks in own.items():
        yield name, min(marks, key=_WORST.index)


_WORST: Final = (*STANDINGS[:-2], "not run", ACCEPTED, "hollow", "pass")
"""Marks of responses, the one that says most first."""
