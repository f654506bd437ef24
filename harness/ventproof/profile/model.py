"""The profile's model: what a test says, with units and names checked, but not yet tied to a bench."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, Tag, WithJsonSchema

from ventproof.profile.stimulus import Stimulus
from ventproof_bench.yamlfile.fields import (
    OWN_UNITS,
    AnyQuantity,
    AtLeastOne,
    Condition,
    ContactState,
    FileModel,
    Ident,
    Name,
    OwnUnit,
    PositiveSeconds,
    Seconds,
    by_key,
    own_unit,
)

CONTACT = "contact"
"""What a profile needs where a bench has a contact."""

VENT = "vent"
"""What a profile needs where a bench plays a vent."""


def _contact_vent_or_unit(need: str) -> str:
    return need if need in {CONTACT, VENT} else own_unit(need, CONTACT, VENT)


OutputNeed = Annotated[
    str,
    AfterValidator(_contact_vent_or_unit),
    WithJsonSchema({"type": "string", "enum": [CONTACT, VENT, *OWN_UNITS]}),
]
"""`contact`, `vent`, or the unit of a value that is written."""


CONTACT_STATES = ("open", "closed")
"""What a contact can be."""


class Needs(FileModel):
    """What a bench must have for this profile."""

    outputs: dict[Name, OutputNeed] = Field(default_factory=dict)
    """Outputs by name: `contact`, or the unit of a value that is written (°C, %, …); or `vent`, for one that the bench
    plays and that is to fail."""
    signals: Annotated[dict[Name, OwnUnit], Field(min_length=1)]
    """Signals by name, each with its unit: %, °C, m/s, mm/h, mm, %/s, °, V, mA, ohm, W/m², %RH, ppm, kPa, s,
    `flag`, `count` or `state`."""

    def is_contact(self, name: str, value: object) -> bool:
        """Return whether a condition is one on a contact; else it is one on a signal."""
        return name in self.outputs and (value in CONTACT_STATES or name not in self.signals)


OTHER_SIGNAL_KEYS = ("never_together", "pauses_before", "stops_at_end", "together_with", "agrees_with")
"""Keys of kinds that name a second signal."""


class ResponseCommon(FileModel):
    """What every response may say."""

    signal: Name
    """The signal that must respond."""
    id: Ident = ""
    """What documents call this response: `RAIN-03.2`."""
    requirements: tuple[Ident, ...] = ()
    """The requirements that it tests, as your documents call them: `URS-4.1`."""
    after: Name | None = None
    """Label of the stimulus that it is counted from; the step's only stimulus unless stated.
    With none in the step, the step's begin."""
    after_end_of: Name | None = None
    """Like `after`, but counted from the last edge of a pulse train."""
    purpose: str = ""
    """A line for the record: what this response proves."""

    @property
    def signals(self) -> tuple[Name, ...]:
        """The signals that it is demanded of, that of `signal` first."""
        return _signals(self)


def _signals(part: FileModel) -> tuple[Name, ...]:
    said = part.__dict__
    return tuple(said[key] for key in ("signal", *OTHER_SIGNAL_KEYS) if said.get(key) is not None)


class Occurrence(ResponseCommon):
    """Something that comes about."""

    already_so: Literal["enough"] | None = None
    """`enough`: it also passes where it was so already before what it counts from. Left out, it is then inconclusive:
    nothing shows that the unit did it."""


class Reaches(Occurrence):
    """The signal comes to this value in time and stays there.

    It must be within `tolerance` of this value at the latest `within` after the stimulus, and stay there for
    `holds`.
    """

    reaches: AnyQuantity
    """The band's middle."""
    tolerance: AnyQuantity
    """How far either side of the middle still counts; half the band's width."""
    within: PositiveSeconds
    """The latest that the signal may come into the band, counted from the stimulus."""
    holds: Seconds = 0.0
    """How long it must then stay in the band."""


class Lasting(ResponseCommon):
    """Something that is so all the time."""

    until: Condition | None = None
    """Only until this flag or state takes this value, `until: {rain_override: off}`, after what it counts from: `for`
    is then the longest. That it takes it must be required by itself."""


