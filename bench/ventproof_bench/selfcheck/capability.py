"""What a bench can decide of a signal: smallest tolerance and sharpest deadline under the guarded rule (pure)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from bench.uncertainty import UncertaintyBudget, bounds, resolution, within_span

if TYPE_CHECKING:
    from bench.measured import BusMeasured
    from bench.samples import SignalTraits

_CLOCK_S: Final = 1e-6  # log times are whole microseconds


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Decidable:
    """What can be decided of one signal.

    Attributes:
        signal: its name.
        unit: its unit.
        tolerance: smallest tolerance with which a value that rests exactly where it is wanted passes for certain, in
            the signal's unit; None where nothing bounds the value between two readings.
        deadline_s: a response passes for certain when its deadline is so much later than it truly comes, seconds;
            None likewise.
        lacks: what to declare so that both can be given; empty when nothing is missing.
        value: uncertainty of a reading, in the signal's unit.
        instant: uncertainty of the time of a response, seconds.
    """

    signal: str
    unit: str
    tolerance: float | None
    deadline_s: float | None
    lacks: str
    value: UncertaintyBudget
    instant: UncertaintyBudget


def decidable(
    traits: SignalTraits,
    bus: BusMeasured,
    *,
    every_s: float,
    refresh_s: float,
    stimulus_s: float,
    step: float,
) -> Decidable:
    """Return what can be decided of a signal.

    A reading was taken somewhere between its request and its reply and is up to `refresh_s` older. From one to the
    next a value at rest could leave at its fastest rate r and be back, so at rest the envelope reaches r·G/2 beyond
    the readings, G = age + refresh being the span of two neighbouring ones; the readings are off by up to the error e,
    and the truth is so again from them: 2e + r·G/2. An arrival shows up to G late, the value's own 2e take 2e/r at
    that rate, and the stimulus may have come at the begin of its window.

    Args:
        traits: what the bench file declares of the signal.
        bus: what was measured of its bus.
        every_s: the bus's poll interval.
        refresh_s: the unit's refresh interval: the longer of declared and measured.
        stimulus_s: widest stimulus window of the bench's contacts.
        step: smallest step of the value; 0 where it has none.
    """
    instant = UncertaintyBudget(
        f"the time of a response of {traits.name}",
        "s",
        (
            within_span("between two polls", every_s),
            bus.jitter,
            within_span("from request to reply", bus.round_trip.worst_s),
            within_span("refresh of the unit", refresh_s),
            within_span("window of the stimulus", stimulus_s),
            resolution("clock of the record", _CLOCK_S),
        ),
    )
    tolerance, deadline_s, lacks = _limits(traits, bus.age_s + refresh_s, stimulus_s)
    return Decidable(
        signal=traits.name,
        unit=traits.unit,
        tolerance=tolerance,
        deadline_s=deadline_s,
        lacks=lacks,
        value=_value(traits, step),
        instant=instant,
    )


def _value(traits: SignalTraits, step: float) -> UncertaintyBudget:
    accuracy = max(0.0, traits.error - step / 2)
    parts = resolution("resolution", step), bounds("accuracy as declared", accuracy)
    return UncertaintyBudget(f"a reading of {traits.name}", traits.unit, parts)


def _limits(traits: SignalTraits, span_s: float, stimulus_s: float) -> tuple[float | None, float | None, str]:
    """Return smallest tolerance, sharpest deadline, and what is lacking for them."""
    if traits.rate_per_s is not None:
        tolerance = 2 * traits.error + traits.rate_per_s * span_s / 2
        return tolerance, span_s + stimulus_s + 2 * traits.error / traits.rate_per_s, ""
    if traits.unit == "count":
        return 0.0, span_s + stimulus_s, ""
    if traits.unit not in ("flag", "state"):
        return None, None, "full_travel and range, the fastest that the value can change"
    if traits.keeps_for_s is None or traits.keeps_for_s <= span_s:
        return None, None, f"keeps_for of more than {span_s:.3f} s, if the unit keeps to it"
    return 0.0, span_s + stimulus_s, ""
