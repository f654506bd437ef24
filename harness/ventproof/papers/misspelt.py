"""Names in waivers that fit nothing that is run, told before the run: such a waiver would silently accept nothing."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from difflib import get_close_matches
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from ventproof.papers.waivers import Waivers, WaiverSpec
    from ventproof_bench.base.errors import Problem


_ALIKE: Final = 0.9
"""From here on (difflib) a name is taken for another one with a letter or two wrong: profiles have long names, and a
waiver may be for one that is not run now."""


class WaivableProfile(NamedTuple):
    """What waivers can name of a profile.

    Attributes:
        profile: its name.
        step: its steps, the start state and what must always hold.
        response: its responses, each a signal with a kind.
        requirement: what these name.
    """

    profile: str
    step: Collection[str]
    response: Collection[str]
    requirement: Collection[str]


def misspelt(waivers: Waivers, suite: Sequence[WaivableProfile]) -> Iterator[Problem]:
    """Yield a problem for each name of a waiver that its profile does not have, or that is nearly one of the suite.

    Args:
        waivers: the file.
        suite: the profiles that may be run.
    """
    for number, waiver in enumerate(waivers.model.waivers):
        for key, reason, hint in _wrong(waiver, suite):
            yield waivers.problem(("waivers", number, key), f"waiver {waiver.id}: {reason}", hint)


def _wrong(waiver: WaiverSpec, suite: Sequence[WaivableProfile]) -> Iterator[tuple[str, str, str]]:
    """Yield which key is wrong, why, and what would be right."""
    meant = [one for one in suite if waiver.profile in {None, one.profile}]
    if not meant and waiver.profile is not None:
        if near := _near(waiver.profile, [one.profile for one in suite]):
            yield "profile", f"no profile {waiver.profile!r} is run", f"did you mean {near!r}?"
        return
    response = waiver.response and " ".join(waiver.response.split())
    for key, said in (("step", waiver.step), ("response", response), ("requirement", waiver.requirement)):
        known = list(dict.fromkeys(name for one in meant for name in getattr(one, key)))
        if said is None or said in known:
            continue
        near = _near(said, known)
        if waiver.profile is not None:
            there = f"it has {', '.join(known)}" if known else "it names none"
            yield key, f"its profile has no {key} {said!r}", f"did you mean {near!r}?" if near else there
        elif near:
            yield key, f"no profile that is run has the {key} {said!r}", f"did you mean {near!r}?"


def _near(said: str, known: Sequence[str]) -> str:
    return next(iter(get_close_matches(said, known, n=1, cutoff=_ALIKE)), "")
