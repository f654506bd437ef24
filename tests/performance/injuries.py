"""What befalls a command in the middle of its work, in its own process and at a line of its log drawn beforehand.

A process of its own imports everything and forks a command for each line of its standard input. In a fork the one
place that writes lines of logs is wrapped: each line is acknowledged to the campaign once it is written, as a screen
or a follower would be told of it, and after so many of them the injury comes. What nobody can do here is done at the
one place where ventproof would meet it: the wall clock and the suspended time are those that `base.clock` reads, and
a disk that is full for a moment is the file of the log.
"""

from __future__ import annotations

import ctypes
import datetime as dt
import errno
import gc
import io
import json
import os
import re
import resource
import shutil
import signal
import sys
from contextlib import redirect_stderr, redirect_stdout, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

_CAPABILITIES: Final = 0x20080522
_MAY_OVERRIDE: Final = 0b110
"""CAP_DAC_OVERRIDE and CAP_DAC_READ_SEARCH, with which root writes into folders that are read-only."""

_CHAIN: Final = re.compile(rb'"chain":"([0-9a-f]{64})"\}\n\Z')


@dataclass(frozen=True)
class Injury:
    """What befalls a command.

    Attributes:
        kind: one of `INJURIES`; empty: nothing does.
        after: lines of logs that are written before, over all logs.
        amount: how much of it; what it counts depends on the kind.
        folder: of the records.
    """

    kind: str
    after: int
    amount: float
    folder: str


class Lines:
    """Counts the lines that were written, acknowledges each, and lets the injury come.

    Args:
        injury: what comes.
        acknowledged: file descriptor that is told of each line.
    """

    def __init__(self, injury: Injury, acknowledged: int) -> None:
        self._injury = injury
        self._acknowledged = acknowledged
        self._left = injury.after

    def wrap(self) -> None:
        """Take the place of what writes a line."""
        from ventproof.log.write import _Sink  # noqa: PLC0415 - in the fork alone

        write = _Sink.write_line

        def write_line(sink: Any, line: bytes) -> None:
            write(sink, line)
            found = _CHAIN.search(line)
            assert found is not None, "every line carries its digest"
            name = Path(os.fsdecode(sink.file.name)).name
            os.write(self._acknowledged, f"{name} {found[1].decode()}\n".encode())
            self._left -= 1
            if self._left == 0:
                INJURIES[self._injury.kind](self._injury, sink)

        _Sink.write_line = write_line  # type: ignore[method-assign]
        if self._left == 0:
            INJURIES[self._injury.kind](self._injury, None)


def _full_disk(injury: Injury, _: object) -> None:
    """Fill what is left of the disk but for some bytes."""
    left = os.statvfs(injury.folder)
    size = max(0, left.f_bavail * left.f_frsize - int(injury.amount))
    with suppress(OSError), (Path(injury.folder).parent / "filler").open("wb", buffering=0) as filler:
        filler.write(bytes(size))


def _limited_files(injury: Injury, _: object) -> None:
    """Let no file grow longer than it may, as a quota does."""
    here = max((path.stat().st_size for path in Path(injury.folder).glob("*.jsonl")), default=0)
    resource.setrlimit(resource.RLIMIT_FSIZE, (here + int(injury.amount), resource.RLIM_INFINITY))


class _FullOnce:
    """A file whose disk is full for one write, of which it takes a part."""

    def __init__(self, file: Any, share: float) -> None:
        self._file, self._share = file, share

    def write(self, line: bytes) -> int:
        taken = int(len(line) * self._share)
        if self._share >= 0 and taken:
            self._file.write(line[:taken])
        share, self._share = self._share, -1.0
        if share >= 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return int(self._file.write(line))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


def _full_for_a_moment(injury: Injury, sink: Any) -> None:
    if sink is not None:
        sink.file = _FullOnce(sink.file, injury.amount % 1)


def _read_only(injury: Injury, _: object) -> None:
    """Let nobody write into the folder, not even root in this process."""
    libc = ctypes.CDLL(None, use_errno=True)
    header, sets = (ctypes.c_uint32 * 2)(_CAPABILITIES, 0), (ctypes.c_uint32 * 6)()
    assert libc.capget(header, sets) == 0
    sets[0] &= ~_MAY_OVERRIDE
    assert libc.capset(header, sets) == 0
    Path(injury.folder).chmod(0o555)


def _removed(injury: Injury, _: object) -> None:
    shutil.rmtree(injury.folder, ignore_errors=True)


def _moved(injury: Injury, _: object) -> None:
    with suppress(OSError):
        Path(injury.folder).rename(f"{injury.folder}-moved")


def _few_descriptors(injury: Injury, _: object) -> None:
    _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (3 + int(injury.amount), most))


def _clock_jumps(injury: Injury, _: object) -> None:
    from ventproof_bench.base import clock  # noqa: PLC0415 - as above

    class Jumped(dt.datetime):
        @classmethod
        def now(cls, tz: dt.tzinfo | None = None) -> Any:
            return dt.datetime.now(tz) + dt.timedelta(seconds=injury.amount)

    clock.datetime = Jumped  # type: ignore[misc]


def _asleep(injury: Injury, _: object) -> None:
    from ventproof_bench.base import clock  # noqa: PLC0415 - as above

    told = clock._suspended_s
    clock._suspended_s = lambda: told() + abs(injury.amount)


def _screen_full(_: Injury, __: object) -> None:
    """Let nothing more be said: output goes to a file on a full disk."""
    os.dup2(os.open("/dev/full", os.O_WRONLY), 1)


def _killed(_: Injury, __: object) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


INJURIES: Final = {
    "": lambda *_: None,
    "full disk": _full_disk,
    "limited files": _limited_files,
    "full for a moment": _full_for_a_moment,
    "folder read-only": _read_only,
    "folder removed": _removed,
    "folder moved": _moved,
    "few descriptors": _few_descriptors,
    "clock jumps": _clock_jumps,
    "computer asleep": _asleep,
    "screen full": _screen_full,
    "killed": _killed,
}


def _child(told: dict[str, Any]) -> None:
    """Be a command that is injured; never returns."""
    os.setpgid(0, 0)
    out = os.open(told["said"], os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o666)
    for number in (1, 2):
        os.dup2(out, number)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    injury = Injury(**told["injury"])
    acknowledged = os.open(told["acknowledged"], os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o666)
    os.chdir(told["folder"])
    Lines(injury, acknowledged).wrap()
    from ventproof.cli import main  # noqa: PLC0415 - imported before the fork

    sys.argv = ["ventproof", *told["words"]]
    try:
        main()
    except SystemExit as ended:
        if injury.kind == "screen full":
            raise  # Python's own end writes, too
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(int(ended.code or 0))  # which takes half a second less than taking a fork apart


def fork_injured() -> None:
    """Fork a command for each line of standard input; print its number, and at its end its exit code.

    A line with `warm` is done here, without injury: what it imports, every fork after it has.
    """
    for line in sys.stdin:
        told = json.loads(line)
        if told.get("warm"):
            _warm(told)
            continue
        gc.freeze()  # else each fork goes through what all share
        pid = os.fork()
        if pid == 0:
            _child(told)
        print(pid, flush=True)
        _, status = os.waitpid(pid, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


def _warm(told: dict[str, Any]) -> None:
    from ventproof.cli import main  # noqa: PLC0415 - slow

    sys.argv = ["ventproof", *told["words"]]
    before = Path.cwd()
    os.chdir(told["folder"])
    with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()), suppress(SystemExit):
        main()
    os.chdir(before)


if __name__ == "__main__":
    fork_injured()
