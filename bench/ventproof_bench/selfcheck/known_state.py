"""Whether the unit came into the known state that a hook-up begins from (pure)."""

from __future__ import annotations

from itertools import chain
from typing import TYPE_CHECKING

from ventproof_bench.benchfile.model import ContactOutput
from ventproof_bench.selfcheck.diagnosis import Wrong, ends_of, listed, slack_of
from ventproof_bench.selfcheck.slips import beside, elsewhere, extent, others, recoded, turned

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from ventproof_bench.benchfile.hookup import Answer
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.selfcheck.slips import UnitReadings


def unready(
    file: BenchFile, wanted: Mapping[str, Answer], state: UnitReadings, known: Iterable[str]
) -> list[str]:
    """Return the signals that show that the unit is not in its known state.

    A signal that is declared wrong shows another value there, too, and can be named only once it has answered. So one
    does not count against the state that reads what cannot be, or whose value would be right at another scale, sense,
    coding or place; nor a position beside another that is where it should be.

    Args:
        file: the bench file.
        wanted: what is about to answer.
        state: what is read.
        known: signals that were found to be wrong already.
    """
    known, there, off = set(known), set[str](), list[str]()
    for signal, answer in wanted.items():
        ends, value = ends_of(answer, file.registers[signal]), state.values.get(signal)
        if ends is None or value is None or signal in known:
            continue
        if abs(value - ends[0]) <= slack_of(ends, file.registers[signal]):
            there.add(signal)
        else:
            off.append(signal)
    positions = {s for s in (*there, *off) if file.registers[s].full_travel is not None}
    if positions & there:
        off = [s for s in off if s not in positions]
    several = len(positions) > 1  # and all of them off: they stand there, none is reversed
    return [s for s in off if not _misread(file, s, wanted[s], state, reversible=not several)]


def _misread(file: BenchFile, signal: str, wanted: Answer, state: UnitReadings, *, reversible: bool) -> bool:
    """Whether a signal that is not what it should be may well be so for being declared wrong."""
    spec, value = file.registers[signal], state.values[signal]
    low, high = extent(spec)
    ends = ends_of(wanted, spec)
    if ends is None or not low <= value <= high:
        return True
    for slip in chain(
        turned(spec), recoded(spec), beside(spec), elsewhere(file, signal), others(file, signal)
    ):
        if (slip.kind == "mirrored" and not reversible) or (slip.kind == "place" and not ends[0]):
            continue  # many a register holds nothing, which shows 0, too
        seen = slip.read(signal, state, spec.offset)
        if seen is not None and abs(seen - ends[0]) <= slack_of(ends, spec) / 2:
            return True
    return False


def unready_sentence(
    file: BenchFile, output: str, wanted: Mapping[str, Answer], state: UnitReadings, off: Iterable[str]
) -> Wrong:
    """Say that an output was not driven, since the unit was not in its known state."""
    reads = listed((_off_said(signal, wanted[signal], state) for signal in off), quoted=False)
    hookup = file.outputs[output].hookup
    assert hookup is not None, "it was about to be tried"
    if hookup.values is not None and not isinstance(file.outputs[output], ContactOutput):
        set_to = f"output {output!r} was set to {hookup.values[0]}, and driven no further"
        look, at = "its `wired:` and `settles`", "wired"
    else:
        set_to, look, at = (
            f"output {output!r} was not driven",
            "`first` and `settles` of its hook-up",
            "hookup",
        )
    text = (
        f"{set_to}: the unit did not come into its known state; {reads}; look at {look} and at what else may move the "
        "unit, or, if it is in that state, at the address, type and table of these signals"
    )
    return Wrong(text, ("outputs", output, at))


def _off_said(signal: str, wanted: Answer, state: UnitReadings) -> str:
    stands = f"{signal!r} reads {state.values[signal]:g}"
    first = wanted.values or wanted.states
    return f"{stands}, not {first[0]}" if first else f"{stands} and still moves"
