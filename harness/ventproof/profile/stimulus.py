"""What a profile can do to the unit: contacts, values, weather, and sensors that fail."""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal, Self

from pydantic import Discriminator, Field, Tag, model_validator

from ventproof.profile.courses import (
    Bounce,
    Gust,
    RainBlock,
    RainSeries,
    Seed,
    Showers,
    Storm,
    Turbulence,
    WindSeries,
    check_amount,
)
from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.quantities import Dimension, Quantity
from ventproof_bench.plant.motion import QUICKEST
from ventproof_bench.yamlfile.fields import AnyQuantity, FileModel, Name, PositiveSeconds, Seconds, by_key

_KEYS: Final = ("close", "open", "pulse", "write", "rainfall", "wind", "fail", "restore")


class StimulusCommon(FileModel):
    """What every stimulus may say."""

    at: Seconds = 0.0
    """When, counted from the step's begin."""
    label: Name | None = None
    """A name for this stimulus, so that a response can say `after:`."""

    @property
    def outputs(self) -> tuple[str, ...]:
        """Names of the outputs that this stimulus acts on."""
        said = self.__dict__
        return tuple(said[key] for key in _KEYS if said.get(key) is not None)


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


class Idle(StimulusCommon):
    """Let the unit go on by itself for days, and do not read it meanwhile.

    Polling pauses, but for one round an hour, until ten seconds before the end. What happens in between nobody sees:
    no response may count across it, and invariants do not bind.
    """

    idle: PositiveSeconds
    """How long the unit is left alone."""


PAUSES: Final = (Wait, Idle)
"""The kinds that do nothing to the unit."""


class Rainfall(StimulusCommon):
    """Let it rain into a tipping bucket; it rains on beside what follows.

    One of `intensity` (with `for`), `blocks`, `storm`, `showers` and `series` says how it rains.
    """

    rainfall: Name
    """The contact that stands for the bucket."""
    intensity: AnyQuantity | None = None
    """How hard it rains, evenly."""
    to: AnyQuantity | None = None
    """With `intensity`: the rain changes evenly to this intensity until its end."""
    for_: Annotated[PositiveSeconds | None, Field(alias="for")] = None
    """With `intensity`: how long it rains."""
    blocks: tuple[RainBlock, ...] | None = None
    """Spans of even rain, one after the other."""
    storm: Storm | None = None
    """A design storm."""
    showers: Showers | None = None
    """Random showers."""
    series: RainSeries | None = None
    """A measured series."""
    faster: Annotated[float, Field(gt=0, le=100_000)] = 1.0
    """The rain is played this many times as fast, with the same depth; 0.5 takes twice the time."""
    filled: AnyQuantity | None = None
    """How full the bucket is when the rain begins, below 100 %; unless stated, as full as the rain before left it, and
    empty at first."""
    jitter: AnyQuantity = Quantity(0.0, Dimension.PERCENT, "0 %")
    """Tips stray by at most this share of the time to their neighbours, below 50 %; their number is kept."""
    seed: Seed = 0
    """The same seed gives the same jitter."""
    bounce: Bounce | None = None
    """How the bucket's contact bounces at each tip; the tips are the same."""

    @model_validator(mode="after")
    def _rains_in_one_way(self) -> Self:
        ways = [
            k for k in ("intensity", "blocks", "storm", "showers", "series") if getattr(self, k) is not None
        ]
        if len(ways) != 1:
            reason = f"{' and '.join(ways)} together" if ways else "'intensity' is missing"
            hint = "say how it rains by one of intensity, blocks, storm, showers, series"
            raise Refusal(reason, hint, key=ways[0] if ways else "")
        if (self.intensity is None) != (self.for_ is None):
            reason = "'for' is missing" if self.for_ is None else "for belongs to `intensity`"
            hint = "state how long it rains together with `intensity:`, and nowhere else"
            raise Refusal(reason, hint, key="" if self.for_ is None else "for")
        if self.blocks == ():
            raise Refusal("blocks is empty", "write its items below, each after '- '", key="blocks")
        if self.to is not None and self.intensity is None:
            raise Refusal("to belongs to `intensity`", "leave it out", key="to")
        check_amount("intensity", self.intensity, Dimension.RAIN_INTENSITY)
        check_amount("to", self.to, Dimension.RAIN_INTENSITY)
        for key, most in (("filled", 100.0), ("jitter", 50.0)):
            share: Quantity | None = getattr(self, key)
            if share is None:
                continue
            if share.dimension is not Dimension.PERCENT or not 0 <= share.value < most:
                raise Refusal(f"{key} {share.text!r} must be from 0 % to below {most:g} %", key=key)
        return self


