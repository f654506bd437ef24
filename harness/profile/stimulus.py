"""What a profile can do to the unit: contacts, values, weather, and sensors that fail."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import Field, Tag

from bench.fields import AnyQuantity, FileModel, Name, PositiveSeconds, Seconds, by_key

_KEYS: Final = ("close", "open", "pulse", "write", "rainfall", "wind", "fail", "mend")


class StimulusCommon(FileModel):
    """What every stimulus may say."""

    at: Seconds = 0.0
    """When, counted from the step's begin."""
    label: Name | None = None
    """A name for this stimulus, so that a response can say `after:`."""

    @property
    def outputs(self) -> tuple[str, ...]:
        """Names of the outputs that this stimulus acts on."""
        names = (getattr(self, key, None) for key in _KEYS)
        return tuple(name for name in names if name is not None)


class CloseContact(StimulusCommon):
    """Close a contact."""

    close: Name
    """The contact to close."""


class OpenContact(StimulusCommon):
    """Open a contact."""

    open: Name
    """The contact to open."""


class PulseContact(StimulusCommon):
    """Close and open a contact several times; it ends as it began, open."""

    pulse: Name
    """The contact to close and open several times."""
    times: Annotated[int, Field(ge=1, le=100_000)]
    """How many closures."""
    closed_for: PositiveSeconds
    """How long each closure lasts."""
    open_for: PositiveSeconds
    """How long the contact is open between two closures."""


class WriteValue(StimulusCommon):
    """Write a value into the unit, or play it to the terminals through the sensor that an output stands for."""

    write: Name
    """The output that takes the value."""
    value: AnyQuantity
    """The value, in the output's unit."""


class Wait(StimulusCommon):
    """Do nothing: let the unit go on by itself for a while."""

    wait: PositiveSeconds
    """How long nothing is done before the next stimulus."""


class Rainfall(StimulusCommon):
    """Let it rain evenly into a tipping bucket; it rains on beside what follows."""

    rainfall: Name
    """The contact that stands for the bucket."""
    intensity: AnyQuantity
    """How hard it rains."""
    for_: Annotated[PositiveSeconds, Field(alias="for")]
    """How long it rains."""


class Wind(StimulusCommon):
    """Let a steady wind turn the cups; it blows on until another wind is stated or the run ends."""

    wind: Name
    """The contact that stands for the cups."""
    speed: AnyQuantity
    """How fast it blows; 0 m/s for a calm."""


class Fail(StimulusCommon):
    """Let a sensor fail; the weather goes on unseen until it is mended."""

    fail: Name
    """The output that stands for the sensor: bucket, cups, a level or a resistance."""
    how: Literal["open", "short", "stuck"]
    """`open`: its wire is broken; `short`: its wires touch; `stuck`: it stays as it is."""


class Mend(StimulusCommon):
    """Mend a sensor that failed: it shows the weather again."""

    mend: Name
    """The output that was failed."""


Stimulus = Annotated[
    Annotated[CloseContact, Tag("close")]
    | Annotated[OpenContact, Tag("open")]
    | Annotated[PulseContact, Tag("pulse")]
    | Annotated[WriteValue, Tag("write")]
    | Annotated[Rainfall, Tag("rainfall")]
    | Annotated[Wind, Tag("wind")]
    | Annotated[Fail, Tag("fail")]
    | Annotated[Mend, Tag("mend")]
    | Annotated[Wait, Tag("wait")],
    by_key(*_KEYS, "wait"),
]
