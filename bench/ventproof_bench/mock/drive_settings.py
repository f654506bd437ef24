"""What a bench file sets of vents: those that the unit moves itself, and those that stand outside it."""

from __future__ import annotations

from typing import Annotated, Final, Literal, Self

from pydantic import Field, field_validator, model_validator

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.quantities import Dimension, Quantity
from ventproof_bench.yamlfile.fields import AnyQuantity, ContactState, FileModel, PositiveSeconds, Seconds

_FULL_PERCENT: Final = 100.0
_FULL_MV: Final = 10_000
_LEAST_SPAN_MV: Final = 1000


def check_percent(what: str, quantities: list[Quantity]) -> None:
    """Refuse positions outside 0 % to 100 %. Raises `ValueError`."""
    for quantity in quantities:
        if quantity.dimension is not Dimension.PERCENT or not 0 <= quantity.value <= _FULL_PERCENT:
            raise Refusal(f"{what} {str(quantity)!r} must be from 0 % to 100 %", key=what)


class OwnVent(FileModel):
    """A real vent behind the unit's drive contacts, for a bench that plays none."""

    open: PositiveSeconds
    """Time from fully closed to fully open."""
    close: PositiveSeconds
    """Time from fully open to fully closed."""
    dead_time: Seconds = 0.3
    """Time from the drive's contact to the first movement."""
    coast: Seconds = 0.0
    """Time that the drive runs on after its contact has opened."""
    play: AnyQuantity = Quantity(0.0, Dimension.PERCENT, "0 %")
    """The drive turns this much, on a reversal, before the vent follows."""

    @model_validator(mode="after")
    def _play_is_part_of_the_travel(self) -> Self:
        check_percent("play", [self.play])
        return self


class DriveSettings(FileModel):
    """How the unit drives a vent that stands outside it, and how it learns where that vent is."""

    commands: Literal["contacts", "0-10 V"] = "contacts"
    """Two contacts, one to open and one to close, or the position as a voltage for a drive that follows it."""
    feedback: Literal["none", "end-switches", "potentiometer"] = "none"
    """Without any the unit reckons by run time, and runs on at an end to be sure; with end switches it stops at the
    switch; with a potentiometer it runs until the measured position is the commanded one."""
    closing_travel: PositiveSeconds | None = None
    """Time from fully open to fully closed by which the unit reckons; `full_travel` unless stated."""
    reversal_pause: Seconds = 0.5
    """Both contacts are off this long before the drive is reversed."""
    run_limit: Annotated[float, Field(gt=1, le=10)] = 1.3
    """A run without an end after this many full travels is stopped with an alarm."""
    overrun: AnyQuantity = Quantity(10.0, Dimension.PERCENT, "10 %")
    """Where no switch tells that an end is reached, the drive runs on there for this part of the full travel."""
    deadband: AnyQuantity = Quantity(1.0, Dimension.PERCENT, "1 %")
    """A vent that stands nearer than this to its target is left alone."""
    reference_after: Annotated[int, Field(ge=1, le=10_000)] | None = None
    """After this many runs without an end the vent is first closed, to find its position again; never unless stated."""
    reached: ContactState = "open"
    """What the contact of an end switch is while its end is reached."""
    potentiometer: tuple[int, int] = (500, 9500)
    """Millivolts at the feedback input with the vent closed and with it open; 250 mV beyond, nothing is plausible."""
    vent: OwnVent | None = None
    """A real vent behind the contacts; without it the bench plays the vent."""

    @model_validator(mode="after")
    def _parts_make_sense(self) -> Self:
        check_percent("overrun", [self.overrun])
        check_percent("deadband", [self.deadband])
        if self.run_limit <= 1 + self.overrun.value / _FULL_PERCENT:
            raise Refusal(
                f"run_limit {self.run_limit:g} leaves no room for an overrun of {self.overrun}",
                f"choose a run_limit above {1 + self.overrun.value / _FULL_PERCENT:g}",
                key="run_limit",
            )
        low, high = sorted(self.potentiometer)
        if low < 0 or high > _FULL_MV or high - low < _LEAST_SPAN_MV:
            raise Refusal(
                f"potentiometer {list(self.potentiometer)} must lie within 0 to {_FULL_MV} mV, "
                f"{_LEAST_SPAN_MV} mV apart or more",
                "write [at closed, at open], such as [500, 9500]",
                key="potentiometer",
            )
        if self.commands == "0-10 V" and (self.feedback == "end-switches" or self.vent is not None):
            raise Refusal(
                "commands of 0-10 V go to a drive that has its own end switches and no contacts of the unit",
                "choose `feedback: none` or `potentiometer`, and leave `vent` out",
                key="commands",
            )
        return self


class VentGroup(FileModel):
    """Vents that move together."""

    full_travel: PositiveSeconds
    """Time from fully closed to fully open."""
    dead_time: Seconds = 0.3
    """Time from the drive's command to the first movement."""
    coast: Seconds = 0.0
    """Time that the vent runs on after the stop command."""
    stages: Annotated[list[AnyQuantity], Field(min_length=1)]
    """Position at ventilation stage 1, 2, …; stage 0 is closed."""
    drive: DriveSettings | None = None
    """The vent stands outside the unit, which sees of it what its feedback tells, and takes the times above for its;
    without this the unit moves the vent itself, and always knows where it is."""

    @field_validator("stages")
    @classmethod
    def _stages_are_positions(cls, stages: list[Quantity]) -> list[Quantity]:
        check_percent("stage position", stages)
        return stages

    @property
    def closing_travel_s(self) -> float:
        """Time from fully open to fully closed, as the unit reckons."""
        closing = self.drive.closing_travel if self.drive else None
        return self.full_travel if closing is None else closing

    @property
    def reference_run_s(self) -> float:
        """How long a reference run to the closed end may take, with all that the drive adds to its travel."""
        run_s = self.dead_time + self.closing_travel_s
        return run_s if self.drive is None else self.drive.reversal_pause + run_s * self.drive.run_limit


def drive_parts(groups: list[VentGroup]) -> dict[str, bool]:
    """Return what of drives some vent of the unit has, in the words that a fault's `needs` uses."""
    outside = [group.drive for group in groups if group.drive is not None]
    by_contacts = [drive for drive in outside if drive.commands == "contacts"]
    return {
        "a vent of its own": any(group.drive is None or group.drive.vent is not None for group in groups),
        "a drive": bool(outside),
        "a drive by contacts": bool(by_contacts),
        "a drive without potentiometer": any(drive.feedback != "potentiometer" for drive in by_contacts),
        "a drive without feedback": any(drive.feedback == "none" for drive in by_contacts),
        "a drive with feedback": any(drive.feedback != "none" for drive in by_contacts),
        "end switches": any(drive.feedback == "end-switches" for drive in by_contacts),
        "a potentiometer": any(drive.feedback == "potentiometer" for drive in by_contacts),
    }
