"""The one lifecycle, of runs and of self-checks: whatever ends them, outputs are safe and the log has one last line."""

from __future__ import annotations

import asyncio
import re
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import count
from types import SimpleNamespace

import pytest

from ventproof.case.case import case_of
from ventproof.log.encode import fields_of
from ventproof.log.events import Header
from ventproof.profile.bind import bind
from ventproof.profile.load import read_profile
from ventproof.run.engine import Engine
from ventproof.session.selfcheck import _Checking
from ventproof_bench.base import clock as virtual
from ventproof_bench.base.clock import ORIGIN_S, now_s
from ventproof_bench.base.errors import BenchError, DriverError, RecordError, StimulusError
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.mock.unit import MockUnit
from ventproof_bench.outputs.outputs import LocalOutputs
from ventproof_bench.rig.build import assemble

BENCH = """
bench: a small one
buses:
  unit: {link: in-process, framing: tcp, timeout: 500 ms, poll_every: 1 s, longest_gap: 4}
outputs:
  rain: {driver: mock, wired: {input: rain}, operate: 8 ms, release: 5 ms, bounce: 3 ms}
  cups:
    driver: mock
    wired: {input: cups}
    operate: 1 ms
    release: 1 ms
    bounce: 0 ms
    fastest_edge: 5 ms
    selfcheck: leave
    sensor: {cups: {slope: 1.2, offset: 0.4 m/s, starts_at: 0.6 m/s}}
  house_temperature:
    kind: register
    driver: register
    wired: {bus: unit, table: holding, address: 0, type: s16, scale: 0.1}
    unit: °C
signals:
  rain_contact:
    bus: unit
    table: input
    address: 5
    type: bit
    bit: 1
    unit: flag
    keeps_for: 3 s
    refreshed_every: 200 ms
mock:
  vents:
    roof: {full_travel: 30 s, dead_time: 400 ms, stages: [25 %, 55 %, 92 %]}
  house: {temperature: 18 °C, stage_at: [22 °C, 25 °C, 28 °C], hysteresis: 1 °C}
  rain: {debounce: 50 ms, entry_delay: 2 s, release_delay: 30 s, positions: {roof: 8 %}}
  wind:
    debounce: 2 ms
    slope: 1.2
    offset: 0.4 m/s
    gust_over: 3 s
    mean_over: 10 min
    gale_at: 12 m/s
    hysteresis: 3 m/s
    entry_delay: 2 s
    release_delay: 60 s
    positions: {roof: 0 %}
  refresh_every: 200 ms
"""
PROFILE = """
profile: rain in the wind
needs: {outputs: {rain: contact, cups: contact, house_temperature: °C}, signals: {rain_contact: flag}}
start:
  write: {house_temperature: 30 °C}
  until: [{signal: rain_contact, equals: off, within: 10 s}]
steps:
  - step: a breeze
    do:
      - {wind: cups, speed: 3 m/s}
      - {pulse: rain, times: 3, closed_for: 100 ms, open_for: 100 ms}
      - {wait: 3 s}
      - {close: rain, label: shower}
    expect: [{signal: rain_contact, equals: on, within: 10 s, after: shower}]
"""
USERS = ("run", "check")
_AGAIN_STEPS = 7  # of the loop: between two of them time goes on


@dataclass
class Played:
    """What became of a run or a check: its log, its contacts, what it raised, and which tasks it left behind."""

    events: list = field(default_factory=list)
    contacts: dict = field(default_factory=dict)
    level: float | None = None
    opened: bool = False
    error: BaseException | None = None
    left: set = field(default_factory=set)
    steps: int = 0

    @property
    def names(self):
        """The events' names, in order."""
        return [name for name, _ in self.events]

    @property
    def aborted(self):
        """Why the last line says that there is no result; None when there is one."""
        return self.events[-1][1].get("aborted")


@cache
def _bench(text):
    """Read a bench file once, however often it is played."""
    return read_bench("bench.yaml", text)


@cache
def _bound(text):
    """Read the profile, and tie it to a bench, once."""
    profile = read_profile("profile.yaml", PROFILE)
    return profile, bind(profile, _bench(text), {})


