"""Vents that are played: what the unit is shown of them, what is told of them, and when they are played no more."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from itertools import pairwise

import pytest
from driven_module import DrivenModule, loop_bench, worst_error

from ventproof_bench.base.clock import now_s, run
from ventproof_bench.base.errors import BenchError, DriverError
from ventproof_bench.base.evidence import Gap, Poll
from ventproof_bench.mock.wires.modbus_server import Responder, Trouble
from ventproof_bench.modbus.bus import ModbusBus
from ventproof_bench.outputs.outputs import LocalOutputs
from ventproof_bench.outputs.vents import PLAYED, PlayedVents, RoundsTaken

FILE = loop_bench({"link": "in-process"})

THERE_AND_BACK = [
    (0.0, True, False),
    (6.0, False, False),
    (8.0, False, True),
    (10.5, False, False),
    (11.5, True, False),
    (13.0, False, False),
]


@asynccontextmanager
async def _playing(
    module: DrivenModule, trouble: Callable[..., Trouble | None] | None = None
) -> AsyncIterator[tuple[LocalOutputs, list[Poll | Gap], asyncio.Task[None]]]:
    peer = Responder("tcp", {3: module}, reply_after_s=0.004, jitter_s=0.002, seed=1, trouble=trouble)
    bus = ModbusBus("io", FILE.buses["io"], peer=peer)
    await bus.open()
    outputs = LocalOutputs(
        FILE.outputs, buses={"io": bus}, specs=FILE.buses, vents=PlayedVents(FILE, {"io": bus})
    )
    await outputs.open()
    seen: list[Poll | Gap] = []
    playing = asyncio.ensure_future(outputs.play(seen.append))
    try:
        yield outputs, seen, playing
    finally:
        playing.cancel()
        await asyncio.gather(playing, return_exceptions=True)
        await bus.open()  # again, where the silence has cost the connection
        await outputs.close()
        await bus.close()


def _played(seen):
    return [one for one in seen if isinstance(one, Poll) and one.table == PLAYED]


def test_what_the_unit_is_shown_keeps_to_the_ideal_vent():
    """What is shown is never further from the vent that the contacts would have moved than the timing allows."""
    module = DrivenModule(THERE_AND_BACK)

    async def main():
        async with _playing(module) as (_, seen, _task):
            await asyncio.sleep(1.0)
            module.begins_s = now_s()
            await asyncio.sleep(16.0)
        worst, share = worst_error(module, [one for one in seen if isinstance(one, Poll)])
        assert 0 < worst < 1.0
        assert share <= 1

    run(main(), virtual=True)


def test_a_played_position_is_the_vent_s_within_its_window():
    """Each position told is on one course that moves no faster than the vent; windows come in order."""
    module = DrivenModule(THERE_AND_BACK)

    async def main():
        async with _playing(module) as (_, seen, _task):
            module.begins_s = now_s()
            await asyncio.sleep(16.0)
        told = _played(seen)
        assert len(told) > 200
        for a, b in pairwise(told):
            assert a.requested_s <= b.requested_s
            assert a.replied_s <= b.replied_s
            moved = abs(b.values["roof_vent"] - a.values["roof_vent"])
            assert moved <= 100 / 28 * (b.replied_s - a.requested_s) + 1e-9
        assert all(one.words == () and one.bus == "io" for one in told)
        ran_s = 6.0 - 0.4 + 0.2
        assert max(one.values["roof_vent"] for one in told) == pytest.approx(ran_s * 100 / 28, abs=0.3)

    run(main(), virtual=True)


def test_end_switches_move_only_at_the_ends():
    """The relay at the closed end lets go as the vent leaves it; the other closes once it is fully open."""
    module = DrivenModule([(0.0, True, False)])

    async def main():
        async with _playing(module) as (_, _seen, _task):
            await asyncio.sleep(0.5)
            assert module.tables["coil"] == [1, 0]
            module.begins_s = now_s()
            await asyncio.sleep(1.0)
            assert module.tables["coil"] == [0, 0]
            await asyncio.sleep(28.0)
            assert module.tables["coil"] == [0, 1]
            assert module.tables["holding"] == [10000]
        assert (
            sum(table == "coil" for _, table, *_ in module.written) == 2 + 4 + 2
        )  # opened, played, made safe

    run(main(), virtual=True)


def test_what_was_put_on_the_outputs_is_told_with_the_position():
    """Each position comes with what the relays and the level showed of it, as the module had it a round later."""
    module = DrivenModule([(0.0, True, False)])

    async def main():
        async with _playing(module) as (_, seen, _task):
            await asyncio.sleep(0.5)
            module.begins_s = now_s()
            await asyncio.sleep(31.0)
            told = _played(seen)
            last, (shut, wide) = told[-1].shown, module.tables["coil"]
            assert last == {"shut": bool(shut), "wide": bool(wide), "feedback": 10.0}
            assert module.tables["holding"] == [10000]
            assert told[0].shown == {"shut": True, "wide": False, "feedback": 0.0}
            assert any(one.shown["shut"] is one.shown["wide"] is False for one in told)
            levels = [one.shown["feedback"] for one in told]
            assert levels == sorted(levels)

    run(main(), virtual=True)


def test_a_lost_reply_is_a_gap_and_the_vent_goes_on():
    """One lost reply leaves a hole of a round or two; the vent is where it would have been."""
    module = DrivenModule([(0.0, True, False)])
    lost = iter([False] * 60 + [True])

    def trouble(_request):
        return Trouble(silent=True) if next(lost, False) else None

    async def main():
        async with _playing(module, trouble) as (_, seen, task):
            module.begins_s = now_s()
            await asyncio.sleep(5.0)
            assert not task.done()
        gaps = [one for one in seen if isinstance(one, Gap)]
        assert len(gaps) == 1
        assert gaps[0].to_s - gaps[0].from_s < 0.3
        assert _played(seen)[-1].values["roof_vent"] == pytest.approx(
            module.ideal().position_at(_played(seen)[-1].replied_s), abs=0.3
        )

    run(main(), virtual=True)


def test_a_hole_longer_than_contacts_keep_lets_the_vent_stand():
    """What commands the vent may have changed and back unseen: it stands, and no position is told of that time."""
    module = DrivenModule([(0.0, True, False)])

    async def main():
        silent = [float("inf")]

        def trouble(_request):
            return Trouble(silent=True) if silent[0] <= now_s() < silent[0] + 1.0 else None

        async with _playing(module, trouble) as (_, seen, task):
            module.begins_s = now_s()
            await asyncio.sleep(5.0)
            silent[0] = now_s()
            shown = module.tables["holding"][0]
            await asyncio.sleep(0.9)
            assert module.tables["holding"][0] == shown
            await asyncio.sleep(0.4)
            assert module.tables["holding"][0] <= shown + 40 + 300  # it ran on, and has hardly begun anew
            assert not task.done()
        told = _played(seen)
        assert max(b.requested_s - a.replied_s for a, b in pairwise(told)) > 0.9
        assert any("the vent did not move in that time" in one.detail for one in seen if isinstance(one, Gap))

    run(main(), virtual=True)


def test_after_two_seconds_without_a_reading_nobody_plays_the_vent():
    """The silence ends the playing with an error, for whoever makes the outputs safe."""
    module = DrivenModule([])

    async def main():
        silent_s = [float("inf")]

        def trouble(_request):
            return Trouble(silent=True) if now_s() >= silent_s[0] else None

        async with _playing(module, trouble) as (_, _seen, task):
            await asyncio.sleep(1.0)
            silent_s[0] = now_s()
            with pytest.raises(
                BenchError,
                match=r"^what commands vent roof was not read for 2 s: nothing plays it$",
            ):
                await task
            assert 1.9 < now_s() - silent_s[0] < 2.3
            silent_s[0] = float("inf")

    run(main(), virtual=True)


def test_made_safe_stays_safe_although_the_vent_is_still_read():
    """Making safe is the last word: no round that is under way drives an output after it."""
    module = DrivenModule([(0.0, True, False)])

    async def main():
        async with _playing(module) as (outputs, _seen, _task):
            module.begins_s = now_s()
            await asyncio.sleep(5.013)
            await outputs.make_safe()
            await asyncio.sleep(1.0)
            assert module.tables["coil"] == [0, 0]
            assert module.tables["holding"] == [0]

    run(main(), virtual=True)


def test_vents_play_on_while_the_rest_is_made_safe():
    """A self-check brings the unit to a known state without the vents jumping."""
    module = DrivenModule([(0.0, True, False)])

    async def main():
        async with _playing(module) as (outputs, _seen, _task):
            module.begins_s = now_s()
            await asyncio.sleep(5.0)
            before = list(module.written)
            await outputs.make_safe(vents_play_on=True)
            since = module.written[len(before) :]
            assert all(word > 1000 for _, table, _, word in since if table == "holding")
            await asyncio.sleep(1.0)
            assert module.tables["holding"][0] > before[-1][3]

    run(main(), virtual=True)


def test_what_befalls_a_vent_is_told_with_the_window_that_holds_it():
    """A drive that does nothing stands from within the window on; an unknown vent is named."""
    module = DrivenModule([(0.0, True, False)])

    async def main():
        async with _playing(module) as (outputs, seen, _task):
            module.begins_s = now_s()
            await asyncio.sleep(5.0)
            asked_s = now_s()
            window = await outputs.condition("roof", {"drive": {"dead": True}})
            assert asked_s <= window.earliest_s <= window.latest_s <= asked_s + 0.2
            await asyncio.sleep(3.0)
            stood = {
                one.values["roof_vent"] for one in _played(seen) if one.requested_s > window.latest_s + 0.3
            }
            assert len(stood) == 1
            with pytest.raises(DriverError, match=r"^no vent 'rof' is played; did you mean 'roof'\?$"):
                await outputs.condition("rof", {})

    run(main(), virtual=True)


def test_lateness_of_rounds_is_counted():
    """The record says how much a round was late at most; a gap is told of by itself."""
    rounds = RoundsTaken(FILE)
    assert rounds.notes == ()
    for at_s in (0.0, 0.05, 0.112, 0.16):
        rounds.saw(Poll("io", at_s, at_s + 0.01, {"opens": 0.0}, "discrete", 0, (0,)))
    assert rounds.notes == ("bus io: rounds in which vents are played were at most 12.0 ms late",)
    rounds.saw(Gap("io", 0.16, 0.4, "timeout"))
    rounds.saw(Poll("io", 0.5, 0.51, {"opens": 0.0}, "discrete", 0, (0,)))
    assert rounds.notes == ("bus io: rounds in which vents are played were at most 12.0 ms late",)
