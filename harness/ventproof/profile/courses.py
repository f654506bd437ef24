"""How rain and wind run over time, as a profile states it: blocks, storms, showers, gusts, turbulence, series."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, PrivateAttr, Tag, field_validator, model_validator

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.quantities import Dimension, Quantity
from ventproof_bench.yamlfile.fields import AnyQuantity, FileModel, PositiveSeconds, by_key

Seed = Annotated[int, Field(ge=0, le=2**63 - 1)]

_UNITS = {
    Dimension.RAIN_INTENSITY: "mm/h",
    Dimension.DEPTH: "mm",
    Dimension.SPEED: "m/s",
    Dimension.PERCENT: "%",
}


_SHORTEST_S = 2.0
_LONGEST_S = 86_400.0


def check_amount(key: str, said: Quantity | None, dimension: Dimension, *, zero: bool = True) -> None:
    """Refuse what is no amount of weather; nothing said is right.

    Args:
        key: where it stands, for the message.
        said: the amount.
        dimension: what it must be.
        zero: whether it may be 0.

    Raises:
        ValueError: another dimension, or below 0.
    """
    unit = _UNITS[dimension]
    if said is None:
        return
    if said.dimension is not dimension:
        what = "share" if dimension is Dimension.PERCENT else dimension
        raise Refusal(f"{key} {said.text!r} must be a {what}", f"write it in {unit}", key=key)
    if said.value < 0:
        raise Refusal(f"{key} {said.text!r} is below zero", f"write 0 {unit} for none", key=key)
    if said.value == 0 and not zero:
        raise Refusal(f"{key} {said.text!r} is zero", f"write more than 0 {unit}", key=key)


class RainBlock(FileModel):
    """A span of even rain."""

    for_: Annotated[PositiveSeconds, Field(alias="for")]
    """How long the block lasts."""
    intensity: AnyQuantity
    """Rain intensity in this span; 0 mm/h for a dry span."""

    @model_validator(mode="after")
    def _rains(self) -> Self:
        check_amount("intensity", self.intensity, Dimension.RAIN_INTENSITY)
        return self


class OffsetFormula(FileModel):
    """Mean intensity over a duration: a / (t + b)^n in mm/h, with t in minutes."""

    a: Annotated[float, Field(gt=0, le=1e6)]
    """Scale of the formula a / (t + b)^n, in mm/h with t in minutes; multiply one for in/h by 25.4."""
    b: Annotated[float, Field(ge=0, le=1e4)]
    """Offset of the formula a / (t + b)^n, minutes."""
    n: Annotated[float, Field(gt=0, le=1)]
    """Power of the formula a / (t + b)^n."""


class PowerFormula(FileModel):
    """Mean intensity over a duration: c / (t^e + f) in mm/h, with t in minutes."""

    c: Annotated[float, Field(gt=0, le=1e6)]
    """Scale of the formula c / (t^e + f), in mm/h with t in minutes; multiply one for in/h by 25.4."""
    e: Annotated[float, Field(gt=0, le=1)]
    """Power of the formula c / (t^e + f)."""
    f: Annotated[float, Field(ge=0, le=1e4)]
    """Offset of the formula c / (t^e + f)."""


class FormulaStorm(FileModel):
    """A storm made from an intensity-duration-frequency formula of the place, for one return period."""

    shape: Literal["alternating", "peaked"]
    """`alternating`: blocks, the heaviest in the middle and the others right and left by turns; `peaked`: every span
    around the peak holds the depth that the formula gives for its duration."""
    lasts: PositiveSeconds
    """Length of the storm."""
    block: PositiveSeconds
    """Length of one of its blocks; the storm holds a whole number of them."""
    formula: Annotated[
        Annotated[OffsetFormula, Tag("a")] | Annotated[PowerFormula, Tag("c")], by_key("a", "c")
    ]
    """The formula: a, b and n of a / (t + b)^n, or c, e and f of c / (t^e + f)."""
    peak_at: AnyQuantity = Quantity(50.0, Dimension.PERCENT, "50 %")
    """With `peaked`: how much of the storm's length lies before its peak."""

    @model_validator(mode="after")
    def _peak_lies_inside(self) -> Self:
        if "peak_at" in self.model_fields_set and self.shape != "peaked":
            raise Refusal("peak_at belongs to `shape: peaked`", "leave it out", key="peak_at")
        if self.peak_at.dimension is not Dimension.PERCENT or not 0 <= self.peak_at.value <= 100:  # noqa: PLR2004 - per cent
            raise Refusal(f"peak_at {self.peak_at.text!r} must be from 0 % to 100 %", key="peak_at")
        return self


class CurveStorm(FileModel):
    """A 24-hour storm by a standard curve of what has fallen by when; `faster` plays it in less time."""

    shape: Literal["II", "III", "IA"]
    """Type of the 24-hour curve."""
    depth: AnyQuantity
    """All the rain of the storm."""

    @model_validator(mode="after")
    def _rains(self) -> Self:
        check_amount("depth", self.depth, Dimension.DEPTH, zero=False)
        return self