class Player:
    """Plays one small run or check, cancels it at given steps of the loop, and sees what becomes of it."""

    def __init__(self, user, text, cancelled_at, write):
        self.user = user
        self.bench = _bench(text)
        self.cancelled_at = cancelled_at
        self.write = write
        self.played = Played()
        self.task = None

    def taken(self, name, t_s, fields):
        """Take a line of the log."""
        self.write(name, t_s)
        self.played.events.append((name, dict(fields)))

    def cancels(self):
        """Count a step of the loop; whether that is one at which the work was cancelled now."""
        if self.task is None:
            return False
        step, self.played.steps = self.played.steps, self.played.steps + 1
        return step in self.cancelled_at and self.task.cancel()

    def begun(self):
        """Return the rig, and what is to be awaited."""
        if self.user == "check":
            log = SimpleNamespace(write=self.taken, path="log.jsonl", digest="")
            check = _Checking(self.bench, "bench", 0, log, lambda *_: None)
            return check._rig, check.run()
        profile, bound = _bound(self.bench.text)
        rig = assemble(self.bench.model, seed=0)
        engine = Engine(
            profile.model,
            rig,
            case_of(bound),
            record=lambda event: self.taken(event.name, event.t_s, fields_of(event)),
            output_names=bound.outputs,
        )
        return rig, engine.run(Header())

    async def main(self, spoil):
        """Play it."""
        played, (rig, going) = self.played, self.begun()
        opening = rig.outputs.open

        async def opened():
            await opening()
            played.opened = True

        rig.outputs.open = opened
        spoil(rig)
        self.task = task = asyncio.get_running_loop().create_task(going)
        await asyncio.wait({task})
        played.left = asyncio.all_tasks() - {asyncio.current_task()}
        played.error = asyncio.CancelledError() if task.cancelled() else task.exception()
        self.task = None
        await asyncio.gather(*played.left, return_exceptions=True)
        played.level = rig.mock.read("holding", 0, 1, now_s())[0] / 10


@pytest.fixture
def play(monkeypatch):
    """Play a small run or a small check to its end; cancelled at steps of the loop, spoiled as asked for."""

    def play_it(user, *, text=BENCH, cancelled_at=(), spoil=lambda _: None, write=lambda *_: None):
        player = Player(user, text, cancelled_at, write)
        jump, give = virtual._JumpingSelector.select, MockUnit.set_contact

        def set_contact(unit, name, at_s, *, closed):
            player.played.contacts[name] = closed
            give(unit, name, at_s, closed=closed)

        with monkeypatch.context() as patch:
            patch.setattr(
                virtual._JumpingSelector,
                "select",
                lambda selector, timeout=None: [] if player.cancels() else jump(selector, timeout),
            )
            patch.setattr(MockUnit, "set_contact", set_contact)
            virtual.run(player.main(spoil), virtual=True)
        return player.played

    return play_it


def after_s(delay_s, call, *args):
    """Call something some seconds after the begin."""
    asyncio.get_running_loop().call_at(ORIGIN_S + delay_s, call, *args)


def in_order(played):
    """Assert that a log that was begun ends with what became of the outputs and one last line, and no task is left."""
    assert not played.left
    if played.events:
        assert played.names[0].endswith("_begin")
        assert sum(name in {"run_end", "selfcheck_end"} for name in played.names) == 1
        assert played.names[-1] in {"run_end", "selfcheck_end"}
        assert sum(name in {"safe", "not_safe", "nothing_driven"} for name in played.names) == 1
    if played.opened:
        assert played.contacts == {"rain": False, "cups": False}


def as_said(played):
    """Assert that a run which was interrupted while its bench opened says of the contacts what is true of them."""
    if "not_safe" in played.names:
        assert isinstance(played.error, DriverError)
        assert played.aborted.startswith("interrupted by the operator; ")
        return
    assert isinstance(played.error, asyncio.CancelledError)
    assert played.contacts == ({} if "nothing_driven" in played.names else {"rain": False, "cups": False})