class Wind(StimulusCommon):
    """Let a wind blow on the cups, or on a wind sensor with a level, until another wind is stated or the run ends.

    It is steady at `speed`, unless `to`, `gust` or `turbulence` say more; or it follows a `series`, and then blows on
    at its last speed.
    """

    wind: Name
    """The contact that stands for the cups, or the output in m/s that stands for a wind sensor: its level follows the
    wind, within the sensor's range, as often as `updated_every` says, until a value is written to it."""
    speed: AnyQuantity | None = None
    """How fast it blows; 0 m/s for a calm."""
    to: AnyQuantity | None = None
    """With `over`: the speed that it changes to evenly, and then keeps."""
    over: PositiveSeconds | None = None
    """How long the change takes."""
    gust: Gust | None = None
    """A gust, which begins at once."""
    turbulence: Turbulence | None = None
    """Turbulence, with `speed` for its mean."""
    series: WindSeries | None = None
    """A measured series."""
    faster: Annotated[float, Field(gt=0, le=100_000)] = 1.0
    """The series is played this many times as fast; speeds are unchanged."""
    bounce: Bounce | None = None
    """How the cups' contact bounces at each pulse; the pulses are the same."""

    @model_validator(mode="after")
    def _blows_in_one_way(self) -> Self:
        if (self.speed is None) == (self.series is None):
            reason = "'speed' is missing" if self.speed is None else "series together with `speed`"
            key = "" if self.speed is None else "series"
            raise Refusal(reason, "say how it blows by one of speed, series", key=key)
        more = [k for k in ("to", "gust", "turbulence", "series") if getattr(self, k) is not None]
        if len(more) > 1:
            raise Refusal(
                f"{more[1]} together with `{more[0]}`", "say one of to, gust, turbulence, series", key=more[1]
            )
        if (self.to is None) != (self.over is None):
            reason = "'over' is missing" if self.over is None else "'to' is missing"
            raise Refusal(reason, "`to` and `over` go together")
        if self.series is None and "faster" in self.model_fields_set:
            raise Refusal("faster belongs to a series", "leave it out", key="faster")
        check_amount("speed", self.speed, Dimension.SPEED)
        check_amount("to", self.to, Dimension.SPEED)
        if self.turbulence is not None and self.speed is not None and self.speed.value == 0:
            raise Refusal("speed of a calm has no turbulence", "write more than 0 m/s", key="speed")
        return self

    @property
    def settles(self) -> bool:
        """Whether it comes to a steady speed, from which a response may count."""
        return self.to is not None or self.gust is not None or self.series is not None


