"""What befalls the vents that a bench plays: for the bench, in words, and whether it plays what fails."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ventproof.profile.stimulus import VentFailure
from ventproof.verdict.text import seconds

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from ventproof.profile.model import Profile
    from ventproof_bench.base.errors import Problem
    from ventproof_bench.base.protocols import PartCondition, VentPart
    from ventproof_bench.base.quantities import Quantity
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded


HEALTHY_PARTS: Final[Mapping[VentPart, PartCondition]] = {
    "drive": {},
    "closed_switch": {},
    "open_switch": {},
    "position": {},
}
"""A vent that nothing has befallen."""

_SWITCHES: Final[tuple[VentPart, ...]] = ("closed_switch", "open_switch")


def parts_of(failure: VentFailure) -> dict[VentPart, PartCondition]:
    """Return the conditions of a vent's parts, by the fields of `ventproof_bench.plant`'s."""
    if failure.part == "drive":
        return {"drive": _drive(failure)}
    if failure.part == "position":
        return {"position": _potentiometer(failure)}
    parts = _SWITCHES if failure.part == "switches" else (failure.part,)
    return dict.fromkeys(parts, _switch(failure))


def _drive(failure: VentFailure) -> PartCondition:
    ways = ("closing", "opening") if failure.way is None else (failure.way,)
    found: dict[str, tuple[tuple[str, Quantity | float | None], ...]] = {
        "jams": tuple((f"jams_{way}_at_percent", failure.position) for way in ways),
        "slips": (("slips_percent", failure.by),),
        "slow": (("slow_factor", failure.factor),),
        "loaded": (("load_open_factor", failure.opening), ("load_close_factor", failure.closing)),
        "dead": (("dead", True),),
        "runs_on": (("coast_s", failure.for_),),
        "backlash": (("play_percent", failure.by),),
        "creeps": (("creep_percent_s", failure.rate),),
    }
    return {
        field: said if isinstance(said, float | int) else said.value
        for field, said in found[failure.mode]
        if said is not None
    }


def _switch(failure: VentFailure) -> PartCondition:
    if failure.mode in {"late", "bounces"}:
        return {f"{failure.mode}_s": failure.for_ or 0.0}
    return {"stuck": failure.mode}


def _potentiometer(failure: VentFailure) -> PartCondition:
    if failure.mode == "noise":
        assert failure.by is not None, "the model sees to it"
        return {"noise_percent": failure.by.value, "seed": failure.seed}
    return {"how": failure.mode}


_SAID: Final = {
    "slips": "let {it} slip by {by} in each opening run",
    "slow": "let {it} take {factor:g} times as long",
    "dead": "let the drive of {it} do nothing",
    "runs_on": "let {it} run on for {span}",
    "backlash": "let the drive of {it} turn by {by} before the vent follows",
    "creeps": "let {it} creep open at {rate}",
    "reached": "let {it} say that the end is reached",
    "never": "let {it} never say that the end is reached",
    "late": "let {it} tell the end {span} late",
    "bounces": "let {it} bounce for {span}",
    "open": "break a wire of {it}",
    "short": "short the wires of {it}",
    "stuck": "freeze {it}",
    "reversed": "let {it} show closed as open",
    "noise": "let {it} stray by {by}",
}
_PARTS: Final = {
    "drive": "{}",
    "closed_switch": "the switch at the closed end of {}",
    "open_switch": "the switch at the open end of {}",
    "switches": "both end switches of {}",
    "position": "the potentiometer of {}",
}


def vent_failure_said(failure: VentFailure) -> str:
    """Return what befell a vent."""
    it = _PARTS[failure.part].format(failure.fail)
    if failure.mode == "jams":
        way = "" if failure.way is None else f" {failure.way}"
        return f"let {it} jam{way} at {failure.position}"
    if failure.mode == "loaded":
        ways = (("opening", failure.opening), ("closing", failure.closing))
        said = " and ".join(f"{way} {factor:g} times as long" for way, factor in ways if factor is not None)
        return f"let {it} take for {said}"
    span = "" if failure.for_ is None else seconds(failure.for_)
    return _SAID[failure.mode].format(
        it=it, by=failure.by, factor=failure.factor or 1.0, rate=failure.rate, span=span
    )


def parts_problems(
    profile: Loaded[Profile], bench: Loaded[BenchFile], names: Mapping[str, str]
) -> Iterator[Problem]:
    """Yield a problem for each part that fails of a vent of which the bench does not play it."""
    for number, step in enumerate(profile.model.steps):
        for index, stimulus in enumerate(step.do):
            if not isinstance(stimulus, VentFailure):
                continue
            at = names[stimulus.fail]
            plays = bench.model.vents[at].plays
            for part in parts_of(stimulus):
                if part == "drive" or getattr(plays, part) is not None:
                    continue
                path = ("steps", number, "do", index, "part")
                reason = f"bench {bench.path} plays no {part.replace('_', ' ')} of vent {at!r}"
                yield profile.problem(path, reason, f"declare `{part}:` below its `plays:`")
