"""Ctrl-C, SIGTERM and SIGHUP at any moment: what drives outputs or writes a log is ended in order, all else at once."""

from __future__ import annotations

import signal
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final, NoReturn, final

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


_ENDING: Final = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


@final
class Interruption:
    """What may come while it is held.

    Attributes:
        came: whether it came.
        take: called when it comes, in the main thread between any two of its instructions; nothing while None.
    """

    def __init__(self) -> None:
        self.came = False
        self.take: Callable[[], None] | None = None

    def arrive(self, *_: object) -> None:
        """Take note of a signal; more of the same change nothing."""
        if not self.came:
            self.came = True
            if self.take is not None:
                self.take()


_holding: list[Interruption] = []  # the outermost; what is held within it is held by it
_struck = threading.Event()


def listen() -> None:
    """Have each signal that ends a program interrupt this one as Ctrl-C does, unless it was told to ignore hang-ups."""
    _struck.clear()
    for number in _ENDING:
        if number != signal.SIGHUP or signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, _strike)


def _strike(*_: object) -> NoReturn:
    """Interrupt, and remember it: where a library's own code runs amid an import, Python drops what is raised."""
    _struck.set()
    raise KeyboardInterrupt


def unless_interrupted() -> None:
    """Let what drives outputs or writes a log begin.

    Raises:
        KeyboardInterrupt: an interruption came before, and was dropped.
    """
    if _struck.is_set():
        raise KeyboardInterrupt


def deafen() -> None:
    """Let no such signal end the program any more: it is on its way out."""
    for number in _ENDING:
        signal.signal(number, signal.SIG_IGN)


@contextmanager
def held() -> Iterator[Interruption]:
    """Keep an interruption until all within is done.

    Once it came, the process is on its way out and stays deaf to more of the same.

    Raises:
        KeyboardInterrupt: at the end, if it came and nothing else is raised.
    """
    # Python takes signal handlers in the main thread alone.
    if _holding or threading.current_thread() is not threading.main_thread():
        yield _holding[0] if _holding else Interruption()
        return
    interruption = Interruption()
    _holding.append(interruption)
    handlers = {number: signal.getsignal(number) for number in _ENDING}
    try:
        for number, handler in handlers.items():
            if number != signal.SIGHUP or handler is not signal.SIG_IGN:
                signal.signal(number, interruption.arrive)
        yield interruption
    finally:
        _holding.clear()
        for number, handler in handlers.items():
            signal.signal(number, signal.SIG_IGN if interruption.came else handler)
    if interruption.came:
        raise KeyboardInterrupt
