"""How the unit is reached: port or host, line settings, and who answers there."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final, Literal, final

from pydantic import TypeAdapter

from ventproof.setup.asking import one_of, some_text
from ventproof.setup.dialogue import SetupQuestion
from ventproof_bench.base.clock import run
from ventproof_bench.base.errors import FileError, LinkError, Problem, Refusal
from ventproof_bench.benchfile.model import BusSpec
from ventproof_bench.drivers.found_ports import port_trouble, serial_ports
from ventproof_bench.modbus.search import COMMON_LINES, Answering, SearchFound, unit_ids_of, who_answers

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from ventproof.setup.dialogue import Dialogue

_BUS: Final[TypeAdapter[BusSpec]] = TypeAdapter(BusSpec)
_SEARCH: Final = "search"
_LINKS: Final = {
    "rtu": "a serial line (RS-485 or RS-232) at this computer",
    "tcp": "a network, Modbus TCP",
    "rtu-over-tcp": "a network, RTU frames through a serial server",
}
_TRY_TIMEOUT_S: Final = 0.2
_LEAST_TIMEOUT_S: Final = 0.3
_SLOWEST: Final = 300
_FASTEST: Final = 1_000_000
Parity = Literal["even", "odd", "none"]
_PARITIES: Final[tuple[Parity, ...]] = ("none", "even", "odd")
_USUAL_IDS: Final = {"rtu": "1-50", "tcp": "1, 255, 2-50", "rtu-over-tcp": "1-50"}
"""Over TCP those first by which units call themselves (common practice, no source)."""
_NO_CHOICES: Final[Mapping[str, str]] = MappingProxyType({})
_ON_LINE: Final = "is it powered? swap the two wires A and B, and look for the line settings on its display"
_LOOK_AT: Final = {
    "rtu": _ON_LINE,
    "tcp": (
        "is it powered, and its network cable in? Look for its address and port on its display; behind a gateway, for "
        "its unit id: 1 or 255 is usual, 1-247 asks all"
    ),
    "rtu-over-tcp": f"is the serial server's address right, and set to RTU? On its line: {_ON_LINE}",
}


@final
@dataclass(frozen=True, slots=True)
class Connection:
    """A bus on which somebody answers.

    Attributes:
        declared: what the bench file says of it, beside its polling.
        units: who answers.
    """

    declared: Mapping[str, Any]
    units: tuple[Answering, ...]

    @property
    def spec(self) -> BusSpec:
        """The bus, for reading."""
        return bus_of(self.declared)

    def about(self, unit_id: int) -> str:
        """Return what is known of who answers at a unit id."""
        one = next((unit for unit in self.units if unit.unit_id == unit_id), None)
        if one is None:
            return "did not answer"
        if one.switches:
            return "has coils and no input registers: a relay board, it seems"
        return f"answers for {', '.join(one.tables)}" if one.tables else "answers"


def bus_of(declared: Mapping[str, Any]) -> BusSpec:
    """Return the bus that a bench file declares."""
    return _BUS.validate_python(dict(declared))


def connect(dialogue: Dialogue, prefix: str = "") -> Connection:
    """Ask how somebody is reached, and look who answers; asks anew while nobody does.

    Args:
        dialogue: whoever is asked.
        prefix: before the keys of the questions: another board than the unit is meant.

    Raises:
        FileError: nobody answers, and nobody can be asked for another place.
    """
    typed: dict[str, str] = {}
    while True:
        found = _Place(dialogue, prefix, typed).tried()
        if found is not None:
            return found
        link = dialogue.known(f"{prefix}link")
        if not dialogue.asker.there:
            raise FileError([Problem("--answer", None, None, "no unit responds there", _LOOK_AT[link])])
        dialogue.asker.say(
            f"No unit responds there: {_LOOK_AT[link]}. Let us try again; Enter keeps what you wrote."
        )
        keys = [prefix + key for key in ("link", "port", "host", "line", "ids", "answering")]
        typed = {key: dialogue.known(key) for key in keys}
        dialogue.forget(*keys)


def look_further(dialogue: Dialogue, connection: Connection) -> Connection:
    """Ask all ids that did not answer yet for a relay board; returns the connection with whoever else answers."""
    network = connection.spec.link == "tcp"
    asked = {one.unit_id for one in connection.units}
    ids = [one for one in unit_ids_of("1-247", network=network) if one not in asked]
    told = dialogue.measured(
        "board.answering", lambda: _searched(dialogue, [connection.declared], ids, connection.units)
    )
    _, units = _found(told)
    for unit in units:
        dialogue.asker.say(f"  unit id {unit.unit_id} {Connection({}, units).about(unit.unit_id)}")
    if not units:
        dialogue.asker.say("No other unit responds: is the board powered, and wired to this line?")
    return Connection(connection.declared, (*connection.units, *units))


@final
class _Place:
    """A place where somebody may answer.

    Args:
        dialogue: whoever is asked.
        prefix: before the keys of the questions.
        typed: what was answered when nobody answered there: it is proposed again.
    """

    def __init__(self, dialogue: Dialogue, prefix: str, typed: Mapping[str, str]) -> None:
        self._dialogue = dialogue
        self._prefix = prefix
        self._typed = typed

    def tried(self) -> Connection | None:
        """Ask for it, and look who answers there; None where nobody does."""
        whose = "it" if self._prefix else "the unit"
        link = self._ask(
            "link",
            f"How is {whose} connected to this computer?",
            "rtu",
            choices=_LINKS,
            check=one_of(_LINKS),
        )
        specs = list(self._serial() if link == "rtu" else self._network(link))
        ids = self._ask(
            "ids",
            "Which unit ids shall be asked? Its display or its switches may tell; fewer is quicker",
            _USUAL_IDS[link],
            check=lambda answer: unit_ids_of(answer, network=link == "tcp"),
        )
        told = self._dialogue.measured(
            f"{self._prefix}answering",
            lambda: _searched(self._dialogue, specs, unit_ids_of(ids, network=link == "tcp")),
        )
        declared, units = _found(told)
        for unit in units:
            said = Connection(declared, units).about(unit.unit_id)
            self._dialogue.asker.say(f"  unit id {unit.unit_id} {said}")
        return Connection(declared, units) if units else None

    def _ask(
        self,
        key: str,
        text: str,
        default: str,
        *,
        check: Callable[[str], object],
        choices: Mapping[str, str] = _NO_CHOICES,
    ) -> str:
        key = f"{self._prefix}{key}"
        proposed = self._typed.get(key) or default
        return self._dialogue.ask(
            SetupQuestion(key=key, text=text, default=proposed, choices=choices, check=check)
        )

    def _serial(self) -> Iterator[Mapping[str, Any]]:
        """Yield the settings of a serial line that are to be tried."""
        ports = {port.path: port.trouble or port.about or "serial port" for port in serial_ports()}
        if not ports:
            self._dialogue.asker.say("This computer shows no serial port: plug the adapter in.")
        port = self._ask(
            "port",
            "Which port? Choose one, or type its path, such as /dev/ttyUSB0",
            "",
            choices=ports,
            check=_usable_port,
        )
        line = self._ask(
            "line",
            "Line speed in Bd and parity, such as 9600 none; the speed alone; or search for both",
            _SEARCH,
            check=lines_of,
        )
        for speed, parity in lines_of(line):
            yield {"link": "rtu", "port": port, "baud": speed, "parity": parity}

    def _network(self, link: str) -> Iterator[Mapping[str, Any]]:
        text = "Its address, HOST or HOST:PORT (502 unless you say)"
        host, port = host_and_port(self._ask("host", text, "", check=host_and_port))
        yield {"link": link, "host": host, "tcp_port": port}


def _usable_port(path: str) -> None:
    some_text(path)
    if trouble := port_trouble(path):
        raise Refusal(f"{path}: {trouble}")


def lines_of(answer: str) -> tuple[tuple[int, Parity], ...]:
    """Read line settings to be tried, in order: `search`, `9600`, `9600 even`, `9600 8E1`.

    Raises:
        ValueError: they are none; the message says what would be right.
    """
    if answer == _SEARCH:
        return COMMON_LINES
    speed, _, parity = answer.lower().replace(",", " ").partition(" ")
    if not speed.isdecimal() or not _SLOWEST <= int(speed) <= _FASTEST:
        raise Refusal(f"{answer!r} is not a line setting", "write 9600 none, 19200 even, 9600 or search")
    parities = [one for one in _PARITIES if parity.strip() in {"", one, f"8{one[0]}1", f"8{one[0]}2"}]
    if not parities:
        raise Refusal(f"{parity.strip()!r} is not a parity", "write none, even or odd, or leave it out")
    return tuple((int(speed), one) for one in parities)


def host_and_port(text: str) -> tuple[str, int]:
    """Read `192.0.2.7` or `192.0.2.7:1502`.

    Raises:
        ValueError: it is neither; the message says what would be right.
    """
    host, colon, port = text.rpartition(":") if text.count(":") == 1 else (text, "", "502")
    some_text(host)
    if not port.isdecimal() or not 1 <= int(port) <= 65535 or " " in host:  # noqa: PLR2004 - TCP ports
        raise Refusal(
            f"{text!r} is not an address{colon and ' with a port'}", "write 192.0.2.7 or 192.0.2.7:502"
        )
    return host, int(port)


def _searched(
    dialogue: Dialogue,
    declared: list[Mapping[str, Any]],
    ids: Sequence[int],
    known: Sequence[Answering] = (),
) -> str:
    """Look who answers, and return it as text to keep; it keeps nothing of a search that found nobody."""
    specs = [
        bus_of({**one, "timeout": f"{_TRY_TIMEOUT_S} s", "quiet_after_fault": "50 ms"}) for one in declared
    ]
    lines = f" at {len(specs)} line settings" if len(specs) > 1 else ""
    dialogue.asker.say(f"Asking {len(ids)} unit ids{lines} for one register each; nothing is written.")
    try:
        found = run(who_answers(specs, ids, dialogue.asker.glance, known=known), virtual=False)
    except LinkError as error:
        dialogue.asker.say(str(error))
        found = None
    if found is not None and not found.units:
        another = "another speed or parity" if found.spec.link == "rtu" else "another protocol"
        dialogue.asker.say(
            f"Bytes arrived that are not a reply: {another}, or another device transmits there."
        )
    if found is not None and len(found.units) > 1 and found.units[-1].unit_id != ids[-1]:
        dialogue.asker.say("The search ended there; if yours is not among these, write its id.")
    return _told(found, specs, declared)


def _told(found: SearchFound | None, specs: list[BusSpec], declared: list[Mapping[str, Any]]) -> str:
    if found is None or not found.units:
        return json.dumps({"bus": dict(declared[0]), "units": []})
    slowest_s = max(unit.slowest_s for unit in found.units)
    answers_ms = max(20, round(slowest_s * 2000 / 10) * 10)
    bus = dict(declared[specs.index(found.spec)])
    bus["timeout"] = f"{max(round(_LEAST_TIMEOUT_S * 1000), 3 * answers_ms)} ms"
    bus["answers_within"] = f"{answers_ms} ms"
    units = [[unit.unit_id, list(unit.tables), unit.coils, round(unit.slowest_s, 4)] for unit in found.units]
    return json.dumps({"bus": bus, "units": units})


def _found(told: str) -> tuple[Mapping[str, Any], tuple[Answering, ...]]:
    kept = json.loads(told)
    return kept["bus"], tuple(
        Answering(number, tuple(tables), coils, slowest_s)
        for number, tables, coils, slowest_s in kept["units"]
    )
