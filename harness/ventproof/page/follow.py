"""Follows a command from outside: the feed that it writes for the page, and the log of the run that goes on."""

from __future__ import annotations

import json
from collections import deque
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self, final

from ventproof.log.decode import LineError, event_of
from ventproof.log.events import CheckBegin, OtherEvent, RunBegin
from ventproof.log.read import Tail
from ventproof.page.check_shown import ShownCheck
from ventproof.page.run_shown import ShownRun
from ventproof_bench.base.errors import VentproofError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ventproof.log.events import Event
    from ventproof.page.signals import Json


Ident = tuple[int, int]
"""Where in a command something stands: line of the feed, from 1, and `seq` in the log that this line began."""


@final
class CommandFollower:
    """Makes what the page shows from the feed of a command and the logs that it names.

    Args:
        feed: the file to which the command writes; a context that lets go of it, and of the log.
    """

    def __init__(self, feed: Path) -> None:
        self._feed = Tail(feed)
        self._waiting: deque[bytes] = deque()
        self._line, self._seq = 0, 0
        self._log: Tail | None = None
        self._shown: ShownRun | ShownCheck | None = None
        self._lost = False
        self._longest_s: list[float] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._feed.close()
        if self._log is not None:
            self._log.close()

    def step(self) -> tuple[Ident, Json] | None:
        """Return the next piece of news and where it stands; None when there is nothing new."""
        if news := self._of_log():
            return self._at, news
        if not self._waiting:
            self._waiting.extend(self._feed.lines())
        # What the log holds comes first: the line of the feed may begin the next one.
        if news := self._of_log():
            return self._at, news
        if not self._waiting:
            return None
        self._line, self._seq = self._line + 1, 0
        return self._at, self._told(json.loads(self._waiting.popleft()))

    @property
    def _at(self) -> Ident:
        return self._line, self._seq

    def _told(self, message: dict[str, Any]) -> Json:
        """Take a line of the feed; return what of it the page shows."""
        if "log" in message:
            self._open(message["log"])
            return {}
        if "longest_s" in message:
            self._longest_s = message["longest_s"]
            return {}
        return message

    def _open(self, path: str) -> None:
        if self._log is not None:
            self._log.close()
        self._log, self._shown, self._lost = Tail(Path(path)), None, False

    def _of_log(self) -> Json:
        """Return what the next lines of the log bring; empty when there are no more."""
        while self._log is not None and (lines := self._log.lines()):
            self._seq += len(lines)
            try:
                if news := self._shown_of(lines):
                    return news
            except Exception:  # noqa: BLE001 - a page that cannot show a run can still stop it
                self._shown, self._lost = None, True
                return {
                    "happened": [{"t": 0.0, "text": "this run cannot be shown here; the log has all of it"}]
                }
        return {}

    def _shown_of(self, lines: list[bytes]) -> Json:
        for event in _events(lines):
            if self._shown is None and not self._lost:
                self._shown = self._begun(event)
            if self._shown is not None:
                self._shown.feed(event)
        return {} if self._shown is None else self._shown.news()

    def _begun(self, event: Event) -> ShownRun | ShownCheck | None:
        """Return what shows the log that begins with an event; None where it cannot be shown."""
        try:
            if isinstance(event, RunBegin):
                return ShownRun(event.header, self._longest_s)
            return ShownCheck(event.header) if isinstance(event, CheckBegin) else None
        except VentproofError:
            return None


def _events(lines: list[bytes]) -> Iterator[Event]:
    for line in lines:
        fields = json.loads(line)
        name, t_s = fields["event"], fields["t"]
        try:
            yield event_of(name, t_s, fields)
        except LineError:
            yield OtherEvent(t_s, name, fields)