@pytest.mark.parametrize("user", USERS)
def test_work_that_comes_to_its_end_leaves_the_bench_safe(user, play):
    """A run and a check that nothing disturbs end with a result, safe outputs and nothing that still goes on."""
    played = play(user)
    in_order(played)
    assert (played.error, played.aborted) == (None, None)
    assert (played.level, "safe" in played.names) == (18.0, True)


def test_the_first_reading_is_asked_for_before_anything_is_driven_over_its_bus(play):
    """What a unit shows before the work is on record: the first poll goes out ahead of the first write."""
    played = play("run")
    first_poll = next(fields for name, fields in played.events if name == "poll")
    written = next(fields for name, fields in played.events if name == "stimulus" and "value" in fields)
    assert first_poll["from"] < written["from"]


@pytest.mark.parametrize("often", [False, True], ids=["once", "again and again"])
@pytest.mark.parametrize("user", USERS)
def test_wherever_it_is_interrupted_the_outputs_are_safe(user, often, play, monkeypatch):
    """At each step of the loop, once or from there on again and again: outputs safe, one last line, no task left."""
    monkeypatch.setattr("ventproof_bench.selfcheck.procedure.LISTEN_S", 1.0)
    monkeypatch.setattr("ventproof_bench.selfcheck.procedure._LISTEN_POLLS", 2)
    monkeypatch.setattr("ventproof_bench.selfcheck.procedure._PULSES", 2)
    for step in count():
        played = play(user, cancelled_at=range(step, 1_000_000 if often else step + 1, _AGAIN_STEPS))
        if played.error is None:  # it was over before
            break
        in_order(played)
        if played.opened:
            assert isinstance(played.error, asyncio.CancelledError)
            assert played.level == 18.0
            assert "safe" in played.names
            assert played.aborted in {
                "interrupted by the operator",
                None,
            }  # None: its result was there already
        elif played.events:
            as_said(played)
    assert step > 40


def _moved(rig):
    async def look():
        if now_s() > ORIGIN_S + 2:
            raise DriverError("output rain: somebody else moves it")

    rig.outputs.look = look


def _unguarded(rig):
    after_s(2, setattr, rig.outputs, "lost", "the line process is lost")


def _opens(rig):
    after_s(2, lambda: rig.mock.set_contact("rain", now_s(), closed=True))


def _dies_with(error):
    """Return what has the poller die of an error, two seconds after the begin; nobody else's reads are touched."""

    def spoil(rig):
        bus = rig.reads[0].bus

        async def read(request):
            if now_s() > ORIGIN_S + 2:
                raise error
            return await bus.read(request)

        rig.reads = (replace(rig.reads[0], bus=SimpleNamespace(read=read, open=bus.open)),)

    return spoil


def _refused(rig):
    async def broken(name, *_, **__):
        raise DriverError(f"output {name}: its relay does not answer")

    rig.outputs.train = broken


INTERLOCK = BENCH.replace("\nmock:", "\ninterlock: {signal: rain_contact, healthy: 0}\nmock:")
WAYS_OUT = {
    "a relay was moved": (_moved, BENCH, r"output rain: somebody else moves it"),
    "the line process is lost": (_unguarded, BENCH, r"the line process is lost"),
    "the interlock opens": (_opens, INTERLOCK, r"the interlock rain_contact is not healthy"),
    "a poller died": (_dies_with(BenchError("this computer slept")), BENCH, r"this computer slept"),
    "the work fails": (_refused, BENCH, r"output (rain|cups): its relay does not answer"),
}


@pytest.mark.parametrize("way", WAYS_OUT)
@pytest.mark.parametrize("user", USERS)
def test_every_guard_breaks_off_runs_and_checks_alike(user, way, play, monkeypatch):
    """Whatever is wrong with the bench, no result comes of it, the record says why, and the outputs are safe."""
    spoil, text, reason = WAYS_OUT[way]
    monkeypatch.setattr(LocalOutputs, "shared", way == "a relay was moved")
    played = play(user, text=text, spoil=spoil)
    in_order(played)
    assert played.error is None
    assert "safe" in played.names
    assert re.match(reason, played.aborted)


def _stimulus_lost(at_s, since_s):
    def spoil(rig):
        after_s(at_s, lambda: rig.outputs.broke(StimulusError("bus io was lost", since_s=ORIGIN_S + since_s)))

    return spoil


