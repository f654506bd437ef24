"""Driver `person`: somebody does it by hand, and says so."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.asking import CANNOT, DONE, PersonAnswer, Prompt, PromptKind
from ventproof_bench.base.clock import now_s
from ventproof_bench.base.errors import DriverError
from ventproof_bench.base.evidence import Window
from ventproof_bench.drivers.driver import Driver, Wiring
from ventproof_bench.yamlfile.fields import FileModel, Line, Name

if TYPE_CHECKING:
    from ventproof_bench.drivers.people import People


_WAIT: Final = "Then wait until you are asked to go on."
_SLOWEST_S: Final = 3600.0
"""Nobody plays pulses by hand: no profile asks for edges so far apart."""


class PersonOptions(FileModel):
    """`wired:` of driver `person`."""

    who: Name
    """The person who does it, as `people:` names them."""
    closed: Line
    """What this person is asked to do where a relay would close the contact: "Wet the rain sensor.\""""
    open: Line
    """What this person is asked to do where a relay would open it: "Dry the rain sensor.\""""
    ready: Line | None = None
    """What this person is asked to prepare first, so that the act itself takes little time: "Stand by the rain sensor
    with a wet cloth.\" What happens until that is answered counts for nothing."""
    mock: Name | None = None
    """The contact of the mock unit that a played person moves."""


@final
class PersonContact:
    """A contact that a person moves; what was done last is not asked for again.

    Nobody moves it before being asked, or later than the person's reaction after the answer. Who is to stand by is told
    to wait, so that what is prepared is no act either.
    """

    def __init__(self, name: str, options: PersonOptions, people: People) -> None:
        self._name = name
        self._options = options
        self._people = people
        self._on: bool | None = None
        self._not_safe = (
            ""  # why nobody left it open; it is not asked for again before it was to be closed again
        )

    async def open(self) -> None:
        """Nothing to open: nobody is asked anything yet."""

    async def energise(self, on: bool) -> Window:  # noqa: FBT001 - a relay has two states
        """Ask for it; returns [prompt shown, answer given and the reaction over].

        Raises:
            DriverError: the person cannot do it; or, at the end, did not confirm it in time.
        """
        if self._on is on:
            at_s = now_s()
            return Window(at_s, at_s)
        if not on and self._not_safe:
            raise DriverError(self._not_safe)
        who, what = self._options.who, self._options.closed if on else self._options.open
        not_confirmed = f"output {self._name}: {who} did not confirm: {what}"
        self._on, self._not_safe = None, "" if on else not_confirmed
        if on and self._options.ready is not None:
            await self._ask("ready", f"{self._options.ready} {_WAIT}", (DONE,))
        try:
            answer = await self._ask("act", what, (DONE, CANNOT))
        except TimeoutError:
            waited_s = self._people.patience_s(who)
            raise DriverError(f"{not_confirmed} (asked for {waited_s:g} s)") from None
        if answer.choice == CANNOT:
            raise DriverError(f"output {self._name}: {who} cannot: {what}")
        self._on, self._not_safe = on, ""
        return Window(answer.shown_s, answer.given_s + self._people.reaction_s(who))

    async def _ask(self, kind: PromptKind, text: str, choices: tuple[str, ...]) -> PersonAnswer:
        prompt = Prompt(who=self._options.who, text=text, kind=kind, of=self._name, choices=choices)
        return await self._people.act(prompt)

    async def close(self) -> None:
        """Nothing to let go of."""


def _build(options: PersonOptions, wiring: Wiring) -> PersonContact:
    if wiring.people is None:
        raise ValueError("driver 'person' needs somebody to ask")
    return PersonContact(wiring.name, options, wiring.people)


DRIVER: Final = Driver(
    name="person",
    kind="contact",
    clock="either",
    about="Somebody does it by hand when asked, and says so.",
    options=PersonOptions,
    build=_build,
    fastest_edge_s=lambda _, __: _SLOWEST_S,
    place=lambda options: f"act of {options.who}: {options.closed}",
)
