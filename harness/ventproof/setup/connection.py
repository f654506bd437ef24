"""How the unit is reached: port or host, line settings, and who answers there."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, final

from pydantic import TypeAdapter

from ventproof.setup.asking import a_number, one_of, some_text
from ventproof.setup.dialogue import SetupQuestion
from ventproof_bench.base.clock import run
from ventproof_bench.base.errors import FileError, LinkError, Problem, Refusal
from ventproof_bench.benchfile.model import BusSpec
from ventproof_bench.drivers.found_ports import port_trouble, serial_ports
from ventproof_bench.modbus.search import COMMON_LINES, Answering, SearchFound, unit_ids_of, who_answers

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

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
_PARITIES: Final = ("none", "even", "odd")


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
    while True:
        found = _tried(dialogue, prefix)
        if found is not None:
            return found
        keys = ("link", "port", "host", "baud", "parity", "ids", "answering")
        dialogue.forget(*(prefix + key for key in keys))
        if not dialogue.asker.there:
            hint = "is it powered? swap the two wires A and B; give other settings"
            raise FileError([Problem("--answer", None, None, "no unit responds there", hint)])
        dialogue.asker.say(
            "No unit responds there. Is the unit powered? On RS-485: exchange the two wires A and B, and "
            "look for its line settings on its display. Let us try again."
        )


def _tried(dialogue: Dialogue, prefix: str) -> Connection | None:
    link = dialogue.ask(
        SetupQuestion(
            key=f"{prefix}link",
            text="How is it connected to this computer?"
            if prefix
            else "How is the unit connected to this computer?",
            default="rtu",
            choices=_LINKS,
            check=one_of(_LINKS),
        )
    )
    specs = list(_serial(dialogue, prefix) if link == "rtu" else _network(dialogue, prefix, link))
    ids = dialogue.ask(
        SetupQuestion(
            key=f"{prefix}ids",
            text="Which unit ids shall be asked? Its display or its switches may tell; fewer is quicker",
            default="1-50" if link != "tcp" else "1-5",
            check=unit_ids_of,
        )
    )
    told = dialogue.measured(f"{prefix}answering", lambda: _searched(dialogue, specs, ids))
    declared, units = _found(told)
    for unit in units:
        dialogue.asker.say(f"  unit id {unit.unit_id} {Connection(declared, units).about(unit.unit_id)}")
    return Connection(declared, units) if units else None


def _serial(dialogue: Dialogue, prefix: str) -> Iterator[Mapping[str, Any]]:
    """Yield the settings of a serial line that are to be tried."""
    ports = {port.path: port.trouble or port.about or "serial port" for port in serial_ports()}
    if not ports:
        dialogue.asker.say("This computer shows no serial port: plug the adapter in, or write a port's name.")
    port = dialogue.ask(
        SetupQuestion(key=f"{prefix}port", text="Which port?", choices=ports, check=_usable_port)
    )
    baud = dialogue.ask(
        SetupQuestion(key=f"{prefix}baud", text="Line speed in Bd, or search", default=_SEARCH, check=_baud)
    )
    parity = dialogue.ask(
        SetupQuestion(
            key=f"{prefix}parity",
            text="Parity, or search",
            default=_SEARCH,
            choices={**dict.fromkeys(_PARITIES, ""), _SEARCH: "try the usual ones"},
            check=one_of((*_PARITIES, _SEARCH)),
        )
    )
    lines = COMMON_LINES if baud == _SEARCH else [(int(baud), one) for one in _PARITIES]
    for speed, its in lines:
        if parity in {_SEARCH, its}:
            yield {"link": "rtu", "port": port, "baud": speed, "parity": its}


def _usable_port(path: str) -> None:
    some_text(path)
    if trouble := port_trouble(path):
        raise Refusal(f"{path}: {trouble}")


def _baud(answer: str) -> None:
    if answer != _SEARCH:
        a_number(300, 1_000_000)(answer)


def _network(dialogue: Dialogue, prefix: str, link: str) -> Iterator[Mapping[str, Any]]:
    host, port = host_and_port(
        dialogue.ask(
            SetupQuestion(
                key=f"{prefix}host",
                text="Its address, HOST or HOST:PORT (502 unless you say)",
                check=host_and_port,
            )
        )
    )
    yield {"link": link, "host": host, "tcp_port": port}


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


def _searched(dialogue: Dialogue, declared: list[Mapping[str, Any]], ids: str) -> str:
    """Look who answers, and return it as text to keep; it keeps nothing of a search that found nobody."""
    specs = [
        bus_of({**one, "timeout": f"{_TRY_TIMEOUT_S} s", "quiet_after_fault": "50 ms"}) for one in declared
    ]
    dialogue.asker.say(
        f"Asking {ids} for one register each, on {len(specs)} line setting(s); nothing is written."
    )
    try:
        found = run(who_answers(specs, unit_ids_of(ids), dialogue.asker.glance), virtual=False)
    except LinkError as error:
        dialogue.asker.say(str(error))
        found = None
    if found is not None and not found.units:
        dialogue.asker.say(
            "Bytes arrived that are not a reply: another speed or parity, or another device transmits there."
        )
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