def test_a_stimulus_that_is_lost_ends_a_check_without_a_result(play):
    """Half a measurement is none."""
    played = play("check", spoil=_stimulus_lost(2, 1.5))
    in_order(played)
    assert (played.error, played.aborted) == (None, "bus io was lost")
    assert "safe" in played.names


def test_a_stimulus_that_is_lost_leaves_a_run_inconclusive_and_its_bench_fit_for_the_next(play):
    """What was read since then is void: the response that waits stays open and says why, and nothing is aborted."""
    played = play("run", spoil=_stimulus_lost(4, 3.5))
    in_order(played)
    assert (played.error, played.aborted) == (None, None)
    assert "safe" in played.names
    assert played.events[-1][1]["verdict"] == "inconclusive"
    voids = [fields for name, fields in played.events if name == "gap" and fields["reason"] == "void"]
    assert [(fields["bus"], fields["from"]) for fields in voids] == [("unit", 3.5)]
    found = [fields for name, fields in played.events if name == "finding"]
    assert found[-1]["verdict"] == "inconclusive"
    assert found[-1]["not_run"] == "lost"
    assert {"text": "bus io was lost"} in [fields for name, fields in played.events if name == "note"]


def test_a_stimulus_that_is_lost_takes_no_finding_back_that_the_log_holds(play):
    """Where a finding on record rests on what is void, the run has no verdict."""
    played = play("run", spoil=_stimulus_lost(4, 0))
    in_order(played)
    assert "is decided no more" in played.aborted
    assert "safe" in played.names


@pytest.mark.parametrize("user", USERS)
def test_a_relay_that_was_moved_since_the_last_look_is_found_at_the_end(user, play):
    """When all is done the relays are looked at once more: what moved meanwhile leaves no result."""

    def spoil(rig):
        async def look():
            raise DriverError("output rain: somebody else moves it")

        rig.outputs.look = look

    played = play(user, spoil=spoil)
    in_order(played)
    assert played.aborted == "output rain: somebody else moves it"


@pytest.mark.parametrize("user", USERS)
def test_a_full_log_breaks_off_the_work_and_leaves_the_outputs_safe(user, play):
    """What cannot be recorded proves nothing: the first reading that finds no room ends it."""

    def write(name, t_s):
        if name == "poll" and t_s > 2:
            raise RecordError("the log cannot be written: no space")

    played = play(user, write=write)
    in_order(played)
    assert played.aborted == "the log cannot be written: no space"


@pytest.mark.parametrize("user", USERS)
def test_outputs_that_cannot_be_made_safe_are_said_to_be_so(user, play):
    """When a contact does not go to its safe state the record says not safe, there is no result, and all is let go."""

    def spoil(rig):
        making_safe = rig.outputs._all_safe

        async def refused(*how, **more):
            await making_safe(*how, **more)
            raise DriverError("output rain: nothing proves that it moved")

        after_s(0.5, setattr, rig.outputs, "_all_safe", refused)

    played = play(user, spoil=spoil)
    in_order(played)
    assert dict(played.events)["not_safe"]["reason"].startswith(
        "the outputs may not be in their safe state: "
    )
    assert played.aborted == dict(played.events)["not_safe"]["reason"]


@pytest.mark.parametrize("user", USERS)
def test_an_error_of_our_own_leaves_the_outputs_safe_and_shows(user, play):
    """A fault of the program is raised as what it is, after the outputs are safe and the log is closed."""
    played = play(user, spoil=_dies_with(ZeroDivisionError()))
    in_order(played)
    assert isinstance(played.error, ZeroDivisionError)
    assert "safe" in played.names
    assert played.aborted == "ventproof itself failed"


@pytest.mark.parametrize("user", USERS)
def test_what_breaks_in_two_places_at_once_is_said_once(user, play):
    """The error of the work that fails together with the bench is not shouted when it is forgotten."""
    shouted = []

    def spoil(rig):
        asyncio.get_running_loop().set_exception_handler(lambda _, context: shouted.append(context))
        _refused(rig)
        _dies_with(BenchError("this computer slept"))(rig)

    assert play(user, spoil=spoil).aborted
    assert not shouted