class Stays(Lasting):
    """The signal keeps to this value the whole time.

    It must be within `tolerance` of this value from the stimulus on, for the time that `for` says.
    """

    stays: AnyQuantity
    """The band's middle."""
    tolerance: AnyQuantity
    """How far either side of the middle still counts; half the band's width."""
    for_: Annotated[PositiveSeconds, Field(alias="for")]
    """How long it is watched from the stimulus on."""


def until_of(response: ResponseCommon) -> dict[Name, str | int | bool]:
    """Return the signal until whose value a response is required, with the value; empty where there is none."""
    return response.until or {} if isinstance(response, Lasting) else {}


class StaysAtLeast(Lasting):
    """The signal is never below this value for the time that `for` says; on it still passes."""

    stays_at_least: AnyQuantity
    """The bound; on the bound still passes."""
    for_: Annotated[PositiveSeconds, Field(alias="for")]
    """How long it is watched from the stimulus on."""


class StaysAtMost(Lasting):
    """The signal is never above this value for the time that `for` says; on it still passes."""

    stays_at_most: AnyQuantity
    """The bound; on the bound still passes."""
    for_: Annotated[PositiveSeconds, Field(alias="for")]
    """How long it is watched from the stimulus on."""


class Returns(Occurrence):
    """The signal comes back to this value, not too early and not too late.

    It must be further than `tolerance` from this value until `not_before`, and within `tolerance` of it at the
    latest `within` after the stimulus.
    """

    returns: AnyQuantity
    """The band's middle."""
    tolerance: AnyQuantity
    """How far either side of the middle still counts; half the band's width."""
    not_before: Seconds
    """Until then the signal must still be outside the band, counted from the stimulus."""
    within: PositiveSeconds
    """The latest that the signal may come into the band, counted from the stimulus."""


class Span(FileModel):
    """How long, and how much."""

    for_: Annotated[PositiveSeconds, Field(alias="for")]
    """How long it is watched from the stimulus on."""
    tolerance: AnyQuantity | None = None
    """Largest allowed change from the value at the stimulus; not for flags and states."""


class Unchanged(ResponseCommon):
    """The signal stays where it stood: the stimulus must be ignored.

    It may wander by `tolerance` from where it stood at the stimulus, for the time that `for` says.
    """

    unchanged: Span
    """How long the signal must stay as it was, and how closely."""


class Equals(Occurrence):
    """The flag or state takes this value, `within` after the stimulus at the latest.

    That it keeps the value it has is `unchanged`; that it is on and keeps on, `stays: 1` with `tolerance: 0`.
    """

    equals: str | int | bool
    """`on` or `off` for a flag; a number or one of the signal's state names for a state."""
    within: PositiveSeconds
    """The latest that the value may appear, counted from the stimulus."""


class Counts(ResponseCommon):
    """The counter goes up by exactly so many.

    Complete at the latest `within` after the stimulus, and watched until then for one too many. What was played
    before must have been counted by then: leave the counter in peace for a second or two.
    """

    counts: Annotated[int, Field(ge=0)]
    """How many more it must read, no more and no fewer."""
    within: PositiveSeconds
    """The count is complete by then, and is watched until then for one too many."""


class CountsAtLeast(ResponseCommon):
    """The counter goes up by so many at least, `within` after the stimulus at the latest: the rest may come later.

    What was played before must have been counted by then, as for `counts`.
    """

    counts_at_least: AtLeastOne
    """How many more it must read at least."""
    within: PositiveSeconds
    """So many are counted by then."""


class CountsAtMost(ResponseCommon):
    """The counter goes up by so many at most in the time that `for` says; fewer, or none, pass as well.

    What was played before must have been counted by then, as for `counts`.
    """

    counts_at_most: Annotated[int, Field(ge=0)]
    """How many more it may read at most."""
    for_: Annotated[PositiveSeconds, Field(alias="for")]
    """How long it is watched from the stimulus on."""


class Motion(FileModel):
    """How far, and how soon."""

    by: AnyQuantity
    """Smallest change from the value at the stimulus that counts as a movement."""
    within: PositiveSeconds
    """The latest that it may start, counted from the stimulus."""


class StartsMoving(ResponseCommon):
    """The signal leaves the place where it stood, soon enough.

    It must be more than `by` away from where it stood at the latest `within` after the stimulus: the dead time.
    """

    starts_moving: Motion
    """How far it must have moved, and by when."""


