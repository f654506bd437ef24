"""What the page was told so far: the newest pieces as they came, and all of it together for who comes late."""

from __future__ import annotations

import asyncio
from collections import deque
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Final, final

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from ventproof.page.follow import Ident
    from ventproof.page.signals import Json


_KEPT: Final = 3000
"""Pieces of news that are kept as they came: five minutes of a run, and who was away longer gets all of it together."""

_DRAWN_S: Final = 150.0
"""Log time that readings are drawn for."""

_HAPPENED, _RUNS, _QUIET_S = 60, 200, 2.0

_REPLACED: Final = ("t", "step", "demands", "safe", "unsafe", "end", "part", "progress", "over")


@final
class Whole:
    """Everything that a page shows now, as one piece of news; the script of the page puts it together likewise."""

    def __init__(self) -> None:
        self.shown: Json = {"reset": True, "verdicts": []}

    def take(self, news: Json) -> None:
        """Take the next piece."""
        shown = self.shown
        if "run" in news:
            for key in (*_REPLACED[:6], "now", "readings", "happened", "prompts"):
                shown.pop(key, None)
            shown["run"] = news["run"]
            shown["verdicts"].append(
                {"title": news["run"]["title"], "findings": [], "verdict": "", "why": ""}
            )
            del shown["verdicts"][:-_RUNS]
        shown |= {key: news[key] for key in _REPLACED if key in news}
        shown["now"] = shown.get("now", {}) | news.get("now", {})
        self._read(news.get("readings", {}))
        prompts = shown.get("prompts", {}) | news.get("prompts", {})
        over = map(str, news.get("answered", []))
        shown["prompts"] = {} if "end" in news else {n: prompts[n] for n in prompts.keys() - set(over)}
        shown["happened"] = [*shown.get("happened", []), *news.get("happened", [])][-_HAPPENED:]
        if shown["verdicts"]:
            run = shown["verdicts"][-1]
            run["findings"] += news.get("findings", [])
            run |= news.get("end", {})

    def _read(self, fresh: dict[str, list[Any]]) -> None:
        readings = self.shown.setdefault("readings", {})
        for name, points in fresh.items():
            kept = readings.setdefault(name, [])
            kept += points
            while kept[0][0] < kept[-1][0] - _DRAWN_S:
                del kept[: max(1, len(kept) // 20)]


@final
class Batches:
    """What every page is told, in order."""

    def __init__(self) -> None:
        self._whole = Whole()
        self._kept: deque[tuple[Ident, Json]] = deque(maxlen=_KEPT)
        self._forgot: Ident = (0, 0)  # the newest that is kept no longer
        self._changed = asyncio.Event()
        self._over = False

    def add(self, ident: Ident, news: Json) -> None:
        """Take a piece of news; all that wait for it are told."""
        if not news:
            return
        if len(self._kept) == _KEPT:
            self._forgot = self._kept[0][0]
        self._kept.append((ident, news))
        self._whole.take(news)
        self._wake()

    def end(self) -> None:
        """Let go of all that wait: nothing more will come."""
        self._over = True
        self._wake()

    def _wake(self) -> None:
        changed, self._changed = self._changed, asyncio.Event()
        changed.set()

    async def after(self, last: Ident | None) -> AsyncIterator[tuple[Ident, Json] | None]:
        """Yield what came after a place, and what comes from now on; None now and then, while nothing does.

        Args:
            last: the place that a page has come to; None, or long ago: it begins with all of it together.
        """
        newest = self._kept[-1][0] if self._kept else (0, 0)
        if last is None or not self._forgot <= last <= newest:
            last = newest
            yield last, self._whole.shown
        while True:
            changed = self._changed
            for ident, news in [one for one in self._kept if one[0] > last]:
                last = ident
                yield ident, news
            if changed.is_set():
                continue
            if self._over:
                return
            with suppress(TimeoutError):
                async with asyncio.timeout(_QUIET_S):
                    await changed.wait()
                continue
            yield None
