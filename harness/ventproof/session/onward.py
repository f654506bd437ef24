"""Whether a suite goes on: what must be there before a run, and which aborted run ends the runs after it too.

A bench is there for one command of a computer at a time, from its first run to its last.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from itertools import takewhile
from threading import Event
from typing import TYPE_CHECKING, Final

from ventproof_bench.base.clock import Stopwatch, now_s, run, sleep_until
from ventproof_bench.base.errors import AbortKind, FileError, InterlockError, LinkError, RecordError
from ventproof_bench.rig.ports import PortHold, ports_of
from ventproof_bench.rig.probing import probe

if TYPE_CHECKING:
    from ventproof.run.engine import Outcome
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.rig.probing import Lack
    from ventproof_bench.yamlfile.load import Loaded


IN_A_ROW: Final = 3
"""So many aborted runs, one after the other, are no hiccup."""

BACK_WITHIN_S: Final = 60.0
"""A bench that was lost has so long to come back; our own judgement, no source."""

_LOOK_AGAIN_S: Final = 2.0
_ASK_AGAIN_S: Final = 0.25


def why_ended(outcomes: Sequence[Outcome]) -> str:
    """Return why no further run may follow on these, in order; empty where one may.

    A run that was aborted ends itself alone: its outputs are safe, and the next one waits for the known state. It ends
    all where nobody may go on without a person: outputs may be driven, the interlock opened, the operator stopped it,
    ventproof itself failed, or no record can be written. So do `IN_A_ROW` of them, one after the other.
    """
    aborted = list(takewhile(lambda one: one.verdict is None, reversed(outcomes)))
    if not aborted:
        return ""
    last = aborted[0]
    opened = isinstance(last.cause, InterlockError) and not last.cause.unread
    alone = last.abort is not None and last.abort.kind is AbortKind.BENCH and not last.unsafe
    if not alone or opened or isinstance(last.cause, RecordError):
        return last.aborted
    if len(aborted) >= IN_A_ROW:
        return f"{len(aborted)} runs in a row were aborted, the last one because {last.aborted}"
    return ""


@contextmanager
def reserved(bench: Loaded[BenchFile], doing: str, *, within_s: float = 0.0) -> Iterator[None]:
    """Keep all other commands of this computer off a bench; nothing to do in virtual time.

    Args:
        bench: the bench.
        doing: what is done with it, for whoever comes second.
        within_s: another that has it is given so long to end.

    Raises:
        FileError: another has it.
    """
    watch, wait = Stopwatch(), Event()
    with ExitStack() as stack:
        for port in sorted(ports_of(bench.model), key=lambda port: port.name):
            hold = PortHold((port.name,), doing, port.said)
            stack.callback(hold.release)
            while trouble := _trouble(hold):
                if watch.gone_s() >= within_s:
                    raise FileError([bench.problem(port.place, trouble)])
                wait.wait(_ASK_AGAIN_S)
        yield


def _trouble(hold: PortHold) -> str:
    try:
        hold.take()
    except LinkError as error:
        return str(error)
    return ""


def probed(bench: Loaded[BenchFile]) -> None:
    """Look whether a bench is there before anything is driven; nothing to do in virtual time.

    Raises:
        FileError: a port, a host or a unit is not there, each with what mends that.
    """
    if bench.model.virtual:
        return
    if lacks := run(probe(bench.model), virtual=False):
        raise FileError(bench.problem(one.place, one.reason, one.hint) for one in lacks)


def await_bench(bench: Loaded[BenchFile]) -> None:
    """Wait until a bench is there again after an aborted run; nothing to do in virtual time.

    Raises:
        LinkError: it is not, within `BACK_WITHIN_S`.
    """
    if not bench.model.virtual and (lacks := run(_there_again(bench.model), virtual=False)):
        missing = "; ".join(one.reason for one in lacks)
        raise LinkError(f"the bench did not come back within {BACK_WITHIN_S:g} s: {missing}")


async def _there_again(file: BenchFile) -> list[Lack]:
    give_up_s = now_s() + BACK_WITHIN_S
    while (lacks := await probe(file)) and now_s() < give_up_s:
        await sleep_until(now_s() + _LOOK_AGAIN_S)
    return lacks
