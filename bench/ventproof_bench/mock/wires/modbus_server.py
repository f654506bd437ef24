"""The mock's end of a bus, one connection or serial line each: bytes in, replies with delays out (pure)."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from bench.mock.frames import Deframer, Frame, Framing, encode
from bench.mock.pdu import answer, exception_reply
from bench.mock.registers import SilentError

if TYPE_CHECKING:
    from bench.mock.registers import RegisterBank

_BROADCAST: Final = 0


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What a trouble maker is shown of a request: how many came before it, for whom, and its PDU."""

    number: int
    unit_id: int
    pdu: bytes


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """What goes wrong with one reply. The request is carried out unless `exception` or `cut` is given.

    Attributes:
        late_s: the reply, and whatever is queued behind it, comes this much later.
        silent: no reply.
        exception: refuse with this Modbus exception code.
        cut: lose the connection on this request.
        before: noise sent in front of the reply.
        after: noise sent behind the reply.
        corrupt: flip a bit in the reply's last byte: a bad check on serial lines, a wrong value on TCP.
        transaction_shift: added to the transaction identifier of a TCP reply.
        pdu: sent in place of the reply's PDU.
    """

    late_s: float = 0.0
    silent: bool = False
    exception: int | None = None
    cut: bool = False
    before: bytes = b""
    after: bytes = b""
    corrupt: bool = False
    transaction_shift: int = 0
    pdu: bytes | None = None


TroubleMaker = Callable[[Request], Trouble | None]
"""Decides what goes wrong with the reply to a request; None for nothing."""


@final
class Responder:
    """Answers requests to its devices as a unit does: one after another, each after a while.

    Implements `bench.interfaces.Peer`. Requests for other devices, and for devices without supply, are left
    alone, bad frames are skipped, and a broadcast on a serial line is carried out by every device and answered
    by none.

    Args:
        framing: which frames are spoken.
        devices: register bank of each unit identifier.
        reply_after_s: how long an answer takes.
        jitter_s: answers take up to this much longer, by the seed.
        seed: of the jitter.
        local_echo: the line gives the asker its own bytes back first, as some two-wire adapters do.
        trouble: what goes wrong with which reply.
    """

    def __init__(
        self,
        framing: Framing,
        devices: Mapping[int, RegisterBank],
        *,
        reply_after_s: float = 0.0,
        jitter_s: float = 0.0,
        seed: int = 0,
        local_echo: bool = False,
        trouble: TroubleMaker | None = None,
    ) -> None:
        self._framing = framing
        self._devices = devices
        self._reply_after_s = reply_after_s
        self._jitter_s = jitter_s
        self._random = random.Random(seed)  # noqa: S311 - a repeatable jitter, not a secret
        self._local_echo = local_echo
        self._trouble = trouble
        self._deframer = Deframer(framing)
        self._requests = 0
        self._free_s = 0.0  # when the last reply in the queue is out

    def exchange(self, data: bytes, now_s: float) -> Sequence[tuple[float, bytes]]:
        """Take bytes at loop time `now_s`; return `(delay_s, bytes)` of the replies they cause, in order.

        The devices act at `now_s`, which lies between request and reply.

        Raises:
            ConnectionResetError: a scripted trouble cuts the connection.
        """
        out = [(0.0, data)] if self._local_echo else []
        for frame in self._deframer.feed(data, now_s):
            reply = self._reply(frame, now_s)
            if reply is not None:
                out.append(reply)
        return out

    def _reply(self, frame: Frame, now_s: float) -> tuple[float, bytes] | None:
        if frame.unit_id == _BROADCAST and self._framing != "tcp":
            for listener in self._devices.values():
                with suppress(SilentError):
                    answer(frame.pdu, listener, now_s)
            return None
        bank = self._devices.get(frame.unit_id)
        if bank is None:
            return None
        trouble = None
        if self._trouble is not None:
            trouble = self._trouble(Request(number=self._requests, unit_id=frame.unit_id, pdu=frame.pdu))
        self._requests += 1
        if trouble is not None and trouble.exception is not None:
            pdu = exception_reply(frame.pdu[0], trouble.exception)
        elif trouble is not None and trouble.cut:
            raise ConnectionResetError("the mock unit cut the connection")
        else:
            try:
                pdu = answer(frame.pdu, bank, now_s)
            except SilentError:
                return None
        due_s = max(now_s, self._free_s) + self._reply_after_s + self._random.random() * self._jitter_s
        if trouble is None:
            self._free_s = due_s
            return due_s - now_s, encode(self._framing, Frame(frame.unit_id, pdu, frame.transaction))
        due_s += trouble.late_s
        self._free_s = due_s
        if trouble.silent:
            return None
        return due_s - now_s, self._spoil(trouble, Frame(frame.unit_id, pdu, frame.transaction))

    def _spoil(self, trouble: Trouble, frame: Frame) -> bytes:
        pdu = frame.pdu if trouble.pdu is None else trouble.pdu
        wire = bytearray(
            encode(
                self._framing,
                Frame(frame.unit_id, pdu, frame.transaction + trouble.transaction_shift & 0xFFFF),
            )
        )
        if trouble.corrupt:
            wire[-3 if self._framing == "ascii" else -1] ^= 1
        return trouble.before + bytes(wire) + trouble.after
