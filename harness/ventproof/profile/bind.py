"""Fit to bench; fineness."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from ventproof.profile import model
from ventproof.profile.check_responses import kind_of, responses
from ventproof.profile.check_stimuli import interlock_problems
from ventproof.profile.check_weather import sensor_problems
from ventproof.profile.model import CONTACT, VENT, Profile
from ventproof.profile.stimulus import PulseContact
from ventproof.profile.vent_failures import parts_problems
from ventproof.verdict.finding import Rule
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.quantities import PLAIN_UNITS
from ventproof_bench.benchcheck.load import travel_notes
from ventproof_bench.benchfile.model import BenchFile, ContactOutput, ValueOutput
from ventproof_bench.benchfile.people import PersonSignal
from ventproof_bench.benchfile.signals import Signal
from ventproof_bench.drivers.driver import fastest_edge_s
from ventproof_bench.plant.contacts import ReckonedTraits
from ventproof_bench.yamlfile.fields import STATE_UNIT
from ventproof_bench.yamlfile.load import Loaded, in_file_order
from ventproof_bench.yamlfile.value_errors import near, nearest

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from ventproof.profile.model import Profile
    from ventproof_bench.base.errors import Problem
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded
    from ventproof_bench.yamlfile.tree import Path


_ROUNDING_S: Final = 1e-9
_RANGE_OF_PERCENT: Final = (0.0, 100.0)


@final
@dataclass(frozen=True, slots=True)
class Bound:
    """A profile tied to a bench.

    Attributes:
        profile: the profile.
        bench: the bench.
        outputs: the bench's output names, by the profile's.
        signals: the bench's signal names, by the profile's.
        vents: the bench's names of the vents that it plays, by the profile's.
        notes: what is allowed, but should be known.
        undecidable: what no unit could pass here, however right, once `case.decidable` has looked.
        warnings: what none could fail here, however wrong, likewise.
    """

    profile: Loaded[Profile]
    bench: Loaded[BenchFile]
    outputs: Mapping[str, str]
    signals: Mapping[str, str]
    vents: Mapping[str, str]
    notes: tuple[Problem, ...]
    undecidable: tuple[Problem, ...] = ()
    warnings: tuple[Problem, ...] = ()


def bind(profile: Loaded[Profile], bench: Loaded[BenchFile], use: Mapping[str, str]) -> Bound:
    """Tie a profile to a bench.

    Args:
        profile: the profile.
        bench: the bench.
        use: bench names to take where the profile says another.

    Raises:
        FileError: the bench lacks something that the profile needs; every fault found, in file order.
    """
    needs = profile.model.needs
    outputs = {name: use.get(name, name) for name, need in needs.outputs.items() if need != VENT}
    vents = {name: use.get(name, name) for name, need in needs.outputs.items() if need == VENT}
    signals = {name: use.get(name, name) for name in needs.signals}
    problems = [
        *_output_problems(profile, bench, outputs),
        *_vent_problems(profile, bench, vents),
        *_signal_problems(profile, bench, signals),
        *_twins(profile, outputs, "outputs"),
        *_twins(profile, vents, "outputs"),
        *_twins(profile, signals, "signals"),
    ]
    if not problems:
        problems = [*sensor_problems(profile, bench, outputs), *interlock_problems(profile, bench)]
        problems += parts_problems(profile, bench, vents)
        problems += [*_pulse_problems(profile, bench, outputs), *_response_problems(profile, bench, signals)]
        problems += [
            *_reckoned_problems(profile, bench, signals),
            *_condition_problems(profile, bench, signals),
        ]
    if problems:
        raise FileError(in_file_order(problems))
    # Where a demand hangs on a signal's travel it is judged whether it can be decided; elsewhere it does not matter.
    elsewhere = set(travel_notes(bench))
    notes = in_file_order([*profile.notes, *(note for note in bench.notes if note not in elsewhere)])
    return Bound(profile, bench, outputs, signals, vents, tuple(notes))


def check_use(use: Mapping[str, str], profiles: list[Loaded[Profile]]) -> list[Problem]:
    """Return a problem for each name in `use` that no profile needs, since it would change nothing."""
    known = sorted({name for p in profiles for name in (*p.model.needs.outputs, *p.model.needs.signals)})
    return [
        Problem("--map", None, None, f"no profile needs {name!r}", nearest(name, known))
        for name in use
        if name not in known
    ]


def _lacks(
    name: str, at: str, bench: Loaded[BenchFile], what: str, *, section: str, fitting: Mapping[str, object]
) -> tuple[str, str]:
    """Return reason and hint for something that the bench does not have, of which it has what is `fitting`."""
    taken = f" (which {name!r} stands for)" if at != name else ""
    reason = f"bench {bench.path} has no {what} {at!r}{taken}"
    if not fitting:
        return reason, f"it has no {what} at all; add one below `{section}:`"
    cure = nearest(at, fitting)
    return reason, cure if near(at, fitting) else f"{cure}; map it with `--map {name}=…`"


def _given_as(output: ContactOutput | ValueOutput) -> str:
    """Return what a profile that needs this output calls it: `contact`, or the unit of its values."""
    return CONTACT if isinstance(output, ContactOutput) else output.unit


def _output_problems(
    profile: Loaded[Profile], bench: Loaded[BenchFile], names: Mapping[str, str]
) -> Iterator[Problem]:
    for name, need in profile.model.needs.outputs.items():
        if need == VENT:
            continue
        path: Path = ("needs", "outputs", name)
        output = bench.model.outputs.get(names[name])
        if output is None:
            fitting = {n: o for n, o in bench.model.outputs.items() if _given_as(o) == need}
            what = "contact" if need == CONTACT else f"output in {need}"
            yield profile.problem(
                path, *_lacks(name, names[name], bench, what, section="outputs", fitting=fitting)
            )
        elif isinstance(output, ContactOutput) != (need == CONTACT):
            has = "a contact" if isinstance(output, ContactOutput) else "a value"
            wanted = "a contact" if need == CONTACT else f"a value in {need}"
            yield profile.problem(
                path, f"{names[name]!r} on bench {bench.path} is {has}", f"the profile needs {wanted}"
            )
        elif not isinstance(output, ContactOutput) and output.unit != need:
            reason = f"{names[name]!r} on bench {bench.path} is in {output.unit}"
            yield profile.problem(path, reason, f"the profile needs it in {need}")
        elif (vent := bench.model.played_outputs.get(names[name])) is not None:
            at = f"{names[name]!r} on bench {bench.path}"
            reason = f"{at} shows where vent {vent!r} stands: a profile cannot drive it"
            yield profile.problem(
                path, reason, f"let the vent itself fail: `{vent}: vent`, and `fail: {vent}`"
            )


def _vent_problems(
    profile: Loaded[Profile], bench: Loaded[BenchFile], names: Mapping[str, str]
) -> Iterator[Problem]:
    played = {name: vent for name, vent in bench.model.vents.items() if vent.plays is not None}
    for name, at in names.items():
        if at not in played:
            lacks = _lacks(name, at, bench, "vent that it plays", section="vents", fitting=played)
            yield profile.problem(("needs", "outputs", name), *lacks)


def _signal_problems(
    profile: Loaded[Profile], bench: Loaded[BenchFile], names: Mapping[str, str]
) -> Iterator[Problem]:
    for name, unit in profile.model.needs.signals.items():
        path: Path = ("needs", "signals", name)
        signal = bench.model.signals.get(names[name])
        if signal is None:
            fitting = {n: s for n, s in bench.model.signals.items() if s.unit == unit}
            what = f"signal in {unit}" if unit not in PLAIN_UNITS else unit
            yield profile.problem(
                path, *_lacks(name, names[name], bench, what, section="signals", fitting=fitting)
            )
        elif signal.unit != unit:
            reason = f"{names[name]!r} on bench {bench.path} is in {signal.unit}"
            yield profile.problem(path, reason, f"the profile needs it in {unit}")


def _twins(profile: Loaded[Profile], names: Mapping[str, str], kind: str) -> Iterator[Problem]:
    first: dict[str, str] = {}
    for name, at in names.items():
        if first.setdefault(at, name) != name:
            reason = f"{name!r} and {first[at]!r} both stand for {at!r} of the bench"
            yield profile.problem(
                ("needs", kind, name), reason, "give each its own with `--map`", at_key=True
            )


def _pulse_problems(
    profile: Loaded[Profile], bench: Loaded[BenchFile], names: Mapping[str, str]
) -> Iterator[Problem]:
    for number, step in enumerate(profile.model.steps):
        for index, stimulus in enumerate(step.do):
            if not isinstance(stimulus, PulseContact):
                continue
            output = bench.model.outputs[names[stimulus.pulse]]
            if not isinstance(output, ContactOutput):
                continue
            fastest_s = fastest_edge_s(output, bench.model.buses)
            spans = [("closed_for", stimulus.closed_for)]
            if stimulus.times > 1:
                spans.append(("open_for", stimulus.open_for))
            for key, span_s in spans:
                if span_s < fastest_s - _ROUNDING_S:
                    reason = f"{key} {span_s:g} s is shorter than {names[stimulus.pulse]!r} can follow"
                    hint = f"on bench {bench.path} its edges must be {fastest_s:g} s apart; see fastest_edge"
                    yield profile.problem(("steps", number, "do", index, key), reason, hint)


def _response_problems(
    profile: Loaded[Profile], bench: Loaded[BenchFile], names: Mapping[str, str]
) -> Iterator[Problem]:
    for path, response in responses(profile.model):
        signal = bench.model.signals[names[response.signal]]
        match response:
            case model.Equals(equals=word):
                at = names[response.signal]
                yield from _state_problems(profile, (*path, "equals"), word, bench, at)
            case model.Reaches() | model.Returns():
                yield from _reach(profile, (*path, kind_of(response)), response, signal)


def _state_problems(
    profile: Loaded[Profile], path: Path, word: object, bench: Loaded[BenchFile], at: str
) -> Iterator[Problem]:
    """Yield a problem for a word that is not among the names of a signal's states."""
    signal = bench.model.signals[at]
    states = signal.states or {}
    if signal.unit == STATE_UNIT and isinstance(word, str) and word not in states:
        reason = f"{at!r} on bench {bench.path} has no state {word!r}"
        hint = nearest(word, states) or "name its states in the bench file, or write the number"
        yield profile.problem(path, reason, hint)


