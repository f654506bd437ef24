"""The process that makes one real run: it passes the fence, runs, and says what is left. `work` starts it."""

from __future__ import annotations

import json
import os
import pickle
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Final

from ventproof.campaign.fence import LOCKED_WITHIN_S, Fence, Passed
from ventproof.run.view import SilentView
from ventproof.session.onward import await_bench, reserved, why_ended
from ventproof_bench.base.errors import VentproofError
from ventproof_bench.base.files import write_whole
from ventproof_bench.base.interrupts import listen

if TYPE_CHECKING:
    from ventproof.campaign.work import Errand
    from ventproof.log.write import RecordLog


_STOPPED: Final = "nothing was switched: it was stopped before it began"


def main() -> None:
    """Make the run that standard input tells of, and write what it left."""
    listen()
    errand: Errand = pickle.load(sys.stdin.buffer)  # noqa: S301 - from the process that started this one
    Thread(target=_end_with_parent, daemon=True).start()
    try:
        passed = _made(errand)
    except KeyboardInterrupt:
        passed = Fence(errand.bench.state).left(errand.job.token) or Passed(None, _STOPPED)
    except VentproofError as error:
        passed = Passed(None, f"nothing was switched: {error}")
    log = str(passed.log) if passed.log else ""
    write_whole(errand.answer, json.dumps({"log": log, "why": passed.why, "lost": passed.lost}))


def _made(errand: Errand) -> Passed:
    job, bench = errand.job, errand.bench
    fence = Fence(bench.state)

    def run(begun: Callable[[Path], None]) -> None:
        def opened(log: RecordLog) -> None:
            begun(log.path)

        await_bench(job.bench)
        session = job.session(bench.out, bench.ledger)
        result = session.run(job.profile, SilentView(), job.place, opened=opened)
        aborted = fence.counted(aborted=result.outcome.verdict is None)
        if why := why_ended([result.outcome] * aborted):
            fence.put_out_of_use(why)

    doing = f"campaign run {job.place.run} of {job.place.plan.runs}, {job.profile.model.profile!r}"
    with fence.locked(), reserved(job.bench, doing, within_s=LOCKED_WITHIN_S):
        return fence.passed(job.token, run)


def _end_with_parent() -> None:
    """End this run, outputs safe, when the process that asked for it is gone: nothing more is ever sent."""
    os.read(sys.stdin.fileno(), 1)  # without a lock, which would keep the process from ending
    os.kill(os.getpid(), signal.SIGTERM)


if __name__ == "__main__":
    main()
