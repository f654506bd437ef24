"""Response to formula and line (pure)."""

from __future__ import annotations

from collections.abc import Mapping
from functools import singledispatch
from typing import Any, Final

from ventproof.deciders import formulas
from ventproof.deciders.formulas import Formula
from ventproof.drives import formulas as drives
from ventproof.envelope.spans import INF
from ventproof.judge.contrast import Role
from ventproof.judge.wording import STIMULUS, Since
from ventproof.profile import model
from ventproof.profile.check_responses import DRIVE_KINDS, FLAG_WORDS, kind_of
from ventproof.profile.model import ResponseCommon, Step
from ventproof.profile.stimulus import PAUSES
from ventproof.verdict.text import seconds
from ventproof_bench.base.quantities import Quantity

AnyFormula = Formula | drives.FlagsFormula | drives.AgreesFormula
"""Everything that a profile can demand."""

States = Mapping[str, int]
"""Names of a state signal's values."""


def flag_or_state(value: str | float, states: States) -> float:
    """Return the number behind `on`, `off`, a state's name or a plain number.

    Raises:
        ValueError: no such word; the profile's loading finds this first.
    """
    if isinstance(value, str):
        known = {**FLAG_WORDS, **states}
        if value not in known:
            raise ValueError(f"{value!r} is none of {', '.join(known)}")
        return known[value]
    return float(value)


@singledispatch
def formula_of(response: model.ResponseCommon, states: States) -> AnyFormula:
    """Return the judge's formula for one response of a profile.

    Args:
        response: the response as written.
        states: names of the signal's values, for `equals`.
    """
    raise AssertionError(f"no formula for {type(response).__name__} with {states}")


@formula_of.register
def _(response: model.Reaches, _: States) -> Formula:
    return formulas.ReachesFormula(
        target=response.reaches.value,
        tolerance=response.tolerance.value,
        within_s=response.within,
        holds_s=response.holds,
    )


@formula_of.register
def _(response: model.Stays, _: States) -> Formula:
    middle, half = response.stays.value, response.tolerance.value
    return formulas.StaysFormula(low=middle - half, high=middle + half, for_s=response.for_)


@formula_of.register
def _(response: model.StaysAtLeast, _: States) -> Formula:
    return formulas.StaysFormula(low=response.stays_at_least.value, high=None, for_s=response.for_)


@formula_of.register
def _(response: model.StaysAtMost, _: States) -> Formula:
    return formulas.StaysFormula(low=None, high=response.stays_at_most.value, for_s=response.for_)


@formula_of.register
def _(response: model.Returns, _: States) -> Formula:
    return formulas.ReturnsFormula(
        target=response.returns.value,
        tolerance=response.tolerance.value,
        not_before_s=response.not_before,
        within_s=response.within,
    )


@formula_of.register
def _(response: model.Unchanged, _: States) -> Formula:
    span = response.unchanged
    return formulas.UnchangedFormula(
        tolerance=span.tolerance.value if span.tolerance else None, for_s=span.for_
    )


@formula_of.register
def _(response: model.Equals, states: States) -> Formula:
    return formulas.EqualsFormula(value=flag_or_state(response.equals, states), within_s=response.within)


@formula_of.register
def _(response: model.Counts, _: States) -> Formula:
    return formulas.CountsFormula(number=response.counts, within_s=response.within)


@formula_of.register
def _(response: model.CountsAtLeast, _: States) -> Formula:
    return formulas.CountsFormula(number=response.counts_at_least, within_s=response.within, most=INF)


@formula_of.register
def _(response: model.CountsAtMost, _: States) -> Formula:
    return formulas.CountsFormula(number=0, within_s=response.for_, most=response.counts_at_most)


@formula_of.register
def _(response: model.StartsMoving, _: States) -> Formula:
    motion = response.starts_moving
    return formulas.StartsMovingFormula(by=motion.by.value, within_s=motion.within)


@formula_of.register
def _(response: model.MovesAt, _: States) -> Formula:
    return formulas.MovesAtFormula(
        rate=response.moves_at.value,
        tolerance=response.tolerance.value,
        target=response.to.value,
        within_s=response.within,
    )


@formula_of.register
def _(response: model.OvershootsAtMost, _: States) -> Formula:
    return formulas.OvershootsAtMostFormula(
        by=response.overshoots_at_most.value, target=response.of.value, for_s=response.for_
    )


@formula_of.register
def _(response: model.NeverReverses, _: States) -> Formula:
    return formulas.NeverReversesFormula(
        by=response.never_reverses.by.value, for_s=response.never_reverses.for_
    )


@formula_of.register
def _(response: model.NeverTogether, _: States) -> drives.FlagsFormula:
    return drives.NeverTogetherFormula(for_s=response.for_)


@formula_of.register
def _(response: model.PausesBefore, _: States) -> drives.FlagsFormula:
    return drives.PausesFormula(at_least_s=response.at_least, for_s=response.for_)


