"""Generated profiles as models: responses, stimuli with their times, and what a profile needs of a bench (pure)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from ventproof.draft.stimuli import quantity
from ventproof.profile.model import CONTACT, Equals, Needs, Profile, Reaches, Returns, Stays
from ventproof_bench.base.quantities import Dimension, Quantity, span_text
from ventproof_bench.benchfile.model import ContactOutput

if TYPE_CHECKING:
    from ventproof.draft.stimuli import TimedStimuli
    from ventproof.profile.model import Response, Start, Step
    from ventproof.profile.stimulus import Stimulus
    from ventproof_bench.benchfile.model import BenchFile


_FOUND_FOR_S: Final = 1.0


@final
@dataclass(frozen=True, slots=True)
class Band:
    """A vent's position and the tolerance of it, of which responses are made; times in seconds."""

    signal: str
    position: Quantity
    tolerance: Quantity

    def stays(self, for_s: float, *, purpose: str = "") -> Response:
        """Return that it stays there."""
        return Stays(
            signal=self.signal,
            stays=self.position,
            tolerance=self.tolerance,
            for_=span_text(for_s),
            purpose=purpose,
        )

    def reaches(
        self, within_s: float, holds_s: float, *, purpose: str = "", anyhow: bool = False
    ) -> Response:
        """Return that it comes there and stays; `anyhow`: or was there already."""
        return Reaches(
            signal=self.signal,
            reaches=self.position,
            tolerance=self.tolerance,
            within=span_text(within_s),
            holds=span_text(holds_s),
            already_so="enough" if anyhow else None,
            purpose=purpose,
        )

    def returns(self, not_before_s: float, within_s: float) -> Response:
        """Return that it comes back there, not too early and not too late."""
        return Returns(
            signal=self.signal,
            returns=self.position,
            tolerance=self.tolerance,
            not_before=span_text(not_before_s),
            within=span_text(within_s),
        )


def equals(flag: str, within_s: float, *, on: bool, purpose: str = "", anyhow: bool = False) -> Response:
    """Return that a flag takes a state, seconds after the stimulus at the latest; `anyhow`: or had it already."""
    return Equals(
        signal=flag,
        equals="on" if on else "off",
        within=span_text(within_s),
        already_so="enough" if anyhow else None,
        purpose=purpose,
    )


def keeps(flag: str, for_s: float, *, on: bool, purpose: str = "") -> Response:
    """Return that a flag has a state and keeps it, for so many seconds."""
    state, none = quantity(on, Dimension.COUNT), quantity(0, Dimension.COUNT)
    return Stays(signal=flag, stays=state, tolerance=none, for_=span_text(for_s), purpose=purpose)


def found(flag: str, late_s: float, *, on: bool, watched: bool, purpose: str = "") -> Response:
    """Return that a flag is found in a state; the bench sees it `late_s` late, and `watched`: all the time."""
    if watched:
        return keeps(flag, _FOUND_FOR_S, on=on, purpose=purpose)
    return equals(flag, round(_FOUND_FOR_S + late_s, 6), on=on, purpose=purpose, anyhow=True)


def percent(value: float) -> Quantity:
    """Return a position, or a tolerance of one, as a number."""
    return quantity(value, Dimension.PERCENT)


def named(name: str, value: float) -> Quantity:
    """Return the same as a profile states it that has a name for it among its values."""
    return Quantity(value, Dimension.PERCENT, f"${name}")


def applied(stimuli: TimedStimuli, labels: Iterable[str | None]) -> list[Stimulus]:
    """Return stimuli as a step does them, at their times and with their labels."""
    return [
        planned.stimulus.model_copy(update={"at": at_s, "label": label})
        for (at_s, planned), label in zip(stimuli, labels, strict=True)
    ]


def counted_from(response: Response, label: str | None) -> Response:
    """Return a response that counts from the stimulus of this label; from the step's only one if there is none."""
    return response.model_copy(update={"after": label})


def assembled(
    bench: BenchFile,
    *,
    title: str,
    about: str,
    start: Start,
    steps: Sequence[Step],
    proves: Sequence[str] = (),
    values: Mapping[str, str] | None = None,
) -> Profile:
    """Return a profile, with what it needs: outputs that it acts on or writes, and signals that respond.

    Args:
        bench: says what they are.
        title: the profile's name.
        about: what it shows, in sentences.
        start: how it begins.
        steps: what is done and expected.
        proves: names of the table's lines.
        values: named values.
    """
    acting = (name for step in steps for stimulus in step.do for name in stimulus.outputs)
    responding = (r.signal for r in (*start.until, *(r for step in steps for r in step.expect)))
    needs = Needs(
        outputs={name: _need(bench, name) for name in (*acting, *start.write)},
        signals={name: bench.signals[name].unit for name in responding},
    )
    return Profile(
        profile=title,
        about=f"{' '.join(about.split())}\n",
        proves=list(proves),
        needs=needs,
        values=dict(values or {}),
        start=start,
        steps=list(steps),
    )


def _need(bench: BenchFile, output: str) -> str:
    spec = bench.outputs[output]
    return CONTACT if isinstance(spec, ContactOutput) else spec.unit
