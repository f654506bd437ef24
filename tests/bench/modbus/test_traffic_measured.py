"""The computed worst case against a line that takes its time: bytes, silences and the unit's own time, both ways."""

import asyncio
import random
from dataclasses import dataclass, field

import pytest
from plain_unit import PlainBank

from ventproof_bench.base.clock import run
from ventproof_bench.base.evidence import Poll
from ventproof_bench.base.protocols import BusUse, ReadRequest
from ventproof_bench.benchfile.model import InProcessBus, SerialBus
from ventproof_bench.benchfile.signals import SignalSpec
from ventproof_bench.mock.wires.modbus_server import Responder
from ventproof_bench.modbus.bus import ModbusBus
from ventproof_bench.modbus.polling import poll
from ventproof_bench.modbus.register_map import plan_reads
from ventproof_bench.modbus.traffic import budget, load_of, silent_interval_s
from ventproof_bench.relays.coil import CoilContact, CoilOptions

UNIT, BOARD = 1, 2
ANSWERS_AFTER_S, JITTER_S = 0.003, 0.004


class PacedLine:
    """A serial line to a unit: every byte takes its time both ways, and a silence tells the unit a request's end.

    Implements `ventproof_bench.base.protocols.Peer`.
    """

    def __init__(self, unit, *, baud, bits=11):
        self._unit = unit
        self._byte_s = bits / baud
        self._silence_s = silent_interval_s(baud)

    def exchange(self, data, now_s):
        """Hand the request on when it is all there; a reply comes in pieces, each with its last byte."""
        heard_s = len(data) * self._byte_s + self._silence_s
        return [
            (heard_s + delay_s + end * self._byte_s, reply[begin:end])
            for delay_s, reply in self._unit.exchange(data, now_s + heard_s)
            for begin, end in ((0, 1), (1, 4), (4, len(reply)))
        ]


@dataclass
class Measured:
    """What was seen on the line, seconds: the longest of each, and how many replies."""

    latency_s: float = 0.0
    complete_s: float = 0.0
    age_s: float = 0.0
    polls: int = 0
    last_request_s: dict = field(default_factory=dict)

    def saw(self, evidence):
        """Take a reply: how old the one before it had become. A sink of the poller."""
        assert isinstance(evidence, Poll), evidence
        before_s = self.last_request_s.get(evidence.address)
        if before_s is not None:
            self.age_s = max(self.age_s, evidence.replied_s - before_s)
        self.last_request_s[evidence.address] = evidence.requested_s
        self.polls += 1


def signals(counts):
    """Return signals that take one request each, of so many registers."""
    made = {}
    for number, words in enumerate(counts):
        for at in range(words):
            raw = {"bus": "bus", "table": "input", "unit": "count", "address": 200 * number + at}
            made[f"s{number}_{at}"] = SignalSpec.model_validate(raw)
    return made


async def played(counts, *, baud, every_s, stimuli):
    """Poll `counts` registers a request and drive a relay after each pause that `stimuli` yields."""
    loop = asyncio.get_running_loop()
    devices = {
        UNIT: PlainBank({"input": [0] * 2000}),
        BOARD: PlainBank({"coil": [0]}),
    }
    unit = Responder("rtu", devices, reply_after_s=ANSWERS_AFTER_S, jitter_s=JITTER_S, seed=1)
    spec = InProcessBus.model_validate({"link": "in-process", "framing": "rtu", "poll_every": f"{every_s} s"})
    bus = ModbusBus("bus", spec, peer=PacedLine(unit, baud=baud))
    bus._silence_s = silent_interval_s(baud)  # as on a serial line
    await bus.open()
    measured = Measured()
    plan = plan_reads(signals(counts), spec)
    polling = asyncio.create_task(poll(bus, plan, every_s=every_s, bus_spec=spec, sink=measured.saw))
    relay = CoilContact("rain", CoilOptions(bus="bus", unit_id=BOARD, coil=0), bus, look_s=None)
    on = False
    for pause_s in stimuli:
        await asyncio.sleep(pause_s)
        due_s, on = loop.time(), not on
        window = await relay.energise(on)
        measured.latency_s = max(measured.latency_s, window.latest_s - due_s)
        measured.complete_s = max(measured.complete_s, loop.time() - due_s)
    polling.cancel()
    await asyncio.gather(polling, return_exceptions=True)
    await bus.close()
    return measured


def computed(counts, *, baud, every_s, edges_apart_us=None):
    """Return the budget of the same line, from a declaration."""
    spec = SerialBus.model_validate(
        {
            "link": "rtu",
            "port": "/dev/x",
            "baud": baud,
            "poll_every": f"{every_s} s",
            "answers_within": f"{ANSWERS_AFTER_S + JITTER_S} s",
        }
    )
    requests = [ReadRequest(UNIT, "input", 200 * number, words) for number, words in enumerate(counts)]
    return budget(load_of(spec, requests, [BusUse("bus", "coil", 1)]), edges_apart_us=edges_apart_us)


def pauses(seed, number, longest_s):
    """Return random pauses, one in four of nothing: stimuli in a row, and stimuli at every phase of the polls."""
    chance = random.Random(seed)
    return [chance.choice((0, 1, 1, 1)) * chance.uniform(0, longest_s) for _ in range(number)]