Storm = Annotated[FormulaStorm | CurveStorm, Field(discriminator="shape")]


class Showers(FileModel):
    """Showers that come at random; they add up where they overlap."""

    for_: Annotated[PositiveSeconds, Field(alias="for")]
    """The whole span; it begins dry, and the last showers end with it."""
    every: PositiveSeconds
    """Mean time from the beginning of one shower to that of the next."""
    lasts: PositiveSeconds
    """Mean length of a shower."""
    intensity: AnyQuantity
    """Mean intensity of a shower."""
    seed: Seed = 0
    """The same seed gives the same showers."""

    @model_validator(mode="after")
    def _rain(self) -> Self:
        check_amount("intensity", self.intensity, Dimension.RAIN_INTENSITY, zero=False)
        return self


class Series(FileModel):
    """A measured series in a CSV file beside the profile; its text goes into the log with the profile's."""

    file: Annotated[str, Field(min_length=1, max_length=200)]
    """The file; its path counts from the profile's folder."""
    _text: str = PrivateAttr("")

    @field_validator("file")
    @classmethod
    def _stands_beside(cls, file: str) -> str:
        if file.startswith(("/", "\\", "~")) or ":" in file:
            raise Refusal(
                "must be a path from the profile's folder",
                "write 'gauge.csv' or 'series/gauge.csv'",
                bare=True,
            )
        return file

    @property
    def text(self) -> str:
        """The file's text; empty until it was read."""
        return self._text

    def hold(self, text: str) -> None:
        """Take the file's text; two series are equal only if their texts are."""
        self._text = text


class RainSeries(Series):
    """Measured rain in a CSV file beside the profile; its text goes into the log with the profile's.

    Its header names a column `time` and one of `intensity`, `depth` (since the row before) and `total`, each with its
    unit: `time [min], intensity [mm/h]`.
    """

    between: Literal["steps", "linear"] = "steps"
    """How an intensity runs to the next row: `steps` keeps it, `linear` goes there evenly. Depths fall evenly."""


class WindSeries(Series):
    """Measured wind in a CSV file beside the profile; its text goes into the log with the profile's.

    Its header names a column of times and one of speeds, each with its unit: `time [s], wind [m/s]`.
    """

    column: str | None = None
    """Name of the column, where several hold speeds."""
    between: Literal["linear", "steps"] = "linear"
    """How the speed runs to the next row: `linear` goes there evenly, `steps` keeps it."""


class Bounce(FileModel):
    """How a worn contact bounces at each closure: it opens and closes again before it rests."""

    times: Annotated[int, Field(ge=1, le=50)]
    """How often it opens again."""
    each: PositiveSeconds
    """How long it is closed, and open, at a time."""

    @property
    def least_s(self) -> float:
        """The shortest closure that has room for it, seconds."""
        return (2 * self.times + 1) * self.each


class Gust(FileModel):
    """One gust on the steady wind; after it the wind is as before."""

    rise: AnyQuantity
    """How far its peak stands above the steady wind."""
    lasts: PositiveSeconds
    """How long it lasts from beginning to end."""
    shape: Literal["cosine", "rectangular"] = "cosine"
    """`cosine`: rises and falls smoothly, one minus cosine; `rectangular`: jumps up and back."""

    @model_validator(mode="after")
    def _rises(self) -> Self:
        check_amount("rise", self.rise, Dimension.SPEED, zero=False)
        return self


class Turbulence(FileModel):
    """Turbulence about the wind's mean, the same for the same seed; it repeats without a jump."""

    intensity: AnyQuantity
    """Standard deviation of the speed over its mean; 10 % to 30 % is usual near the ground (common practice, no
    source). No wind blows below 0 m/s: a stronger turbulence has calms, and less than was asked, a twentieth less at
    50 % and a quarter at 100 %."""
    for_: Annotated[PositiveSeconds, Field(alias="for")] = 600.0
    """How long until it repeats; the mean over it is the wind's speed."""
    spectrum: Literal["surface-layer", "isotropic"] = "surface-layer"
    """Which spectrum the speeds follow."""
    length: Annotated[float, Field(gt=0, le=10_000)] = 56.7
    """Length scale of the spectrum, metres; the usual one is Kaimal's at 10 m above ground."""
    seed: Seed = 0
    """The same seed gives the same wind."""

    @model_validator(mode="after")
    def _is_turbulent(self) -> Self:
        check_amount("intensity", self.intensity, Dimension.PERCENT, zero=False)
        if not _SHORTEST_S <= self.for_ <= _LONGEST_S:
            raise Refusal(
                f"for {self.for_:g} s must be from {_SHORTEST_S:g} s to {_LONGEST_S:g} s", key="for"
            )
        if self.intensity.value > 100:  # noqa: PLR2004 - per cent
            raise Refusal(
                f"intensity {self.intensity.text!r} must be 100 % at most", "20 % is usual", key="intensity"
            )
        return self
