"""Whether boards can go safe by themselves as declared, and are fed often enough not to do so in a run."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ventproof_bench.base.errors import Refusal
from ventproof_bench.benchcheck.wiring import bus_problems, location_problems
from ventproof_bench.benchfile.boards import FEEDS_A_TIMEOUT, BoardPlace
from ventproof_bench.benchfile.model import safe_number
from ventproof_bench.modbus.register_map import decode, encode
from ventproof_bench.yamlfile.value_errors import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ventproof_bench.base.errors import Problem
    from ventproof_bench.benchfile.boards import BoardSpec
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded
    from ventproof_bench.yamlfile.tree import Path


_ROUNDING: Final = 1e-9


def boards_problems(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    """Yield what is wrong with the boards: where they are, what they do to their outputs, and how soon."""
    first: dict[tuple[str, int], str] = {}
    for name, board in bench.model.boards.items():
        path: Path = ("boards", name)
        wrong = list(bus_problems(bench, path, board)) or list(_places(bench, path, board))
        yield from wrong
        if wrong:
            continue
        twin = first.setdefault((board.bus, board.unit_id), name)
        if twin != name:
            reason = f"boards {twin!r} and {name!r} are both unit {board.unit_id} on bus {board.bus}"
            yield bench.problem(path, reason, "declare each board once", at_key=True)
        if not bench.lacks and not bench.model.outputs_on(name):
            reason = f"no contact and no level is on board {name!r}, unit {board.unit_id} of bus {board.bus}"
            yield bench.problem(path, reason, "look at `bus` and `unit_id`, or leave it out", at_key=True)
        if not bench.lacks:  # the bus may lack its own time-out
            yield from _time_problems(bench, path, board)
        yield from _safe_problems(bench, path, name, board)


def _places(bench: Loaded[BenchFile], path: Path, board: BoardSpec) -> Iterator[Problem]:
    for key in ("set_at", "tripped", "cleared_by", "fed_by"):
        where = getattr(board, key)
        if isinstance(where, BoardPlace):
            yield from location_problems(bench, (*path, key), board.place(where))
    for output, register in board.safe_at.items():
        yield from location_problems(bench, (*path, "safe_at", output), board.place(register))


def _time_problems(bench: Loaded[BenchFile], path: Path, board: BoardSpec) -> Iterator[Problem]:
    """Yield a problem for a time that one lost reply uses up, and for one that its register cannot hold."""
    bus = bench.model.buses[board.bus]
    here = (*path, "goes_safe_after")
    lost_s = bus.timeout + bus.quiet_s + bus.poll_every
    least_s = lost_s * FEEDS_A_TIMEOUT / (FEEDS_A_TIMEOUT - 1)
    if board.goes_safe_after <= least_s:
        reason = (
            f"one lost reply would trip the board: it is fed every {board.fed_every_s:g} s, and a lost reply takes "
            f"{lost_s:g} s more (timeout, quiet_after_fault and poll_every of bus {board.bus})"
        )
        hint = f"write more than {least_s:.3g} s, or declare the bus's own shorter `timeout` and `quiet_after_fault`"
        yield bench.problem(here, reason, hint)
    if board.set_at is None:
        return
    place = board.place(board.set_at)
    try:
        held_s = decode(place, encode(place, board.goes_safe_after))
    except ValueError as error:
        yield bench.problem(here, f"its register cannot hold {board.goes_safe_after:g} s: {error}", "")
        return
    if abs(held_s - board.goes_safe_after) > _ROUNDING:
        reason = f"its register cannot hold {board.goes_safe_after:g} s"
        yield bench.problem(here, reason, f"write {held_s:g} s, the nearest that it can, or its real `scale`")


def _safe_problems(bench: Loaded[BenchFile], path: Path, name: str, board: BoardSpec) -> Iterator[Problem]:
    mine = bench.model.outputs_on(name)
    for output, register in board.safe_at.items():
        if output not in mine:
            reason = f"output {output!r} is not on board {name!r}"
            yield bench.problem((*path, "safe_at", output), reason, nearest(output, mine), at_key=True)
            continue
        number = safe_number(bench.model.outputs[output])
        if number is None:
            reason = f"output {output!r} declares no `safe`"
            hint = "declare the level that is left behind, or leave it out here"
            yield bench.problem((*path, "safe_at", output), reason, hint, at_key=True)
            continue
        try:
            encode(board.place(register), number)
        except ValueError as error:
            wrong = Refusal.of(error)
            yield bench.problem((*path, "safe_at", output), wrong.reason, wrong.hint)
    for output in mine if board.then == "off" else ():
        if safe_number(bench.model.outputs[output]):
            reason = f"board {name!r} switches off, which is not the safe state of output {output!r}"
            hint = (
                "wire it so that it is safe without power, or let the board go to safe values: `then: safe`"
            )
            yield bench.problem((*path, "then"), reason, hint)


def board_guard_notes(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    """Yield what is taken on trust of a board: its time, its safe values, and whether it tripped."""
    for name, board in bench.model.boards.items():
        path: Path = ("boards", name)
        if board.set_at is None:
            reason = f"board {name!r}: nothing reads back that it goes safe after {board.goes_safe_after:g} s"
            hint = "declare `set_at`, or measure it: `ventproof selfcheck`"
            yield bench.problem((*path, "goes_safe_after"), reason, hint)
        if board.tripped is None:
            reason = f"board {name!r}: whether it went safe by itself in a run cannot be read"
            yield bench.problem(path, reason, "declare `tripped` if the board tells it", at_key=True)
        trusted = [output for output in bench.model.outputs_on(name) if output not in board.safe_at]
        if board.then == "safe" and trusted:
            reason = (
                f"board {name!r}: its safe values for {', '.join(trusted)} are taken as they are set on it"
            )
            hint = "declare `safe_at` to have them written and read back"
            yield bench.problem((*path, "then"), reason, hint)
