"""What the bench switches: the relay board, what is wired to each relay, and what the unit does when it rains."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any, Final, final

from pydantic import TypeAdapter

from ventproof.firstbench.bench_text import UNIT_BUS, FirstBench, FirstRelay, bench_text, quantity
from ventproof.firstbench.makers_list import slug
from ventproof.firstbench.responses import MovedSignal
from ventproof.setup.asking import Clearance, a_number, one_of, some_text
from ventproof.setup.connection import Connection, connect
from ventproof.setup.dialogue import SetupQuestion
from ventproof.setup.recording import read_once
from ventproof.setup.trying import Patience, try_relay
from ventproof_bench.base.errors import BenchError, FileError, Problem, Refusal
from ventproof_bench.base.protocols import ReadRequest
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.benchcheck.traffic import carrying_problems

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from ventproof.setup.dialogue import Dialogue
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded

_BOARDS: Final = {
    "same": "relays are Modbus coils, on the same line or address as the unit",
    "other": "relays are Modbus coils, on another port or address",
    "scpi": "a switch that speaks SCPI, on a serial port or TCP",
    "control-line": "one relay on the RTS or DTR line of a serial port",
}
_NOTHING: Final = "none"
_RELAY_BUS: Final = "relays"
_TRIED: Final = "tried"
"""What a relay is called while nobody has said what is wired to it."""
_MOST_RELAYS: Final = 32
_CLICK: Final = Patience(calm_within_s=180.0, hold_s=4.0, answer_within_s=0.0)
_RAIN: Final = Patience(calm_within_s=180.0, hold_s=10.0, answer_within_s=300.0)
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
    others = {
        str(one.unit_id): connection.about(one.unit_id) for one in connection.units if one.unit_id != unit_id
    }
    likely = next(
        (str(one.unit_id) for one in connection.units if one.switches and one.unit_id != unit_id), ""
    )
    board_id = dialogue.ask(
        SetupQuestion(
            key="board.unit_id",
            text="Which unit id has the relay board?",
            default=likely or next(iter(others), ""),
            choices=others,
            check=a_number(1, 247),
        )
    )
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
    answering = _coils_from(connection, int(board_id), first)
    count = _count(dialogue, str(answering) if answering else "")
    return RelayBoard(
        "coil", tuple({"bus": bus, "unit_id": int(board_id), "coil": first + n} for n in range(count))
    )


def _coils_from(connection: Connection, unit_id: int, first: int) -> int:
    """Return how many coils in a row answer, as far as one board may have them."""
    tries = [ReadRequest(unit_id, "coil", first, count) for count in (32, 16, 12, 8, 6, 4, 2, 1)]
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
        bench: the bench so far: its signals, without a relay.
        board: the board.
        clearance: whether vents and drives are clear.
    """

    def __init__(
        self, dialogue: Dialogue, bench: FirstBench, board: RelayBoard, clearance: Clearance
    ) -> None:
        self._dialogue = dialogue
        self._board = board
        self._clearance = clearance
        buses = {**bench.buses, **({_RELAY_BUS: board.bus} if board.bus else {})}
        self.bench = replace(bench, buses=buses)

    def relays(self) -> tuple[FirstRelay, ...]:
        """Click each relay once, and ask what is wired to it."""
        found: list[FirstRelay] = []
        for number, place in enumerate(self._board.places, start=1):
            key = f"relay.{number}"
            did = {} if self._dialogue.has(key) else self._click(number, place)
            proposed, said = self._guess(did, [relay.name for relay in found])
            question = SetupQuestion(
                key=key,
                text=f"Relay {number} clicked{said}. What is wired to it? A name such as rain or supply, or none",
                default=proposed,
                check=lambda answer: _a_name(answer, [relay.name for relay in found]),
            )
            name = self._dialogue.ask(question)
            if name != _NOTHING:
                found.append(self._relay(name, number, place))
        if not found:
            hint = "name the relay at the rain terminal: rain"
            raise FileError([Problem("--answer", None, None, "no relay is wired to anything", hint)])
        return tuple(found)

    def _relay(self, name: str, number: int, place: Mapping[str, Any]) -> FirstRelay:
        text = f"Which lamp of the board lit for {name}?"
        lamp = self._dialogue.ask(
            SetupQuestion(key=f"relay.{number}.lamp", text=text, default=str(number), check=some_text)
        )
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

    def _click(self, number: int, place: Mapping[str, Any]) -> Mapping[str, MovedSignal] | None:
        """Switch a relay for some seconds; returns what answered, or None where the unit fell silent."""
        self._clearance.confirm()
        relay = FirstRelay(name=_TRIED, driver=self._board.driver, wired=place)
        self._dialogue.asker.say(f"Relay {number}: listen and look for its lamp.")
        try:
            tried = try_relay(
                loaded(replace(self.bench, relays=(relay,))).model,
                _TRIED,
                _CLICK,
                first={},
                tell=lambda said: self._dialogue.asker.glance(said.replace(_TRIED, f"relay {number}")),
            )
        except BenchError as error:
            self._dialogue.asker.say(f"  {error}")
            return None
        return None if tried.fell_silent else tried.signals

    def _guess(self, did: Mapping[str, MovedSignal] | None, taken: list[str]) -> tuple[str, str]:
        """Return what seems to be wired to a relay, and what answered it, in words."""
        if did is None:
            return (
                "supply" if "supply" not in taken else _NOTHING
            ), ", and the unit stopped answering in the meantime"
        moved = [one for one in self.bench.signals if one.name in did and _moved(did[one.name])]
        if not moved:
            return _NOTHING, ", and nothing that is read changed"
        said = ", ".join(answer_said(one.name, did[one.name], self.bench) for one in moved)
        rains = any("rain" in one.name for one in moved) and "rain" not in taken
        return ("rain" if rains else _NOTHING), f", and {said}"

    def rain(self, bench: FirstBench) -> FirstBench:
        """Close the rain contact until the vents stand, open it again, and return the bench with what was seen."""
        settings = {one.listed.name: one.warm for one in bench.settings}
        seen = self._dialogue.measured("rain.seen", lambda: self._rained(bench, settings))
        wet = replace(bench, answers=_DID.validate_json(seen))
        for name, did in wet.answers.items():
            if _moved(did):
                self._dialogue.asker.say(f"  {answer_said(name, did, wet)}")
        if any(one.unit == "%" for one in wet.signals) and not any(
            one.unit == "%" and one.name in wet.answering for one in wet.signals
        ):
            self._dialogue.asker.say(
                f"CAUTION: no vent answered {wet.rain}. Did they stand open, under automatic control? To try again: "
                f"leave, remove rain.seen from {self._dialogue.path}, and go on."
            )
        return wet

    def _rained(self, bench: FirstBench, first: Mapping[str, float]) -> str:
        self._clearance.confirm()
        self._dialogue.asker.say("Closing the rain contact until the vents stand, and opening it again.")
        tried = try_relay(
            loaded(bench).model,
            bench.rain,
            _RAIN,
            first=first,
            tell=self._dialogue.asker.glance,
        )
        return json.dumps({name: asdict(one) for name, one in tried.signals.items()})


def _moved(did: MovedSignal) -> bool:
    return did.answered or did.held != did.before or did.after != did.before


def answer_said(name: str, did: MovedSignal, bench: FirstBench) -> str:
    """Return what a signal did, in words: `Rain alarm: on after 2.1 s`."""
    signal = next(one for one in bench.signals if one.name == name)
    if signal.unit == "flag":
        said = "on" if did.held else "off"
        return f"{signal.listed.label}: {said} after {did.first_s or 0:.1f} s"
    return f"{signal.listed.label}: {quantity(did.before, signal)} to {quantity(did.held, signal)}"


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