class Fail(StimulusCommon):
    """Let a sensor or a contact fail; what goes on is unseen until it works again."""

    fail: Name
    """The output that fails: one that stands for a sensor, or a plain contact."""
    mode: Literal["open", "short", "stuck", "signals", "drift", "jump", "chatter"]
    """`open`: its wire is broken; `short`: its wires touch; `stuck`: it stays as it is; `signals`: a transmitter finds
    a failure and puts `level`, such as 3.6 mA or 21 mA (NAMUR NE 43); `drift`: its error grows to `by` in the time
    `over`; `jump`: its error is `by` immediately, faster than any weather; `chatter`: a loose or leaking connection
    makes a contact open and close, or a value jump by `by` up and down, about every `every`. A contact that is closed
    or opened during the failure moves once it works again."""
    level: AnyQuantity | None = None
    """With `signals`: what it then puts on the wire, in mA, V or ohm: a level that stands for no value."""
    by: AnyQuantity | None = None
    """Final error of the value, in the output's unit; negative for downward."""
    over: PositiveSeconds | None = None
    """With `drift`: how long it takes to be so wrong; it stays so."""
    every: PositiveSeconds | None = None
    """With `chatter`: mean time between two changes, which are half to one and a half of it apart."""
    seed: Seed = 0
    """The same seed gives the same chatter."""

    @property
    def wanders(self) -> bool:
        """Whether it makes values wrong rather than the wires."""
        return self.by is not None

    @model_validator(mode="after")
    def _keys_fit(self) -> Self:
        for key, modes, needed in (
            ("level", ("signals",), ("signals",)),
            ("by", ("drift", "jump", "chatter"), ("drift", "jump")),
            ("over", ("drift",), ("drift",)),
            ("every", ("chatter",), ("chatter",)),
        ):
            if getattr(self, key) is None and self.mode in needed:
                raise Refusal(f"'{key}' is missing", f"`mode: {self.mode}` needs it")
            if getattr(self, key) is not None and self.mode not in modes:
                raise Refusal(f"{key} is not for `mode: {self.mode}`", "leave it out", key=key)
        return self


_FULL_PERCENT: Final = 100.0
_OF_DRIVES: Final = {
    "jams": ("position",),
    "slips": ("by",),
    "slow": ("factor",),
    "loaded": (),
    "dead": (),
    "runs_on": ("for",),
    "backlash": ("by",),
    "creeps": ("rate",),
}
_OF_SWITCHES: Final = {"reached": (), "never": (), "late": ("for",), "bounces": ("for",)}
_OF_POTENTIOMETERS: Final = {"open": (), "short": (), "stuck": (), "reversed": (), "noise": ("by",)}
_MAY_HAVE: Final = {"jams": ("way",), "loaded": ("opening", "closing"), "noise": ("seed",)}


