"""How long a self-check takes, from its bench file alone (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ventproof_bench.benchfile.model import ContactOutput

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ventproof_bench.benchfile.hookup import HookUp
    from ventproof_bench.benchfile.model import BenchFile


_LISTENS_S: Final = 3.0  # these as the procedure has them
_LISTENS_POLLS: Final = 20
_PULSED_S: Final = 3.0
_EDGES: Final = 6
_SHOWN_S: Final = 1.0
_PATIENCE_S: Final = 0.5
_SPOILED_S: Final = 15.0


def about_s(file: BenchFile, *, whole: bool) -> float:
    """Return about how long a check takes, seconds; what fails or is not there shortens it.

    Args:
        file: the bench.
        whole: whether the bench is measured as well, and not the hook-up alone.
    """
    return sum(_hookups(file)) + sum(_switches(file)) + (sum(_measuring(file)) if whole else 0.0)


def _hookups(file: BenchFile) -> Iterator[float]:
    for output in file.outputs.values():
        if output.hookup is not None:
            yield _exercise(output.hookup)


def _switches(file: BenchFile) -> Iterator[float]:
    for vent in file.vents.values():
        if vent.plays is not None and vent.plays.spoiled:
            yield 2 * _SPOILED_S


def _exercise(hookup: HookUp) -> float:
    """Return how long an output is exercised: it settles, is driven, and its wire is broken where that is asked for."""
    return hookup.settles + hookup.within * (2 if hookup.broken else 1)


def _measuring(file: BenchFile) -> Iterator[float]:
    polls_s = [file.buses[signal.bus].poll_every for signal in file.registers.values()]
    yield max(_LISTENS_S, _LISTENS_POLLS * max(polls_s, default=0.0))
    for name, output in file.outputs.items():
        if (
            isinstance(output, ContactOutput)
            and output.selfcheck == "pulse"
            and name not in file.played_outputs
        ):
            yield _PULSED_S
            if output.feedback is not None:
                yield _EDGES * _PATIENCE_S
            if output.counted_by is not None:
                yield 2 * (_PATIENCE_S + 2 * file.buses[file.registers[output.counted_by].bus].poll_every)
    for vent in file.vents.values():
        if vent.plays is not None:
            yield _SHOWN_S
    for board in file.boards.values():
        yield 2 * board.goes_safe_after