class MovesAt(ResponseCommon):
    """The signal travels at this rate.

    The mean rate from 10 % to 90 % of the way to `to` must be within `tolerance` of this one, and 90 % made
    at the latest `within` after the stimulus.
    """

    moves_at: AnyQuantity
    """The mean rate, whichever the direction: 2.5 %/s."""
    tolerance: AnyQuantity
    """How far the rate may be off."""
    to: AnyQuantity
    """Where the travel ends."""
    within: PositiveSeconds
    """The travel is over by then."""


class OvershootsAtMost(ResponseCommon):
    """The signal passes its target by no more than this.

    The target is `of`; watched from the stimulus on, for the time that `for` says. One that does not move shows
    nothing of it.
    """

    overshoots_at_most: AnyQuantity
    """How far beyond the target the signal may go."""
    of: AnyQuantity
    """The target."""
    for_: Annotated[PositiveSeconds, Field(alias="for")]
    """How long it is watched from the stimulus on."""


class Reversal(FileModel):
    """How far back, and how long watched."""

    by: AnyQuantity
    """How far the signal may go back; the resolution of the reading at least."""
    for_: Annotated[PositiveSeconds, Field(alias="for")]
    """How long it is watched from the stimulus on."""


class NeverReverses(ResponseCommon):
    """The signal moves one way only.

    It must not go back by more than `by`, for the time that `for` says. One that does not move shows nothing of it.
    """

    never_reverses: Reversal
    """How far back still passes, and for how long it is watched."""


class NeverTogether(ResponseCommon):
    """Two flags are never on at the same time: the contacts that open and close a vent.

    Seen together in one reading they fail it. It passes if every reading between two changes shows that there was none
    in between: declare `keeps_for` for both, and poll more often than the drive pauses. Neither on shows nothing of it.
    """

    never_together: Name
    """The other flag."""
    for_: Annotated[PositiveSeconds, Field(alias="for")]
    """How long they are watched from the stimulus on."""


class PausesBefore(ResponseCommon):
    """A drive pauses before it reverses: no flag of two turns on before the other has been off for long enough.

    Both ways, and being on together is no pause at all. Only what happens from the stimulus on counts. Without a
    reversal nothing is shown of it.
    """

    pauses_before: Name
    """The flag of the other direction."""
    at_least: PositiveSeconds
    """The shortest pause that passes."""
    for_: Annotated[PositiveSeconds, Field(alias="for")]
    """How long they are watched from the stimulus on."""


class RunsAtMost(ResponseCommon):
    """The flag is never on for longer than this at a time: the run-time limit of a drive.

    What it was on before the stimulus does not count. A drive that does not run shows nothing of it.
    """

    runs_at_most: PositiveSeconds
    """The longest run that passes."""
    for_: Annotated[PositiveSeconds, Field(alias="for")]
    """How long it is watched from the stimulus on; longer than a run may be."""


class StartsAtMost(ResponseCommon):
    """The flag turns on no more often than this in any span of the time that `per` says.

    A drive that does not start shows nothing of it.
    """

    starts_at_most: Annotated[int, Field(ge=0, le=10_000)]
    """How many starts pass."""
    per: PositiveSeconds
    """In which time they are counted, wherever it begins: 1 h."""
    for_: Annotated[PositiveSeconds, Field(alias="for")]
    """How long it is watched from the stimulus on."""


class StartsAtLeast(ResponseCommon):
    """The flag turns on so often at least: each gust, or each shower, must begin it again."""

    starts_at_least: AtLeastOne
    """How many starts must be seen."""
    for_: Annotated[PositiveSeconds, Field(alias="for")]
    """In which time, from the stimulus on."""


class StopsAtEnd(ResponseCommon):
    """The drive stops at its end: its flag is on no longer than `within` at a time while the end switch is on.

    A drive that runs against its end again and again passes if each run is short enough; `starts_at_most` limits how
    often. Unless both were on, nothing is shown of it.
    """

    stops_at_end: Name
    """The flag that is on where the drive has reached its end."""
    within: PositiveSeconds
    """For how long the drive may still be on there."""
    for_: Annotated[PositiveSeconds, Field(alias="for")]
    """How long they are watched from the stimulus on."""


class TogetherWith(ResponseCommon):
    """Two flags turn on and off together, as those of the two drives of a pair.

    One is never on while the other is off for longer than `within` at a time. Unless one of them changes, nothing is
    shown of it.
    """

    together_with: Name
    """The flag of the other drive."""
    within: PositiveSeconds
    """How much later than the one the other may turn on or off."""
    for_: Annotated[PositiveSeconds, Field(alias="for")]
    """How long they are watched from the stimulus on."""