class VentFailure(StimulusCommon):
    """Let something befall a vent that the bench plays: its drive, an end switch, or its potentiometer."""

    fail: Name
    """The vent."""
    part: Literal["drive", "closed_switch", "open_switch", "switches", "position"] = "drive"
    """What of it fails: the drive with what it moves, a switch or both of them, or the potentiometer."""
    mode: Literal[
        "jams",
        "slips",
        "slow",
        "loaded",
        "dead",
        "runs_on",
        "backlash",
        "creeps",
        "reached",
        "never",
        "late",
        "bounces",
        "open",
        "short",
        "stuck",
        "reversed",
        "noise",
    ]
    """Of the drive: `jams`: it goes no further than `position`; `slips`: each opening run loses `by`;
    `slow`: every travel takes `factor` times as long, as in the cold; `loaded`: opening and closing do, as in wind;
    `dead`: it does nothing; `runs_on`: it runs on as long as `for` says; `backlash`: it turns by `by` before the vent
    follows; `creeps`: at rest the vent opens by itself at `rate`. Of a switch: `reached`: it says so all the time;
    `never`; `late` by `for`; `bounces` for `for`. Of the potentiometer: `open`: a wire is broken; `short`: its wires
    touch; `stuck`: it stays as it is; `reversed`: closed shows as open; `noise`: it strays by at most `by`."""
    position: AnyQuantity | None = None
    """With `jams`: where, 0 % to 100 % open."""
    way: Literal["opening", "closing"] | None = None
    """With `jams`: which way it goes no further; either way unless stated."""
    by: AnyQuantity | None = None
    """How far, in % of the travel."""
    factor: Annotated[float, Field(ge=1, le=100)] | None = None
    """With `slow`: how many times as long a travel takes."""
    opening: Annotated[float, Field(ge=1 / QUICKEST, le=100)] | None = None
    """With `loaded`: how many times as long opening takes, 0.5 or more; below 1 for wind that helps."""
    closing: Annotated[float, Field(ge=1 / QUICKEST, le=100)] | None = None
    """With `loaded`: how many times as long closing takes, likewise."""
    for_: Annotated[PositiveSeconds | None, Field(alias="for")] = None
    """How long: the run-on, the delay of a switch, or its bouncing."""
    rate: AnyQuantity | None = None
    """With `creeps`: how fast, in %/s."""
    seed: Seed = 0
    """With `noise`: the same seed gives the same noise."""

    @model_validator(mode="after")
    def _keys_fit(self) -> Self:
        modes = _OF_DRIVES
        if self.part != "drive":
            modes = _OF_POTENTIOMETERS if self.part == "position" else _OF_SWITCHES
        if self.mode not in modes:
            whole = self.part.replace("_", " ")
            raise Refusal(
                f"mode {self.mode!r} is not for the {whole}", f"write one of {', '.join(modes)}", key="mode"
            )
        needed = modes[self.mode]
        for key in ("position", "way", "by", "factor", "opening", "closing", "for", "rate", "seed"):
            field = "for_" if key == "for" else key
            if key in needed and getattr(self, field) is None:
                raise Refusal(f"'{key}' is missing", f"`mode: {self.mode}` needs it")
            if field in self.model_fields_set and key not in (*needed, *_MAY_HAVE.get(self.mode, ())):
                raise Refusal(f"{key} is not for `mode: {self.mode}`", "leave it out", key=key)
        if self.mode == "loaded" and self.opening is None and self.closing is None:
            raise Refusal(
                "the loaded direction is not stated", "write `opening: 1.2`, `closing: 0.9`, or both"
            )
        return self

    @model_validator(mode="after")
    def _amounts_fit(self) -> Self:
        for key, dimension, unit in (
            ("position", Dimension.PERCENT, "%"),
            ("by", Dimension.PERCENT, "%"),
            ("rate", Dimension.PERCENT_RATE, "%/s"),
        ):
            said: Quantity | None = getattr(self, key)
            if said is not None and (said.dimension is not dimension or not 0 <= said.value <= _FULL_PERCENT):
                raise Refusal(f"{key} {said.text!r} must be from 0 {unit} to 100 {unit}", key=key)
        return self


class Restore(StimulusCommon):
    """Restore a sensor that failed: it shows the weather again. Or a vent, and all that failed of it."""

    restore: Name
    """The output or the vent that was failed."""


_OF_VENTS_ONLY: Final = VentFailure.model_fields.keys() - Fail.model_fields.keys()


def _whose(raw: Any) -> str:  # noqa: ANN401 - whatever the file holds
    """Return whether a sensor or a vent fails."""
    stated = raw if isinstance(raw, dict) else vars(raw)
    of_vent = stated.get("mode") in {*_OF_DRIVES, *_OF_SWITCHES} or not _OF_VENTS_ONLY.isdisjoint(stated)
    return "vent" if of_vent else "sensor"


Failure = Annotated[
    Annotated[Fail, Tag("sensor")] | Annotated[VentFailure, Tag("vent")], Discriminator(_whose)
]
"""Something that fails: a sensor, or a vent that the bench plays."""

Stimulus = Annotated[
    Annotated[CloseContact, Tag("close")]
    | Annotated[OpenContact, Tag("open")]
    | Annotated[PulseContact, Tag("pulse")]
    | Annotated[WriteValue, Tag("write")]
    | Annotated[Rainfall, Tag("rainfall")]
    | Annotated[Wind, Tag("wind")]
    | Annotated[Failure, Tag("fail")]
    | Annotated[Restore, Tag("restore")]
    | Annotated[Wait, Tag("wait")]
    | Annotated[Idle, Tag("idle")],
    by_key(*_KEYS, "wait", "idle"),
]
