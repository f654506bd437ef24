"""Responses, shared name checks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ventproof.profile import model
from ventproof.profile.model import CONTACT, VENT, Profile, ResponseCommon
from ventproof.profile.stimulus import PAUSES, PulseContact, Rainfall, Stimulus, Wind
from ventproof_bench.base.quantities import Dimension, difference_fault, dimension_of, value_fault
from ventproof_bench.yamlfile.fields import COUNT_UNIT, FLAG_UNIT, STATE_UNIT
from ventproof_bench.yamlfile.value_errors import nearest, show

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from ventproof_bench.base.errors import Problem
    from ventproof_bench.base.quantities import Quantity
    from ventproof_bench.yamlfile.fields import FileModel
    from ventproof_bench.yamlfile.load import Loaded
    from ventproof_bench.yamlfile.tree import Path


def no_signal(profile: Loaded[Profile], path: Path, name: str) -> Problem:
    """Return the problem of a signal that is named but not needed."""
    hint = nearest(name, profile.model.needs.signals)
    return profile.problem(path, f"{name!r} is not among the signals that this profile needs", hint)


def no_output(profile: Loaded[Profile], path: Path, name: str, *, at_key: bool = False) -> Problem:
    """Return the problem of an output that is named but not needed."""
    hint = nearest(name, profile.model.needs.outputs) or f"add `{name}` below needs: outputs:"
    return profile.problem(
        path, f"{name!r} is not among the outputs that this profile needs", hint, at_key=at_key
    )


def contact_problems(
    profile: Loaded[Profile], path: Path, name: str, *, at_key: bool = False
) -> Iterator[Problem]:
    """Yield what is wrong with a contact that is named at `path`."""
    needs = profile.model.needs.outputs
    if name not in needs:
        yield no_output(profile, path, name, at_key=at_key)
    elif needs[name] == VENT:
        yield profile.problem(
            path, f"{name!r} is a vent, not a contact", "use `fail` and `restore`", at_key=at_key
        )
    elif needs[name] != CONTACT:
        reason = f"{name!r} is a value in {needs[name]}, not a contact"
        yield profile.problem(path, reason, "use `write`", at_key=at_key)


def written_problems(
    profile: Loaded[Profile], path: Path, value_path: Path, name: str, value: Quantity
) -> Iterator[Problem]:
    """Yield what is wrong with writing `value` to output `name`; `path` leads to the name."""
    at_key = path == value_path
    needs = profile.model.needs.outputs
    if name not in needs:
        yield no_output(profile, path, name, at_key=at_key)
    elif needs[name] == VENT:
        reason = f"{name!r} is a vent and takes no value"
        yield profile.problem(path, reason, "use `fail` and `restore`", at_key=at_key)
    elif needs[name] == CONTACT:
        hint = "use `close`, `open` or `pulse`, or `set` in the start"
        yield profile.problem(path, f"{name!r} is a contact and takes no value", hint, at_key=at_key)
    else:
        said = value_fault(value, needs[name], f"output {name!r}")
        if said is not None:
            yield profile.problem(value_path, *said)


def value_problems(
    profile: Loaded[Profile],
    path: Path,
    part: FileModel,
    unit: str,
    *,
    values: Sequence[str] = (),
    differences: Sequence[str] = (),
) -> Iterator[Problem]:
    """Yield what is wrong with quantities of a part of the profile, by the names of their keys.

    Args:
        profile: the profile.
        path: where the part stands.
        part: the part itself.
        unit: unit of its signal.
        values: keys of values; keys not written are passed over.
        differences: keys of differences, such as tolerances.
    """
    for keys, check in ((values, value_fault), (differences, difference_fault)):
        for key in keys:
            quantity = getattr(part, key)
            if quantity is not None:
                said = check(quantity, unit, "the signal")
                if said is not None:
                    yield profile.problem((*path, key), *said)


FLAG_WORDS: Final = {"on": 1, "off": 0, "true": 1, "false": 0}

# Key, keys of values and keys of differences of each kind; nested keys are checked apart.
_KINDS: Final[dict[type[ResponseCommon], tuple[str, tuple[str, ...], tuple[str, ...]]]] = {
    model.Reaches: ("reaches", ("reaches",), ("tolerance",)),
    model.Stays: ("stays", ("stays",), ("tolerance",)),
    model.StaysAtLeast: ("stays_at_least", ("stays_at_least",), ()),
    model.StaysAtMost: ("stays_at_most", ("stays_at_most",), ()),
    model.Returns: ("returns", ("returns",), ("tolerance",)),
    model.Unchanged: ("unchanged", (), ()),
    model.Equals: ("equals", (), ()),
    model.Counts: ("counts", (), ()),
    model.CountsAtLeast: ("counts_at_least", (), ()),
    model.CountsAtMost: ("counts_at_most", (), ()),
    model.StartsMoving: ("starts_moving", (), ()),
    model.MovesAt: ("moves_at", ("to",), ()),
    model.OvershootsAtMost: ("overshoots_at_most", ("of",), ("overshoots_at_most",)),
    model.NeverReverses: ("never_reverses", (), ()),
    model.NeverTogether: ("never_together", (), ()),
    model.PausesBefore: ("pauses_before", (), ()),
    model.RunsAtMost: ("runs_at_most", (), ()),
    model.StartsAtMost: ("starts_at_most", (), ()),
    model.StartsAtLeast: ("starts_at_least", (), ()),
    model.StopsAtEnd: ("stops_at_end", (), ()),
    model.TogetherWith: ("together_with", (), ()),
    model.AgreesWith: ("agrees_with", (), ("tolerance",)),
}
DRIVE_KINDS: Final = (
    *("never_together", "pauses_before", "runs_at_most", "starts_at_most", "starts_at_least"),
    *("stops_at_end", "together_with"),
)
"""What is demanded of the edges of flags."""
ALWAYS_KINDS: Final[dict[str, str]] = {
    "stays": "tolerance",
    "stays_at_least": "",
    "stays_at_most": "",
    "never_together": "",
    "pauses_before": "at_least",
    "runs_at_most": "",
    "starts_at_most": "per",
    "stops_at_end": "within",
    "together_with": "within",
    "agrees_with": "tolerance",
}
"""What may always hold, and the key that must go with it."""
_STATE_KINDS: Final = ("equals", "unchanged", "stays")
_COUNT_KINDS: Final = ("counts", "counts_at_least", "counts_at_most")
_FITTING: Final = {
    FLAG_UNIT: (*_STATE_KINDS, *DRIVE_KINDS),
    STATE_UNIT: _STATE_KINDS,
    COUNT_UNIT: (*_COUNT_KINDS, "unchanged"),
}
_ANALOGUE_KINDS: Final = tuple(
    key for key, _, _ in _KINDS.values() if key not in {"equals", *_COUNT_KINDS, *DRIVE_KINDS}
)


def kind_of(response: ResponseCommon) -> str:
    """Return the key that says what kind of response this is."""
    return _KINDS[type(response)][0]


def named_responses(profile: Profile) -> list[str]:
    """Return what a profile requires as findings name it, each once: `roof_vent reaches`, `roof_vent always`."""
    steps = [f"{one.signal} {kind_of(one)}" for _, one in responses(profile)]
    return list(dict.fromkeys([*steps, *(f"{one.signal} always" for one in profile.always)]))


def responses(profile: Profile) -> Iterator[tuple[Path, ResponseCommon]]:
    """Yield every response of a profile with its path, those of the start first."""
    for index, response in enumerate(profile.start.until):
        yield ("start", "until", index), response
    for number, step in enumerate(profile.steps):
        for index, response in enumerate(step.expect):
            yield ("steps", number, "expect", index), response


def response_problems(
    profile: Loaded[Profile], path: Path, response: ResponseCommon, stimuli: Sequence[Stimulus]
) -> Iterator[Problem]:
    """Yield what is wrong with one response.

    Args:
        profile: the profile.
        path: where the response stands.
        response: the response.
        stimuli: what its step does.
    """
    yield from _label_problems(profile, path, response, stimuli)
    yield from _time_problems(profile, path, response)
    yield from _needless_problems(profile, path, response)
    unit = profile.model.needs.signals.get(response.signal)
    if unit is None:
        yield no_signal(profile, (*path, "signal"), response.signal)
        return
    kind, values, differences = _KINDS[type(response)]
    fitting = _FITTING.get(unit, _ANALOGUE_KINDS)
    if kind not in fitting:
        reason = f"{kind} does not fit {response.signal!r}, which is " + (
            f"a {unit}" if unit in _FITTING else f"in {unit}"
        )
        yield profile.problem((*path, kind), reason, f"use one of {', '.join(fitting)}", at_key=True)
        return
    yield from value_problems(profile, path, response, unit, values=values, differences=differences)
    yield from _nested_problems(profile, path, response, unit)
    yield from other_problems(profile, path, response, unit)
    for name, value in model.until_of(response).items():
        here = (*path, "until", name)
        yield from signal_value_problems(profile, here, value, list(profile.model.needs.signals))


def other_problems(
    profile: Loaded[Profile], path: Path, part: ResponseCommon | model.Invariant, unit: str
) -> Iterator[Problem]:
    """Yield what is wrong with the second signal of a response or an `always`.

    Args:
        profile: the profile.
        path: where the part stands.
        part: the part itself.
        unit: unit of its first signal.
    """
    for key in model.OTHER_SIGNAL_KEYS:
        other = part.__dict__.get(key)
        if other is None:
            continue
        known = profile.model.needs.signals
        if other not in known:
            yield no_signal(profile, (*path, key), other)
        elif other == part.signal:
            hint = "name the other one"
            yield profile.problem((*path, key), f"{other!r} is the signal itself", hint)
        elif known[other] != unit:
            reason = f"{other!r} is in {known[other]}" if known[other] not in _FITTING else ""
            reason = reason or f"{other!r} is a {known[other]}"
            yield profile.problem((*path, key), f"{reason}, and {part.signal!r} a {unit}", f"name a {unit}")


def _nested_problems(
    profile: Loaded[Profile], path: Path, response: ResponseCommon, unit: str
) -> Iterator[Problem]:
    match response:
        case model.Unchanged(unchanged=span):
            here = (*path, "unchanged")
            if unit in _FITTING and span.tolerance is not None:
                hint = "leave it out: the value must stay the same"
                yield profile.problem((*here, "tolerance"), f"a tolerance for a {unit}", hint, at_key=True)
            elif unit not in _FITTING and span.tolerance is None:
                hint = f"add `tolerance:` in {unit}: how far the reading may wander"
                yield profile.problem(here, "unchanged without a tolerance", hint, at_key=True)
            else:
                yield from value_problems(profile, here, span, unit, differences=("tolerance",))
        case model.StartsMoving(starts_moving=motion):
            yield from value_problems(profile, (*path, "starts_moving"), motion, unit, differences=("by",))
        case model.NeverReverses(never_reverses=reversal):
            yield from value_problems(profile, (*path, "never_reverses"), reversal, unit, differences=("by",))
        case model.MovesAt():
            yield from _rate_problems(profile, path, response, unit)
        case model.Equals(equals=value):
            yield from equals_problems(profile, (*path, "equals"), value, unit)


def signal_value_problems(
    profile: Loaded[Profile], path: Path, value: str | float, known: Sequence[str]
) -> Iterator[Problem]:
    """Yield what is wrong with a signal and its value that are a condition; the path ends with the signal's name.

    Args:
        profile: the profile.
        path: where the value stands.
        value: what the signal is then.
        known: the names that could be meant.
    """
    name, units = str(path[-1]), profile.model.needs.signals
    unit = units.get(name)
    if unit is None:
        what = "neither an output nor a signal" if len(known) > len(units) else "not a signal"
        reason = f"{name!r} is {what} that this profile needs"
        yield profile.problem(path, reason, nearest(name, known), at_key=True)
    elif unit not in (FLAG_UNIT, STATE_UNIT):
        reason = f"{name!r} is neither a contact, nor a flag, nor a state"
        yield profile.problem(path, reason, "name one of these", at_key=True)
    else:
        yield from equals_problems(profile, path, value, unit)


def _rate_problems(
    profile: Loaded[Profile], path: Path, response: model.MovesAt, unit: str
) -> Iterator[Problem]:
    if dimension_of(unit) is not Dimension.PERCENT:
        hint = "only signals in % have a travel rate"
        yield profile.problem((*path, "moves_at"), f"moves_at for a signal in {unit}", hint, at_key=True)
        return
    for key, check in (("moves_at", value_fault), ("tolerance", difference_fault)):
        said = check(getattr(response, key), "%/s", "a travel rate")
        if said is not None:
            yield profile.problem((*path, key), *said)
    if response.moves_at.value <= 0:
        hint = "write it without a sign; it counts in both directions"
        yield profile.problem(
            (*path, "moves_at"), f"{response.moves_at.text!r} is not a rate of travel", hint
        )


def equals_problems(profile: Loaded[Profile], path: Path, value: str | float, unit: str) -> Iterator[Problem]:
    """Yield what is wrong with a value of a flag or a state, by the signal's unit."""
    if unit == FLAG_UNIT:
        if not (value in FLAG_WORDS if isinstance(value, str) else value in {0, 1}):
            yield profile.problem(path, f"{show(value)} is not a value of a flag", "write on or off")
    elif isinstance(value, bool) or (isinstance(value, str) and value in FLAG_WORDS):
        yield profile.problem(
            path, f"{show(value)} is not a value of a state", "write a state's name or its number"
        )


