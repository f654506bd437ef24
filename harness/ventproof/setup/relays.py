"""What the bench switches: the relay board, what is wired to each relay, and what the unit does when it rains."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any, Final, final

from pydantic import TypeAdapter

from ventproof.firstbench.bench_text import UNIT_BUS, FirstBench, FirstRelay, bench_text, value_said
from ventproof.firstbench.makers_list import slug
from ventproof.firstbench.responses import MovedSignal
from ventproof.firstbench.wiring_guess import NOTHING, RAIN, answer_said, stirred, wired_by
from ventproof.setup.asking import NO, Clearance, a_number, one_of, some_text
from ventproof.setup.connection import Connection, connect, look_further
from ventproof.setup.dialogue import SetupQuestion
from ventproof.setup.recording import read_once
from ventproof.setup.trying import Patience, RelayTrials
from ventproof_bench.base.errors import BenchError, FileError, Problem, Refusal
from ventproof_bench.base.protocols import ReadRequest
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.benchcheck.traffic import carrying_problems

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from ventproof.setup.dialogue import Dialogue
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded

_BOARDS: Final = {
    "same": "relays are Modbus coils, on the same line or address as the unit",
    "other": "relays are Modbus coils, on another port or address",
    "scpi": "a switch that speaks SCPI, on a serial port or TCP",
    "control-line": "one relay on the RTS or DTR line of a serial port",
}
_RELAY_BUS: Final = "relays"
_TRIED: Final = "relay"
"""What a relay is called, with its number, while nobody has said what is wired to it."""
_MOST_RELAYS: Final = 32
_SEARCH: Final = "search"
_SILENT: Final = "null"
_CLICK: Final = Patience(hold_s=4.0, first_within_s=4.0, answer_within_s=300.0)
_RAIN: Final = Patience(hold_s=10.0, first_within_s=300.0, answer_within_s=300.0)
_POLLS_S: Final = (0.1, 0.2, 0.3, 0.5, 1.0, 2.0, 5.0)
_DID: Final = TypeAdapter(dict[str, MovedSignal])


@final
@dataclass(frozen=True, slots=True)
class RelayBoard:
    """A relay board: its driver, where each of its relays is, and what its bus declares where it has one of its own."""

    driver: str
    places: tuple[Mapping[str, Any], ...]
    bus: Mapping[str, Any] | None = None


def find_board(dialogue: Dialogue, connection: Connection, unit_id: int) -> RelayBoard:
    """Ask for the relay board, and for how many relays it has."""
    board = dialogue.ask(
        SetupQuestion(
            key="board",
            text="Which relay board makes the unit's contacts?",
            default="same",
            choices=_BOARDS,
            check=one_of(_BOARDS),
        )
    )
    if board == "same":
        return _coils(dialogue, connection, UNIT_BUS, unit_id)
    if board == "other":
        other = connect(dialogue, "board.")
        return replace(_coils(dialogue, other, _RELAY_BUS, None), bus=other.declared)
    text = "Its port: a device, or socket://HOST:PORT"
    port = dialogue.ask(SetupQuestion(key="board.port", text=text, check=some_text))
    if board == "scpi":
        count = _count(dialogue, "1")
        places = tuple({"port": port, "channel": number} for number in range(1, count + 1))
        return RelayBoard("scpi", places)
    return RelayBoard("control-line", ({"port": port, "line": "rts"}, {"port": port, "line": "dtr"}))


def _coils(dialogue: Dialogue, connection: Connection, bus: str, unit_id: int | None) -> RelayBoard:
    board_id, connection = _board_id(dialogue, connection, unit_id)
    first = int(
        dialogue.ask(
            SetupQuestion(
                key="board.first_coil",
                text="Address of its first relay's coil",
                default="0",
                check=a_number(0, 65535),
            )
        )
    )
    answering = _coils_from(connection, board_id, first)
    count = _count(dialogue, str(answering) if answering else "")
    return RelayBoard(
        "coil", tuple({"bus": bus, "unit_id": board_id, "coil": first + n} for n in range(count))
    )


def _board_id(dialogue: Dialogue, connection: Connection, unit_id: int | None) -> tuple[int, Connection]:
    """Return the unit id of the relay board, and the connection with all who answer there."""
    while True:
        others = {
            str(one.unit_id): connection.about(one.unit_id)
            for one in connection.units
            if one.unit_id != unit_id
        }
        likely = [str(one.unit_id) for one in connection.units if one.switches and one.unit_id != unit_id]
        answer = dialogue.ask(
            SetupQuestion(
                key="board.unit_id",
                text="Which unit id has the relay board? Write it, or search",
                default=(*likely, *others, _SEARCH)[0],
                choices={**others, _SEARCH: "ask all other unit ids on this line or address"},
                check=_board_id_or_search,
                by_number=False,
            )
        )
        if answer != _SEARCH:
            return int(answer), connection
        dialogue.forget("board.unit_id", "board.answering")
        connection = look_further(dialogue, connection)
        if not dialogue.asker.there and all(one.unit_id == unit_id for one in connection.units):
            hint = "give --answer board.unit_id=…"
            raise FileError([Problem("--answer", None, None, "no relay board answers", hint)])


def _board_id_or_search(answer: str) -> None:
    if answer != _SEARCH:
        a_number(1, 255)(answer)


def _coils_from(connection: Connection, unit_id: int, first: int) -> int:
    """Return how many coils in a row answer, as far as one board may have them."""
    tries = [ReadRequest(unit_id, "coil", first, count) for count in (32, 24, 16, 12, *range(10, 0, -1))]
    seen = read_once(connection.spec, {_TRIED: tries})[_TRIED]
    return 0 if isinstance(seen, str) else len(seen.words)


def _count(dialogue: Dialogue, default: str) -> int:
    text = "How many relays has it?"
    check = a_number(1, _MOST_RELAYS)
    return int(dialogue.ask(SetupQuestion(key="relays", text=text, default=default, check=check)))


@final
class Clicker:
    """Clicks relays, one at a time, and learns what each does.

    Args:
        dialogue: whoever is asked.
        bench: the bench so far: its signals and settings, without a relay.
        board: the board.
        clearance: whether vents and drives are clear.
        ledger: where the operations of the relays are added up; None: nowhere.
    """

    def __init__(
        self,
        dialogue: Dialogue,
        bench: FirstBench,
        board: RelayBoard,
        clearance: Clearance,
        ledger: Path | None,
    ) -> None:
        self._dialogue = dialogue
        self._ledger = ledger
        self._asker = dialogue.asker
        self._board = board
        self._clearance = clearance
        buses = {**bench.buses, **({_RELAY_BUS: board.bus} if board.bus else {})}
        self._bench = replace(bench, buses=buses)
        self._first = {one.listed.name: one.warm for one in bench.settings}
        self._trials: RelayTrials | None = None
        self._restarted = False

    def learn(self) -> FirstBench:
        """Click each relay once, ask what is wired to it, learn what the unit does when it rains; returns the bench.

        Raises:
            BenchError: the bench failed.
        """
        while True:
            try:
                with ExitStack() as stack:
                    return self._learnt(stack)
            except _Failed as failed:  # what is known by now is not tried again
                self._asker.say(f"  {failed.__cause__}")
                self._dialogue.measured(f"relay.{failed.number}.seen", lambda: _SILENT)

    def _learnt(self, stack: ExitStack) -> FirstBench:
        self._trials = None
        relays = tuple(self._relays(stack))
        if not relays:
            hint = "name the relay at the rain terminal: rain"
            raise FileError([Problem("--answer", None, None, "no relay is wired to anything", hint)])
        names = [relay.name for _, relay in relays]
        rain = next((name for name in names if name.startswith(RAIN)), "") or self._which_rains(relays)
        number = next(number for number, relay in relays if relay.name == rain)
        bench = replace(self._bench, relays=[relay for _, relay in relays], rain=rain)
        seen = self._dialogue.measured("rain.seen", lambda: self._rained(stack, number))
        if self._trials is not None and self._restarted and self._dialogue.known("rain_test") == NO:
            self._open_vents(self._trials, restarted=True)  # else the rain test waits for the unit
        opened = self._dialogue.known("warm.moved").split()
        return replace(bench, answers=_DID.validate_json(seen), opened=opened)

    def _which_rains(self, relays: Sequence[tuple[int, FirstRelay]]) -> str:
        names = [relay.name for _, relay in relays]
        likely = [relay.name for number, relay in relays if not self._was_silent(number)]
        return self._dialogue.ask(
            SetupQuestion(
                key="rain",
                text="Which of these closes the unit's rain input? If none does, go back and name the one that does",
                default=next(iter(likely), ""),
                choices=dict.fromkeys(names, ""),
                check=one_of(names),
            )
        )

    # the bench, held open from the first relay to the last

    def _open(self, stack: ExitStack) -> RelayTrials:
        if self._trials is None:
            self._clearance.confirm()
            tried = [
                FirstRelay(name=f"{_TRIED}_{number}", driver=self._board.driver, wired=place)
                for number, place in enumerate(self._board.places, start=1)
            ]
            file = loaded(replace(self._bench, relays=tried)).model
            trials = RelayTrials(file, shown=self._shown, tell=self._asker.glance, ledger=self._ledger)
            self._trials = stack.enter_context(trials)
            self._open_vents(self._trials)
        return self._trials

    def _shown(self, name: str, value: float) -> str:
        return value_said(next(one for one in self._bench.signals if one.name == name), value)

    def _open_vents(self, trials: RelayTrials, *, restarted: bool = False) -> None:
        """Have the vents stand open, where rain can be seen to move them: that shows that they are automatic."""
        self._restarted = False
        while True:
            opened = trials.open_vents(self._first, restarted=restarted)
            if self._first:
                self._dialogue.measured("warm.moved", lambda opened=opened: " ".join(opened.moved))  # type: ignore[misc]
            if not opened.closed:
                return
            closed = ", ".join(one.listed.label for one in self._bench.signals if one.name in opened.closed)
            if not self._asker.there:
                self._asker.say(f"CAUTION: {closed}: not open. Is a hand switch still on?")
                return
            cure = "write another value" if self._first else "choose a setting that opens them"
            question = SetupQuestion(
                key="opened",
                text=f"{closed}: not open. Is a hand switch still on? Turn it to automatic and look again; or go back, "
                f"and {cure}",
                default="again",
                choices={"again": "look again", "go on": "go on: it stays closed by itself"},
                check=one_of(("again", "go on")),
            )
            if self._asker.ask(question) != "again":
                return

    # one relay

    def _relays(self, stack: ExitStack) -> Iterator[tuple[int, FirstRelay]]:
        taken: list[str] = []
        for number, place in enumerate(self._board.places, start=1):
            key = f"relay.{number}"
            proposed = NOTHING
            if not self._dialogue.has(key):
                proposed, answered = self._guess(self._clicked(stack, number), taken)
                self._asker.say("\n".join(f"  {one}" for one in answered))
            question = SetupQuestion(
                key=key,
                text=f"What is wired to relay {number}, which was on? A name such as rain or supply, or none",
                default=proposed,
                check=lambda answer: _a_name(answer, taken),
            )
            name = self._dialogue.ask(question)
            if name != NOTHING:
                taken.append(name)
                yield number, self._relay(name, number, place)

    def _clicked(self, stack: ExitStack, number: int) -> Mapping[str, MovedSignal] | None:
        """Return what answered a relay, or None where the unit fell silent."""
        seen = self._dialogue.measured(f"relay.{number}.seen", lambda: self._click(stack, number))
        return None if seen == _SILENT else _DID.validate_json(seen)

    def _click(self, stack: ExitStack, number: int) -> str:
        trials = self._open(stack)
        lamp = self._lamp(number, "is on now: which lamp of the board is lit?")
        try:
            patience = replace(
                _CLICK, calm=not (self._rained_by_then(number) and self._was_silent(number - 1))
            )
            tried = trials.switch(
                f"{_TRIED}_{number}", patience, f"relay {number}", lambda: self._dialogue.ask(lamp)
            )
            if tried.unwatched:
                self._asker.say(
                    "  The vents stop after the supply failure; a response to this relay cannot be seen."
                )
            self._restarted = self._restarted or tried.fell_silent
            if tried.fell_silent and not self._rained_by_then(number):
                self._open_vents(trials, restarted=True)
        except BenchError as error:
            raise _Failed(number) from error
        return _SILENT if tried.fell_silent else _told(tried.signals)

    def _was_silent(self, number: int) -> bool:
        return self._dialogue.known(f"relay.{number}.seen") == _SILENT

    def _rained_by_then(self, number: int) -> bool:
        """Whether the vents need stand open no more: a relay before was named the rain contact, and they answered."""
        return any(
            self._dialogue.known(f"relay.{n}").startswith(RAIN) and self._seen_to_rain(n)
            for n in range(1, number)
        )

    def _seen_to_rain(self, number: int) -> bool:
        seen = self._dialogue.known(f"relay.{number}.seen")
        return seen not in {"", _SILENT} and self._tells(_DID.validate_json(seen))

    def _lamp(self, number: int, said: str) -> SetupQuestion:
        return SetupQuestion(
            key=f"relay.{number}.lamp",
            text=f"Relay {number} {said} Its number or its name",
            default=str(number),
            check=some_text,
        )

    def _relay(self, name: str, number: int, place: Mapping[str, Any]) -> FirstRelay:
        lamp = self._dialogue.ask(self._lamp(number, "has which lamp of the board?"))
        contact = self._dialogue.ask(
            SetupQuestion(
                key=f"relay.{number}.contact",
                text=f"{name}: is it wired to the relay's normally open (no) or normally closed (nc) contact?",
                default="nc" if name == "supply" else "no",
                check=one_of(("no", "nc")),
            )
        )
        return FirstRelay(
            name=name, driver=self._board.driver, wired=place, lamp=lamp, closed_at_rest=contact == "nc"
        )

    def _guess(
        self, did: Mapping[str, MovedSignal] | None, taken: Sequence[str]
    ) -> tuple[str, Sequence[str]]:
        """Return what seems to be wired to a relay, and what answered it, in words, a line each."""
        if did is None:
            return ("supply" if "supply" not in taken else NOTHING), [
                "the unit stopped answering in the meantime"
            ]
        moved = [one for one in self._bench.signals if one.name in did and stirred(did[one.name])]
        if not moved:
            return NOTHING, ["nothing that is read changed"]
        name = wired_by(moved)
        said = [answer_said(one.name, did[one.name], self._bench) for one in moved]
        return (f"{name}_2" if name in taken else name), said

    # rain

    def _rained(self, stack: ExitStack, number: int) -> str:
        """Return what answers the rain contact: as seen when it clicked, or, if no vent answered then, once more."""
        if self._seen_to_rain(number):
            return self._dialogue.known(f"relay.{number}.seen")
        while True:
            trials = self._open(stack)
            self._asker.say("Closing the rain contact until the vents stand, and opening it again.")
            tried = trials.switch(f"{_TRIED}_{number}", _RAIN, "rain")
            for name, did in tried.signals.items():
                if stirred(did):
                    self._asker.say(f"  {answer_said(name, did, self._bench)}")
            if self._tells(tried.signals) or not self._once_more():
                return _told(tried.signals)
            self._open_vents(trials)

    def _tells(self, did: Mapping[str, MovedSignal]) -> bool:
        """Whether a vent answered, or, where none is read, anything did."""
        vents = [one.name for one in self._bench.signals if one.unit == "%"]
        return any(did[name].answered for name in vents or did if name in did)

    def _once_more(self) -> bool:
        said = "No vent answered the rain contact. Did the vents stand open, under automatic control?"
        if not self._asker.there:
            self._asker.say(f"CAUTION: {said}")
            return False
        choices = {"again": "close the contact once more", "go on": "go on: rain moves no vent"}
        check = one_of(tuple(choices))
        question = SetupQuestion(key="rained", text=said, default="again", choices=choices, check=check)
        return self._asker.ask(question) == "again"


@final
class _Failed(Exception):
    """The bench failed while a relay was tried."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


def _told(signals: Mapping[str, MovedSignal]) -> str:
    return json.dumps({name: asdict(one) for name, one in signals.items()})


def _a_name(answer: str, taken: list[str]) -> None:
    if answer != slug(answer):
        raise Refusal(
            f"{answer!r} is not a name", f"write {slug(answer)}: lower-case letters, digits, underscores"
        )
    if answer in taken:
        raise Refusal(f"{answer!r} is wired to another relay already", f"write {answer}_2")


def loaded(bench: FirstBench) -> Loaded[BenchFile]:
    """Return a first bench as a bench file that its buses can carry: polled as often as they can.

    Raises:
        FileError: what was answered makes no bench file.
    """
    return next(_carried(bench))


def _carried(bench: FirstBench) -> Iterator[Loaded[BenchFile]]:
    problems: list[Problem] = []
    for every_s in _POLLS_S:
        made = read_bench("the bench file", bench_text(replace(bench, poll_every_s=every_s)))
        problems = list(carrying_problems(made))
        if not problems:
            yield made
    raise FileError(problems)