def _conditions(profile: Profile) -> Iterator[tuple[Path, tuple[str, ...], str, str | int | bool]]:
    """Yield the signals that are conditions: where each stands, what it binds, its name, and its value then."""
    for index, invariant in enumerate(profile.always):
        if (condition := profile.signal_condition(invariant)) is not None:
            yield ("always", index, "while", condition[0]), invariant.signals, *condition
    for path, response in responses(profile):
        for name, value in model.until_of(response).items():
            yield (*path, "until", name), response.signals, name, value


def _condition_problems(
    profile: Loaded[Profile], bench: Loaded[BenchFile], names: Mapping[str, str]
) -> Iterator[Problem]:
    """Yield what is wrong with the signals that are conditions: when they hold must follow from their readings."""
    signals = bench.model.signals
    for path, bound, name, value in _conditions(profile.model):
        at = names[name]
        yield from _state_problems(profile, path, value, bench, at)
        told = [at for at in (at, *(names[one] for one in bound)) if isinstance(signals[at], PersonSignal)]
        if told:
            reason = f"{told[0]!r} on bench {bench.path} is read by a person, who is not asked all the time"
            yield profile.problem(path, reason, "leave the condition out, or name signals of a bus")
            continue
        traits, every_s = bench.model.traits(at), bench.model.every_s(at)
        unseen_s = every_s + traits.refreshed_every_s
        if Rule(profile.model.decision) is Rule.GUARDED and (traits.keeps_for_s or 0.0) <= unseen_s:
            reason = f"{at!r} may change between two readings: it is never certain that it is {value}"
            hint = (
                f"declare its `keeps_for` in {bench.path}, more than {unseen_s:g} s, if the unit keeps to it"
            )
            yield profile.problem(path, reason, hint)