@formula_of.register
def _(response: model.RunsAtMost, _: States) -> drives.FlagsFormula:
    return drives.RunsAtMostFormula(at_most_s=response.runs_at_most, for_s=response.for_)


@formula_of.register
def _(response: model.StartsAtMost, _: States) -> drives.FlagsFormula:
    return drives.StartsAtMostFormula(number=response.starts_at_most, per_s=response.per, for_s=response.for_)


@formula_of.register
def _(response: model.StartsAtLeast, _: States) -> drives.FlagsFormula:
    return drives.StartsAtLeastFormula(number=response.starts_at_least, for_s=response.for_)


@formula_of.register
def _(response: model.StopsAtEnd, _: States) -> drives.FlagsFormula:
    return drives.StopsAtEndFormula(within_s=response.within, for_s=response.for_)


@formula_of.register
def _(response: model.TogetherWith, _: States) -> drives.FlagsFormula:
    return drives.TogetherFormula(within_s=response.within, for_s=response.for_)


@formula_of.register
def _(response: model.AgreesWith, _: States) -> drives.AgreesFormula:
    return drives.AgreesFormula(tolerance=response.tolerance.value, lag_s=response.lag, for_s=response.for_)


_ALWAYS: Final[dict[str, type[ResponseCommon]]] = {
    "never_together": model.NeverTogether,
    "pauses_before": model.PausesBefore,
    "runs_at_most": model.RunsAtMost,
    "starts_at_most": model.StartsAtMost,
    "stops_at_end": model.StopsAtEnd,
    "together_with": model.TogetherWith,
    "agrees_with": model.AgreesWith,
}


def _without_end(invariant: model.Invariant) -> ResponseCommon | None:
    """Return the response that demands of drives what an invariant does, without an end of its own; None: no such."""
    kind = next((kind for key, kind in _ALWAYS.items() if getattr(invariant, key) is not None), None)
    if kind is None:
        return None
    named = {name: getattr(invariant, name, None) for name in kind.model_fields}
    fields: dict[str, Any] = {name: value for name, value in named.items() if value is not None}
    fields["for"] = None
    return kind.model_construct(**fields)


def invariant_formula(invariant: model.Invariant) -> AnyFormula:
    """Return the formula of an invariant: it holds until its condition or the run ends."""
    drive = _without_end(invariant)
    if drive is not None:
        return formula_of(drive, {})
    low = invariant.stays_at_least.value if invariant.stays_at_least else None
    high = invariant.stays_at_most.value if invariant.stays_at_most else None
    if invariant.stays is not None and invariant.tolerance is not None:
        low = invariant.stays.value - invariant.tolerance.value
        high = invariant.stays.value + invariant.tolerance.value
    return formulas.StaysFormula(low=low, high=high, for_s=None)


def judged_together(profile: model.Profile) -> set[tuple[str, ...]]:
    """Return the flags on which something is demanded that the edges of one or two decide."""
    steps = [profile.start.until, *(step.expect for step in profile.steps)]
    demands: list[ResponseCommon] = [response for step in steps for response in step]
    demands += filter(None, map(_without_end, profile.always))
    return {demand.signals for demand in demands if kind_of(demand) in DRIVE_KINDS}


@singledispatch
def wording(response: model.ResponseCommon) -> str:
    """Return what a response demands, as one line for tables and the record."""
    raise AssertionError(f"no wording for {type(response).__name__}")


@wording.register
def _(response: model.Reaches) -> str:
    holds = f", holds {seconds(response.holds)}" if response.holds else ""
    said = f"reaches {response.reaches} ± {response.tolerance} within {seconds(response.within)}{holds}"
    return said + _enough(response)


@wording.register
def _(response: model.Stays) -> str:
    return f"stays at {_about(response.stays, response.tolerance)} for {seconds(response.for_)}" + _until(
        response
    )


@wording.register
def _(response: model.StaysAtLeast) -> str:
    return f"stays at least {response.stays_at_least} for {seconds(response.for_)}" + _until(response)


@wording.register
def _(response: model.StaysAtMost) -> str:
    return f"stays at most {response.stays_at_most} for {seconds(response.for_)}" + _until(response)


@wording.register
def _(response: model.Returns) -> str:
    return (
        f"returns to {response.returns} ± {response.tolerance} "
        f"not before {seconds(response.not_before)}, within {seconds(response.within)}{_enough(response)}"
    )


@wording.register
def _(response: model.Unchanged) -> str:
    tolerance = response.unchanged.tolerance
    return f"unchanged{f' within {tolerance}' if tolerance else ''} for {seconds(response.unchanged.for_)}"


@wording.register
def _(response: model.Equals) -> str:
    return f"is {response.equals} within {seconds(response.within)}{_enough(response)}"


@wording.register
def _(response: model.Counts) -> str:
    return f"counts {response.counts} within {seconds(response.within)}"


@wording.register
def _(response: model.CountsAtLeast) -> str:
    return f"counts at least {response.counts_at_least} within {seconds(response.within)}"