LINES = [
    pytest.param((8,), 19200, 0.1, id="one request at 19200 Bd"),
    pytest.param((2, 20, 5), 19200, 0.2, id="three requests at 19200 Bd"),
    pytest.param((1,), 9600, 0.05, id="half of the line for polls"),
    pytest.param((10, 10), 9600, 0.12, id="rounds left out under stimuli"),
    pytest.param((4, 100), 115200, 0.1, id="a short and a long request"),
]


@pytest.mark.parametrize(("counts", "baud", "every_s"), LINES)
def test_nothing_measured_is_worse_than_computed(counts, baud, every_s):
    """Thousands of polls under random stimuli stay within the computed worst case, and come near it."""
    stimuli = pauses(3, 900, 2.5 * every_s)
    measured = run(played(counts, baud=baud, every_s=every_s, stimuli=stimuli), virtual=True)
    worst = computed(counts, baud=baud, every_s=every_s)
    shares = [
        1e6 * measured.latency_s / worst.latency_us,
        1e6 * measured.complete_s / worst.complete_us,
        1e6 * measured.age_s / worst.age_us,
    ]
    assert measured.polls > 1000
    assert max(shares) <= 1, shares
    assert shares[0] > 0.97, shares
    assert shares[2] > 0.8, shares


@pytest.mark.parametrize(("counts", "baud", "every_s"), LINES)
def test_stimuli_in_a_row_do_not_starve_the_polls(counts, baud, every_s):
    """One stimulus after another leaves the poller its turns: readings get no older than computed."""
    measured = run(played(counts, baud=baud, every_s=every_s, stimuli=[0.0] * 300), virtual=True)
    worst = computed(counts, baud=baud, every_s=every_s)
    assert measured.polls > 100
    assert 1e6 * measured.age_s <= worst.age_us
    assert 1e6 * measured.complete_s <= worst.complete_us


@pytest.mark.parametrize("apart_s", [0.33, 0.471, 1.13])
def test_edges_known_to_be_apart_leave_readings_younger(apart_s):
    """Of edges with a distance fewer fall into a round: the bound is closer, and still holds."""
    counts, every_s = (2, 20, 5, 30), 0.25
    on_the_dot = [0.0] + [apart_s] * 600

    async def main():
        # Pauses would add the time that an edge takes; the train keeps to its instants.
        loop = asyncio.get_running_loop()
        began_s = loop.time()
        dues_s = (began_s + sum(on_the_dot[: number + 1]) for number in range(len(on_the_dot)))
        return await played(
            counts, baud=19200, every_s=every_s, stimuli=(max(0.0, due_s - loop.time()) for due_s in dues_s)
        )

    measured = run(main(), virtual=True)
    loose = computed(counts, baud=19200, every_s=every_s)
    close = computed(counts, baud=19200, every_s=every_s, edges_apart_us=round(1e6 * apart_s))
    assert close.complete_us < 1e6 * apart_s, "these edges never wait for one another"
    assert close.age_us < loose.age_us
    assert 0.85 * close.age_us < 1e6 * measured.age_s <= close.age_us
    assert 1e6 * measured.latency_s <= close.latency_us


def test_random_lines_keep_their_budget():
    """Whatever the speed, the requests and the interval: nothing measured is worse than computed."""
    chance = random.Random(11)
    for number in range(12):
        counts = [chance.choice((1, 3, 10, 60, 125)) for _ in range(chance.randint(1, 4))]
        line = {"baud": chance.choice((9600, 19200, 38400, 115200)), "every_s": chance.uniform(0.05, 0.8)}
        line["every_s"] = round(line["every_s"], 3)
        stimuli = pauses(number, 80, 2 * line["every_s"])
        measured = run(played(counts, stimuli=stimuli, **line), virtual=True)
        worst = computed(counts, **line)
        assert 1e6 * measured.latency_s <= worst.latency_us, (counts, line)
        assert 1e6 * measured.complete_s <= worst.complete_us, (counts, line)
        assert 1e6 * measured.age_s <= worst.age_us, (counts, line)


@pytest.mark.parametrize("baud", [9600, 19200, 115200])
def test_reads_in_a_row_leave_a_line_idle_for_its_silences_only(baud):
    """The bench asks again as soon as the line allows: more than 99 % of the reads that bytes and silences permit."""
    registers, reads = 8, 100
    request = ReadRequest(UNIT, "input", 0, registers)

    async def main():
        unit = Responder("rtu", {UNIT: PlainBank({"input": [0] * registers})})
        spec = InProcessBus.model_validate({"link": "in-process", "framing": "rtu"})
        bus = ModbusBus("bus", spec, peer=PacedLine(unit, baud=baud))
        bus._silence_s = silent_interval_s(baud)  # as on a serial line
        await bus.open()
        began_s = asyncio.get_running_loop().time()
        replies = [await bus.read(request) for _ in range(reads)]
        await bus.close()
        return replies[-1].replied_s - began_s

    took_s = run(main(), virtual=True)
    asked, answered = 8, 5 + 2 * registers  # bytes
    least_s = reads * (asked + answered) * 11 / baud + (2 * reads - 1) * silent_interval_s(baud)
    assert least_s - 1e-6 <= took_s < 1.01 * least_s
