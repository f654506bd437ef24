"""How a run or a self-check left the outputs, in words: short where all is well, else what the unit may still do."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

from ventproof.log.left import LeftCounter, OutputLeft
from ventproof.verdict.finding import Verdict
from ventproof.verdict.text import response
from ventproof_bench.base.errors import DriverError, RecordError
from ventproof_bench.benchfile.model import BenchFile

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator, Sequence
    from pathlib import Path

    from ventproof.verdict.finding import Finding


def left_lines(file: BenchFile | None, left: LeftCounter) -> tuple[str, ...]:
    """Return how outputs were left: one line where all is well, else one for each that may not be.

    Args:
        file: the bench file, for what moves with an output and which boards go safe by themselves; None: not known.
        left: how the outputs were left.
    """
    well = _all_well(left)
    return (well,) if well else tuple(_not_well(file, left))


@contextmanager
def telling_left(
    file: BenchFile, left: LeftCounter, log: Path, found: Callable[[], Sequence[Finding]] = tuple
) -> Iterator[None]:
    """Let an interruption, outputs that are not safe after one, and a lost record say how the outputs were left.

    Args:
        file: the bench file.
        left: how the outputs were left.
        log: path of the log.
        found: returns what is told of the responses after an interruption, which says what had failed.
    """
    try:
        yield
    except KeyboardInterrupt:
        raise KeyboardInterrupt(interrupted(file, left, log, found())) from None
    except (DriverError, RecordError) as error:
        kind = RecordError if isinstance(error, RecordError) else DriverError
        raise kind("\n".join([str(error), *_outputs_said(file, left)])) from error


def interrupted(file: BenchFile, left: LeftCounter, log: Path, found: Sequence[Finding] = ()) -> str:
    """Return how an interrupted run or self-check was left, a line each.

    Args:
        file: the bench file.
        left: how the outputs were left.
        log: path of the log.
        found: what is told of the responses of the run.
    """
    failed = [
        f"failed before: {one.step_name}: {response(one)}: {one.why}"
        for one in found
        if one.verdict is Verdict.FAIL
    ]
    closed = f"{log} is closed" if left.over else f"{log} has no closing line"
    return "\n".join([f"interrupted; {closed}", *_outputs_said(file, left), *failed])


def _outputs_said(file: BenchFile, left: LeftCounter) -> list[str]:
    lines = left_lines(file, left)
    if left.safe or left.never_driven:
        return [f"outputs: {line}" for line in lines]
    return ["OUTPUTS MAY NOT BE SAFE", *lines]


def _all_well(left: LeftCounter) -> str:
    """Return the one line for outputs that are all where they belong; empty where that is not said of all."""
    if left.never_driven:
        return "none was driven, the bench was not opened"
    if not left.safe:
        return ""
    ends = [one for one in left.outputs.values() if not one.found and one.last != "moved"]
    settings = [one for one in left.outputs.values() if one.found]
    said = [f"all in their safe state ({_proofs(ends)})"] if ends else []
    changed = [one for one in settings if one.state != one.found]
    if settings and not changed:
        said.append("settings as they were found")
    said += [f"{one.name} left at {one.state}, found at {one.found}" for one in changed]
    open_ended = [one for one in left.outputs.values() if not one.found and one.last == "moved"]
    said += [f"{one.name} left at {one.state}, no safe level is declared" for one in open_ended]
    return "; ".join([*said, "vents may still move: the unit goes on by itself"])


def _proofs(outputs: Collection[OutputLeft]) -> str:
    read_back = sum(one.read_back for one in outputs)
    if read_back in {0, len(outputs)}:
        return "read back" if read_back else "commanded, not read back"
    return f"{read_back} read back, {len(outputs) - read_back} only commanded"


def _not_well(file: BenchFile | None, left: LeftCounter) -> Iterator[str]:
    """Yield a line for each output that was moved and is not back for certain, then one for those never moved."""
    unmoved = []
    for one in left.outputs.values():
        if one.last == "moved" or (one.found and one.trouble):
            yield f"{_state(one)}{_why(one)}: {_may_move(file, one.name)}{_guard(file, one.name)}"
        elif one.trouble or one.last == "open":
            unmoved.append(f"{one.name} {one.state}")
    if unmoved:
        yield f"commanded before, present state not confirmed: {', '.join(unmoved)}"


def _state(one: OutputLeft) -> str:
    state = one.state or "an unknown state"
    return f"{one.name} left at {state}, found at {one.found}" if one.found else f"{one.name} left {state}"


def _why(one: OutputLeft) -> str:
    return f" ({one.trouble.removeprefix(f'output {one.name}: ')})" if one.trouble else ""


def _may_move(file: BenchFile | None, name: str) -> str:
    """Return what may keep moving, by the hook-up of the output where it has one."""
    hookup = file.outputs[name].hookup if file is not None and name in file.outputs else None
    moving = [s for s in hookup.answers if file.traits(s).unit == "%"] if file is not None and hookup else []
    return f"{', '.join(moving) or 'vents'} may keep moving"


def _guard(file: BenchFile | None, name: str) -> str:
    for board, spec in (file.boards if file is not None else {}).items():
        if file is not None and name in file.outputs_on(board):
            return f"; board {board} makes it safe by itself {spec.goes_safe_after:g} s after it was fed last"
    return ""