@wording.register
def _(response: model.CountsAtMost) -> str:
    return f"counts at most {response.counts_at_most} in {seconds(response.for_)}"


@wording.register
def _(response: model.StartsMoving) -> str:
    motion = response.starts_moving
    return f"starts moving by more than {motion.by} within {seconds(motion.within)}"


@wording.register
def _(response: model.MovesAt) -> str:
    rate = f"{response.moves_at} ± {response.tolerance}"
    return f"moves at {rate} to {response.to} within {seconds(response.within)}"


@wording.register
def _(response: model.OvershootsAtMost) -> str:
    return f"overshoots {response.of} by at most {response.overshoots_at_most} for {seconds(response.for_)}"


@wording.register
def _(response: model.NeverReverses) -> str:
    span = response.never_reverses
    return f"never reverses by more than {span.by} for {seconds(span.for_)}"


@wording.register
def _(response: model.NeverTogether) -> str:
    return f"is never on together with {response.never_together}{_watched(response.for_)}"


@wording.register
def _(response: model.PausesBefore) -> str:
    least = f"at least {seconds(response.at_least)}"
    return f"pauses {least} before and after {response.pauses_before}{_watched(response.for_)}"


@wording.register
def _(response: model.RunsAtMost) -> str:
    return f"runs for at most {seconds(response.runs_at_most)} at a time{_watched(response.for_)}"


@wording.register
def _(response: model.StartsAtMost) -> str:
    in_any = f"in any {seconds(response.per)}{_watched(response.for_)}"
    if response.starts_at_most == 0:
        return f"never starts {in_any}"
    return f"starts at most {'once' if response.starts_at_most == 1 else f'{response.starts_at_most} times'} {in_any}"


@wording.register
def _(response: model.StartsAtLeast) -> str:
    times = "once" if response.starts_at_least == 1 else f"{response.starts_at_least} times"
    return f"starts at least {times} in {seconds(response.for_)}"


@wording.register
def _(response: model.StopsAtEnd) -> str:
    return f"stops within {seconds(response.within)} of {response.stops_at_end}{_watched(response.for_)}"


@wording.register
def _(response: model.TogetherWith) -> str:
    said = f"turns on and off within {seconds(response.within)} of {response.together_with}"
    return said + _watched(response.for_)


@wording.register
def _(response: model.AgreesWith) -> str:
    lag = f" of the last {seconds(response.lag)}" if response.lag else ""
    return f"agrees with {response.agrees_with}{lag} to ± {response.tolerance}{_watched(response.for_)}"


def _about(value: Quantity, tolerance: Quantity | None) -> str:
    """Return a value with how far off it may be, where it may be."""
    return f"{value} ± {tolerance}" if tolerance is not None and tolerance.value else f"{value}"


def _watched(for_s: float | None) -> str:
    return "" if for_s is None else f", watched for {seconds(for_s)}"


def _until(response: ResponseCommon) -> str:
    return "".join(f", or until {name} becomes {value}" for name, value in model.until_of(response).items())


def _enough(response: model.Occurrence) -> str:
    return ", and may be so already" if response.already_so else ""


def role_of(response: model.ResponseCommon) -> Role:
    """Return what a pass of a step's response has to show."""
    return Role.STATE if isinstance(response, model.Occurrence) and response.already_so else Role.PROOF


def invariant_wording(invariant: model.Invariant) -> str:
    """Return what an invariant demands, as one line."""
    parts = []
    drive = _without_end(invariant)
    if drive is not None:
        parts.append(wording(drive))
    if invariant.stays is not None:
        parts.append(f"stays at {_about(invariant.stays, invariant.tolerance)}")
    if invariant.stays_at_least is not None:
        parts.append(f"stays at least {invariant.stays_at_least}")
    if invariant.stays_at_most is not None:
        parts.append(f"stays at most {invariant.stays_at_most}")
    said = f"always {' and '.join(parts)}"
    if invariant.while_:
        name, value = next(iter(invariant.while_.items()))
        settled = f", {seconds(invariant.applies_after)} after that began" if invariant.applies_after else ""
        said += f" while {name} is {value}{settled}"
    return said


Anchor = tuple[str, int | None]
"""`first` or `last` edge, and the index of its stimulus; None: the step's begin."""

ALL_SET: Final = Since("all was set")


def anchor_of(response: ResponseCommon, step: Step) -> Anchor:
    """Return where a response counts from."""
    label = response.after or response.after_end_of
    numbered = [
        (index, stimulus) for index, stimulus in enumerate(step.do) if not isinstance(stimulus, PAUSES)
    ]
    if label is not None:
        index = next(index for index, stimulus in numbered if stimulus.label == label)
        return ("last" if response.after_end_of else "first"), index
    return "first", numbered[0][0] if numbered else None


def since(anchor: Anchor) -> Since:
    """Return how a finding's sentence names what a response of a step counts from."""
    return Since("the step began") if anchor[1] is None else STIMULUS