class AgreesWith(ResponseCommon):
    """The signal agrees with another: what the unit says of its vent, and where the vent stands.

    It must be within `tolerance` of some value that the other had in the last `lag`, all the time. An other that
    moves by no more than twice the tolerance shows nothing of it: a signal that stands still would agree, too.
    """

    agrees_with: Name
    """The other signal, in the same unit."""
    tolerance: AnyQuantity
    """How far it may be off."""
    lag: Seconds = 0.0
    """How much later than the other it may tell the same, beyond what the bench file says of its age."""
    for_: Annotated[PositiveSeconds, Field(alias="for")]
    """How long they are watched from the stimulus on."""


_RESPONSE_KEYS = (
    *("reaches", "stays", "stays_at_least", "stays_at_most", "returns", "unchanged"),
    *("equals", "counts", "counts_at_least", "counts_at_most"),
    *("starts_moving", "moves_at", "overshoots_at_most", "never_reverses"),
    *("never_together", "pauses_before", "runs_at_most", "starts_at_most", "starts_at_least"),
    *("stops_at_end", "together_with", "agrees_with"),
)

Response = Annotated[
    Annotated[Reaches, Tag("reaches")]
    | Annotated[Stays, Tag("stays")]
    | Annotated[StaysAtLeast, Tag("stays_at_least")]
    | Annotated[StaysAtMost, Tag("stays_at_most")]
    | Annotated[Returns, Tag("returns")]
    | Annotated[Unchanged, Tag("unchanged")]
    | Annotated[Equals, Tag("equals")]
    | Annotated[Counts, Tag("counts")]
    | Annotated[CountsAtLeast, Tag("counts_at_least")]
    | Annotated[CountsAtMost, Tag("counts_at_most")]
    | Annotated[StartsMoving, Tag("starts_moving")]
    | Annotated[MovesAt, Tag("moves_at")]
    | Annotated[OvershootsAtMost, Tag("overshoots_at_most")]
    | Annotated[NeverReverses, Tag("never_reverses")]
    | Annotated[NeverTogether, Tag("never_together")]
    | Annotated[PausesBefore, Tag("pauses_before")]
    | Annotated[RunsAtMost, Tag("runs_at_most")]
    | Annotated[StartsAtMost, Tag("starts_at_most")]
    | Annotated[StartsAtLeast, Tag("starts_at_least")]
    | Annotated[StopsAtEnd, Tag("stops_at_end")]
    | Annotated[TogetherWith, Tag("together_with")]
    | Annotated[AgreesWith, Tag("agrees_with")],
    by_key(*_RESPONSE_KEYS),
]


class Invariant(FileModel):
    """Something that holds through the whole run, or while a contact is in a state, or a flag on."""

    signal: Name
    """The signal that is watched."""
    id: Ident = ""
    """What documents call this invariant."""
    requirements: tuple[Ident, ...] = ()
    """The requirements that it tests, as your documents call them."""
    stays: AnyQuantity | None = None
    """The band's middle; with `tolerance`."""
    tolerance: AnyQuantity | None = None
    """How far either side of `stays` the signal may be, or from what `agrees_with` names."""
    stays_at_least: AnyQuantity | None = None
    """The signal is never below this."""
    stays_at_most: AnyQuantity | None = None
    """The signal is never above this."""
    never_together: Name | None = None
    """The flag is never on together with this one."""
    pauses_before: Name | None = None
    """Neither the flag nor this one turns on before the other has been off for `at_least`."""
    at_least: PositiveSeconds | None = None
    """The shortest pause that passes."""
    runs_at_most: PositiveSeconds | None = None
    """The flag is never on for longer than this at a time."""
    starts_at_most: Annotated[int, Field(ge=0, le=10_000)] | None = None
    """The flag turns on no more often than this in any span of the time that `per` says."""
    per: PositiveSeconds | None = None
    """In which time starts are counted."""
    stops_at_end: Name | None = None
    """The flag is on for no longer than `within` at a time while this one is: that of its end switch."""
    together_with: Name | None = None
    """The flag is unlike this one for no longer than `within` at a time: that of the other drive of a pair."""
    within: PositiveSeconds | None = None
    """How long that may last."""
    agrees_with: Name | None = None
    """The signal is within `tolerance` of a value that this one had in the last `lag`."""
    lag: Seconds | None = None
    """How much later than the other it may tell the same."""
    while_: Annotated[Condition | None, Field(alias="while")] = None
    """Only while this contact is so: `while: {rain: closed}`; or while this flag or state has the value:
    `while: {rain_override: on}`."""
    applies_after: Seconds = 0.0
    """Time after the condition begins before the invariant applies."""
    purpose: str = ""
    """A line for the record: what this proves."""

    @property
    def signals(self) -> tuple[Name, ...]:
        """The signals that it binds, that of `signal` first."""
        return _signals(self)

    @property
    def condition(self) -> tuple[Name, str | int | bool] | None:
        """What must be so for it to bind, and what that is then; None: it always binds."""
        return next(iter((self.while_ or {}).items()), None)