def _time_problems(profile: Loaded[Profile], path: Path, response: ResponseCommon) -> Iterator[Problem]:
    if isinstance(response, model.Returns) and response.not_before >= response.within:
        reason = f"not_before ({response.not_before:g} s) is not before within ({response.within:g} s)"
        yield profile.problem((*path, "not_before"), reason, "leave the unit time between the two")


def _needless_problems(profile: Loaded[Profile], path: Path, response: ResponseCommon) -> Iterator[Problem]:
    if not isinstance(response, model.Occurrence) or response.already_so is None:
        return
    if path[0] == "start":
        reason, hint = "a condition of the start state may be so already", "leave it out"
    elif isinstance(response, model.Returns) and response.not_before > 0:
        reason = f"what must not return before {response.not_before:g} s cannot be so already"
        hint = "leave it out, or write `reaches`"
    else:
        return
    yield profile.problem((*path, "already_so"), reason, hint, at_key=True)


def _ends(stimulus: Stimulus) -> bool:
    return isinstance(stimulus, PulseContact | Rainfall) or (isinstance(stimulus, Wind) and stimulus.settles)


def _label_problems(
    profile: Loaded[Profile], path: Path, response: ResponseCommon, stimuli: Sequence[Stimulus]
) -> Iterator[Problem]:
    real = [s for s in stimuli if not isinstance(s, PAUSES)]
    labels = {s.label: s for s in real if s.label is not None}
    if response.after is not None and response.after_end_of is not None:
        yield profile.problem(
            (*path, "after_end_of"), "after and after_end_of together", "say one of them", at_key=True
        )
    for key in ("after", "after_end_of"):
        label = getattr(response, key)
        if label is None:
            continue
        if label not in labels:
            hint = nearest(label, labels) or "give the stimulus in this step's `do` a `label:`"
            yield profile.problem((*path, key), f"no stimulus of this step has the label {label!r}", hint)
        elif key == "after_end_of" and not _ends(labels[label]):
            reason = f"{label!r} is neither a pulse train, nor rain, nor a wind that becomes steady"
            yield profile.problem((*path, key), reason, "use `after`", at_key=True)
        elif key == "after_end_of" and kind_of(response) in _COUNT_KINDS:
            reason = "what the last closure counts may come before or after the end of it"
            yield profile.problem((*path, key), reason, "use `after`, and count the whole train", at_key=True)
    if len(real) > 1 and response.after is None and response.after_end_of is None:
        known = ", ".join(labels) or "none has a label yet: give them `label:`"
        hint = f"add `after:` with the label of one ({known})"
        yield profile.problem(
            path, f"this step has {len(real)} stimuli, and nothing says which one this counts from", hint
        )
