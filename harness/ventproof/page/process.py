"""The command's side of the live page: starts the process that serves it, feeds it, and hears what guests want.

The command never waits for that process. What it tells stands in a file; what comes back is taken by a thread. A page
that stalls or dies costs the command nothing.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Self, final

from ventproof.page.keys import LOOPBACK, Address, new_key, open_socket
from ventproof_bench.base.errors import FileError, Problem

if TYPE_CHECKING:
    from asyncio import AbstractEventLoop
    from ipaddress import IPv4Address, IPv6Address

    from ventproof.run.prompts import Prompts
    from ventproof_bench.base.asking import Prompt


_READY_WITHIN_S: Final = 30.0  # a loaded machine imports slowly
_LEAVE_WITHIN_S: Final = 3.0


@final
class LivePage:
    """The live page of one command; a context that ends with the command.

    Args:
        ip: address of this computer to serve it at.
        port: TCP port; 0: any that is free.
        cert: file with a certificate and its key, to speak TLS; None: plain HTTP.
        people: of the bench, as its file names them: guests say for which of them they answer.
        said: told what the operator at the terminal should know of the page.

    Raises:
        FileError: the address cannot be opened.
    """

    def __init__(
        self,
        ip: IPv4Address | IPv6Address = LOOPBACK,
        port: int = 0,
        cert: Path | None = None,
        *,
        people: Sequence[str] = (),
        said: Callable[[str], None] = lambda _: None,
    ) -> None:
        self._socket = open_socket(ip, port, "--listen")
        self._cert, self._people, self._said = cert, people, said
        self._key = new_key()
        self.address = Address(ip, self._socket.getsockname()[1], cert is not None)
        self._desk: tuple[Prompts, AbstractEventLoop] | None = None
        self._folder = tempfile.TemporaryDirectory(prefix="ventproof-page-")
        self._feed = (Path(self._folder.name) / "feed.jsonl").open("ab", buffering=0)
        self._stderr = Path(self._folder.name) / "stderr"
        self._ready = threading.Event()
        self._leaving = False
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        """Where the page is opened, once, with its key."""
        return self.address.opened_by(self._key)

    def __enter__(self) -> Self:
        """Start the process and wait until it answers.

        Raises:
            FileError: it does not come up.
        """
        with self._stderr.open("wb") as stderr:
            self._process = process = subprocess.Popen(
                [sys.executable, "-m", "ventproof.page.serve"],
                pass_fds=[self._socket.fileno()],
                start_new_session=True,  # Ctrl-C is the command's: the page shows how it ended
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=stderr,
                env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
            )
        told = {
            "socket": self._socket.fileno(),
            "cert": None if self._cert is None else str(self._cert),
            "key": self._key,
            "people": list(self._people),
            "feed": self._feed.name,
        }
        assert process.stdin is not None, "it is a pipe"
        with suppress(BrokenPipeError):
            process.stdin.write(json.dumps(told).encode() + b"\n")
            process.stdin.flush()
        threading.Thread(target=self._listen, name="page", daemon=True).start()
        self._ready.wait(_READY_WITHIN_S)
        self._socket.close()  # it is the process's now, and dies with it
        if process.poll() is not None or not self._ready.is_set():
            said = self._stderr.read_text(encoding="utf-8", errors="replace").strip().splitlines()
            self.__exit__()
            why = f": {said[-1]}" if said else f" within {_READY_WITHIN_S:g} s"
            raise FileError([Problem("--page", None, None, f"the page's process did not start{why}")])
        return self

    def __exit__(self, *_: object) -> None:
        """Let the page show the end, and go."""
        self._leaving = True
        process = self._process
        if process is not None and process.stdin is not None:
            with suppress(BrokenPipeError):
                process.stdin.close()
            try:
                process.wait(_LEAVE_WITHIN_S)
            except subprocess.TimeoutExpired:  # it hangs, or a phone does
                process.kill()
                process.wait()
        self._feed.close()
        self._folder.cleanup()

    def tell(self, **message: Any) -> None:  # noqa: ANN401 - whatever JSON takes
        """Tell the page something; what goes wrong there is the page's loss alone."""
        with suppress(OSError, ValueError):
            self._feed.write(json.dumps(message).encode() + b"\n")

    def opened(self, log: Path) -> None:
        """Have the page follow a log that was just created."""
        self.tell(log=str(log.absolute()))

    def _listen(self) -> None:
        """Take what guests want, in a thread of its own."""
        process = self._process
        assert process is not None
        assert process.stdout is not None
        for line in process.stdout:
            with suppress(ValueError, KeyError, TypeError):
                self._take(json.loads(line))
        self._ready.set()  # whoever waits for it looks whether it lives
        if not self._leaving:
            self._said("The page is gone; the command goes on without it.")

    def _take(self, message: dict[str, Any]) -> None:
        if "ready" in message:
            self._ready.set()
        elif "entered" in message:
            self._said(f"The page was opened by {message['entered']}.")
        elif "stop" in message and not self._leaving:
            self._said(f"Stopped from the page by {message['who']}.")
            # As if Ctrl-C were pressed here: there is one way out, and it makes the outputs safe.
            signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGINT)
        elif "answer" in message and (desk := self._desk) is not None:
            prompts, loop = desk
            answer = int(message["answer"]), str(message["text"]), str(message["who"])
            with suppress(RuntimeError):  # the run has just ended
                loop.call_soon_threadsafe(self._answer, prompts, *answer)

    # a desk where people see prompts and answer them: prompts are learnt from the log

    def begin(self, prompts: Prompts) -> None:
        """Hand answers on to these, on the running loop."""
        self._desk = prompts, asyncio.get_running_loop()

    def show(self, number: int, prompt: Prompt) -> None:
        """Nothing: it stands in the log."""

    def over(self, number: int) -> None:
        """Nothing: likewise."""

    def end(self) -> None:
        """Hand no answer on any more."""
        self._desk = None

    def _answer(self, prompts: Prompts, number: int, text: str, who: str) -> None:
        refused = prompts.answer(number, text, who)
        if refused is not None:
            self.tell(refused={"prompt": number, "who": who, "why": refused})