def _reckoned_problems(
    profile: Loaded[Profile], bench: Loaded[BenchFile], names: Mapping[str, str]
) -> Iterator[Problem]:
    """Yield a problem for each signal without readings of its own where readings are to be judged as they stand."""
    if Rule(profile.model.decision) is not Rule.SIMPLE:
        return
    for name in profile.model.needs.signals:
        if isinstance(bench.model.traits(names[name]), ReckonedTraits):
            reason = f"{names[name]!r} has no readings that could be judged as they stand: it is reckoned from contacts"
            yield profile.problem(("decision",), reason, "write `decision: guarded`, or leave it out")


def _reach(
    profile: Loaded[Profile], path: Path, response: model.Reaches | model.Returns, signal: Signal
) -> Iterator[Problem]:
    """Yield a problem for a target that no reading of the signal can come near."""
    target = response.reaches if isinstance(response, model.Reaches) else response.returns
    ends = (
        tuple(q.value for q in signal.range)
        if signal.range
        else _RANGE_OF_PERCENT
        if signal.unit == "%"
        else None
    )
    if ends is None:
        return
    low, high = min(ends), max(ends)
    if target.value + response.tolerance.value < low or target.value - response.tolerance.value > high:
        reason = f"{target.text!r} is outside what {response.signal!r} can be"
        yield profile.problem(path, reason, f"its range is {low:g} to {high:g} {signal.unit}")
