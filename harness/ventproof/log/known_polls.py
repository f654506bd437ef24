"""Polls that read what a poll before read: of their lines only the times are taken, and not decoded anew (pure).

Nearly all of a log are polls, and most of them read the same registers with the same words. `encode.PollText` writes
such a line with the text of the one before; here its text is believed to mean what it meant there.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final, final

from ventproof.log.decode import LATEST_S
from ventproof.log.encode import fields_of, to_json
from ventproof.log.events import PollSeen

if TYPE_CHECKING:
    from ventproof.log.events import Event
    from ventproof_bench.base.evidence import Poll


_NUMBER: Final = rb"(-?(?:0|[1-9][0-9]{0,15})(?:\.[0-9]{1,20})?)"
_LINE: Final = re.compile(
    rb'\{"seq":(0|[1-9][0-9]{0,15}),"t":'
    + _NUMBER
    + rb',("event":"poll","bus":"[^"\\]*"),"from":'
    + _NUMBER
    + rb',"to":'
    + _NUMBER
    + rb",(.*)\}",
    re.DOTALL,
)
_MOST: Final = 16


@final
class KnownPolls:
    """The polls of a log that were decoded last, by the text of their lines without the times."""

    def __init__(self) -> None:
        self._known: dict[tuple[bytes, bytes], Poll | None] = {}  # None: it came once

    def event(self, body: bytes, seq: int) -> PollSeen | None:
        """Return the event of a line whose text is known; None: it has to be decoded.

        Args:
            body: the line's JSON object, without its digest.
            seq: the number that it must have.
        """
        match = _LINE.fullmatch(body)
        if match is None:
            return None
        poll = self._known.get((match[3], match[6]))
        if poll is None or int(match[1]) != seq:
            return None
        t_s, from_s, to_s = (float(match[group]) for group in (2, 4, 5))
        if not (-LATEST_S <= t_s <= LATEST_S and -LATEST_S <= from_s <= to_s <= LATEST_S):
            return None
        return PollSeen(t_s, poll._replace(requested_s=from_s, replied_s=to_s))

    def learn(self, body: bytes, event: Event) -> None:
        """Know the text of a line from now on, if it comes for the second time and ventproof writes the event so.

        Args:
            body: the line's JSON object, without its digest.
            event: that it was decoded to.
        """
        match = _LINE.fullmatch(body) if isinstance(event, PollSeen) else None
        if match is None or not isinstance(event, PollSeen):
            return
        text = match[3], match[6]
        if text not in self._known:
            if len(self._known) >= _MOST:
                self._known.clear()
            self._known[text] = None
            return
        fields = {"seq": int(match[1]), "t": event.t_s, "event": event.name, **fields_of(event)}
        if to_json(fields) == body.decode():
            self._known[text] = event.poll