class Start(FileModel):
    """The known state in which every test begins."""

    set: dict[Name, ContactState] = Field(default_factory=dict)
    """Contacts, by name; contacts not named are in their safe state."""
    write: dict[Name, AnyQuantity] = Field(default_factory=dict)
    """Values to write, by name."""
    until: list[Response] = Field(default_factory=list)
    """What must be so before the first step; counted from the moment all was set."""


class Step(FileModel):
    """Stimuli, and the responses expected of them; it ends when every response is decided."""

    step: Annotated[str, Field(min_length=1, max_length=120)]
    """Name of the step, as shown on the record."""
    id: Ident = ""
    """What documents call this step."""
    do: list[Stimulus] = Field(default_factory=list)
    """Stimuli, applied in this order; none to let the unit go on by itself."""
    expect: Annotated[list[Response], Field(min_length=1)]
    """What the unit must do in answer."""


TableLine = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*(\.[a-z][a-z0-9_]*)*$", max_length=120)]
"""The name of a line of an override table: names with points between."""


class Profile(FileModel):
    """A test: a known start, stimuli, and the responses that the unit must give."""

    profile: Annotated[str, Field(min_length=1, max_length=120)]
    """Name of the test, as shown on the record."""
    about: str = ""
    """What it proves, for the readers of the record."""
    id: Ident = ""
    """What documents call this test: `RAIN-03`. Profiles that are run together have different ones."""
    tags: list[Ident] = Field(default_factory=list)
    """Words to choose profiles by: `run --tag rain`."""
    requirements: tuple[Ident, ...] = ()
    """The requirements that the whole test covers, as your documents call them; a response may name its own."""
    proves: list[TableLine] = Field(default_factory=list)
    """The lines of the override table that it claims to prove: `rain.entry_delay`; `ventproof trace` checks them."""
    needs: Needs
    """What the bench must have."""
    values: dict[Name, str | int | float] = Field(default_factory=dict)
    """Named values; `$name` stands for one anywhere below, `$name + 5 s` for a sum. `run --set NAME=VALUE` gives
    another one for its runs."""
    decision: Literal["guarded", "simple"] = "guarded"
    """`guarded` allows for how exact, how old and how far apart the readings are, and says inconclusive where that
    matters; `simple` takes the readings as they stand."""
    always: list[Invariant] = Field(default_factory=list)
    """What must hold through the whole run, or while a contact is in a state, or a flag on."""
    start: Start = Field(default_factory=Start)
    """The known state in which the test begins."""
    steps: Annotated[list[Step], Field(min_length=1)]
    """What is done and expected, one step after the other; a failed step ends the run."""

    def signal_condition(self, invariant: Invariant) -> tuple[Name, str | int | bool] | None:
        """Return the signal that is the condition of an invariant, with its value; None where no signal is."""
        condition = invariant.condition
        return None if condition is None or self.needs.is_contact(*condition) else condition

    @property
    def required(self) -> dict[tuple[int | None, int], ResponseCommon | Invariant]:
        """All that is required, by number of step and place there: step 0 is the start state, None the invariants."""
        steps: list[tuple[int | None, Sequence[ResponseCommon | Invariant]]] = [
            (0, self.start.until),
            *((number, step.expect) for number, step in enumerate(self.steps, start=1)),
            (None, self.always),
        ]
        return {(number, place): one for number, asked in steps for place, one in enumerate(asked)}
