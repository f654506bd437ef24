"""Runs of one profile laid over each other: which belong together, which are drawn, and what is said of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final, NamedTuple, final

from ventproof.figures.repeats_figure import DrawnRun, Lines, Overlay, ThinRun, repeats_figure
from ventproof.rejudge.standing import STANDINGS
from ventproof.report.cover import count_text
from ventproof.report.model import Chapter, Figure, ReportedMark, ReportedOverlay
from ventproof.verdict.naming import repeats_apart, told_apart

MOST_LINES: Final = 30
"""So many runs at most are drawn as lines."""


@final
class LaidRun(NamedTuple):
    """What a run leaves for the picture of repeats, and the digest of the profile that it played."""

    profile_sha256: str
    thin: ThinRun | None


class _Member(NamedTuple):
    ident: str
    repeat: int
    seed: int
    log: str
    standing: str


@dataclass(slots=True)
class _Group:
    """The runs of one profile on one bench, on one unit with one firmware version."""

    profile: str
    identity: Mapping[str, str]
    members: list[_Member] = field(default_factory=list)
    overlay: Overlay = field(default_factory=Overlay)
    drawn: list[tuple[_Member, Lines]] = field(default_factory=list)
    without: int = 0

    def take(self, member: _Member, thin: ThinRun | None) -> None:
        """Add a run; where there are too many lines, one of a run that stands better makes room."""
        self.members.append(member)
        if thin is None:
            self.without += 1
            return
        self.overlay.take(thin)
        self.drawn.append((member, {name: signal.lines for name, signal in thin.signals.items()}))
        if len(self.drawn) > MOST_LINES:
            best = max(STANDINGS.index(one.standing) for one, _ in self.drawn)
            places = [i for i, (one, _) in enumerate(self.drawn) if STANDINGS.index(one.standing) == best]
            del self.drawn[places[-1]]

    def names(self) -> dict[str, str]:
        """Return what each run is called, by its ident."""
        return {
            member.ident: name for member, name in zip(self.members, repeats_apart(self.members), strict=True)
        }


@final
class Overlays:
    """The groups of runs of a report; of each run no more is held than its place, and the line that is drawn."""

    def __init__(self) -> None:
        self._groups: dict[tuple[str, ...], _Group] = {}

    def take(self, chapter: Chapter, laid: LaidRun) -> None:
        """Add a run."""
        identity = chapter.identity
        same = (identity[name] for name in ("unit", "firmware", "bench digest"))
        key = (chapter.profile, laid.profile_sha256, *same)
        group = self._groups.setdefault(key, _Group(chapter.profile, identity))
        group.take(
            _Member(chapter.ident, chapter.repeat, chapter.seed, chapter.log, chapter.standing), laid.thin
        )

    def told(self) -> tuple[ReportedOverlay, ...]:
        """Return the picture of each profile that was run more than once, those with most failures first."""
        shown = [g for g in self._groups.values() if len(g.members) > 1 and g.overlay.bands]
        shown.sort(key=lambda g: -sum(member.standing != "pass" for member in g.members))
        apart = told_apart(group.identity for group in shown)
        return tuple(
            _told(group, f"{group.profile}{apart(group.identity)}", f"repeats-{number}")
            for number, group in enumerate(shown, start=1)
        )


def _told(group: _Group, name: str, ident: str) -> ReportedOverlay:
    names = group.names()
    wrong = [
        ReportedMark(m.ident, m.standing, f"{names[m.ident]}: {m.standing}")
        for m in group.members
        if m.standing != "pass"
    ]
    counts = count_text(Counter(member.standing for member in group.members))
    says = " ".join(_sentences(group))
    drawn = [DrawnRun(names[member.ident], member.standing, lines) for member, lines in group.drawn]
    named = f" Not passed: {'; '.join(mark.said for mark in wrong)}." if wrong else ""
    title = f"{name}. {counts}"
    svg = repeats_figure(ident, title, f"{says}{named}", group.overlay, drawn)
    return ReportedOverlay(name, counts, says, tuple(wrong), Figure(svg, f"{title} {says}{named}"))


def _sentences(group: _Group) -> Iterator[str]:
    read, lines = len(group.members) - group.without, len(group.drawn)
    yield f"The grey band contains every reading of {'all ' if read == len(group.members) else ''}{read} runs."
    if reckoned := ", ".join(sorted(group.overlay.reckoned)):
        yield f"Of {reckoned}, reckoned from contacts, it contains every possible value."
    yield "Time starts at the first stimulus of each run."
    if any(group.overlay.gates(name) for name in group.overlay.bands):
        yield "A gap between thick lines is where the signal must be at its deadline."
    if lines < read:
        yield f"{lines} of them are drawn as lines, runs that did not pass first."
    if group.without:
        yield f"Not drawn: {group.without} that ended before the first stimulus or cannot be judged again."
