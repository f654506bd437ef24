"""Settings of the unit as outputs: read before they are written, and put back."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.clock import now_s
from ventproof_bench.base.errors import BenchError, BusFault, DriverError
from ventproof_bench.base.evidence import DrivenOutput, FoundSetting, Window
from ventproof_bench.outputs.lines import Repeats

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from ventproof_bench.base.protocols import SettingDriver
    from ventproof_bench.benchfile.model import RegisterOutput


_READINGS: Final = (
    5  # of which two in a row must agree: a reply too many on a serial line passes for the first
)
_BEFORE: Final = Window(0.0, 0.0)  # of what was not put back yet
_TRIES: Final = 3  # to put back a setting
_AGAIN_S: Final = 0.3


@final
class SettingLine:
    """A setting of the unit with its driver. Nothing is written that could not be put back.

    The lock keeps commands in order: what was asked first is done first, so that putting back comes last.

    Args:
        name: the output's name in the bench file.
        spec: its declaration there.
        driver: reads and writes its registers.
        tell: takes what was found, and what was put back.
        repeats: gives a value again where its reply was lost; None: nobody does.

    Attributes:
        found: its registers as they were found; None until they were read.
        owed: whether a write was tried since, so that it must be put back.

    Raises:
        DriverError: the registers cannot hold what the bench file leaves in them.
    """

    def __init__(
        self,
        name: str,
        spec: RegisterOutput,
        driver: SettingDriver,
        tell: Callable[[FoundSetting | DrivenOutput], None],
        repeats: Repeats | None = None,
    ) -> None:
        self.driver = driver
        self._repeats = repeats or Repeats()
        self.found: tuple[int, ...] | None = None
        self.owed = False
        self._name = name
        self._unit = spec.unit
        self._leaves = driver.coded(spec.leaves.value) if spec.leaves else None
        self._tell = tell
        self._lock = asyncio.Lock()
        self._unread: FoundSetting | None = None
        self._put: tuple[int, ...] | None = None

    def owe(self, found: Sequence[int]) -> None:
        """Take over what another process found, empty where it could not read it, and may have written."""
        self.found, self.owed = tuple(found) or None, True

    async def find(self) -> None:
        """Read it, unless it was read before, and tell what was found."""
        async with self._lock:
            await self._find()

    def tell_unread(self) -> None:
        """Tell why it could not be read, if it could not."""
        if self._unread is not None:
            self._tell(self._unread)

    async def put(self, value: float) -> Window:
        """Write a value and read it back.

        Raises:
            DriverError: it was not written for certain; or nothing was written, since what is there cannot be read, or
                the value is out of range.
        """
        words = self.driver.coded(value)
        async with self._lock:
            await self._find()
            if self._unread is not None and self._leaves is None:
                raise DriverError(
                    f"output {self._name}: nothing is written there, for it cannot be read and so not be put back: "
                    f"{self._unread.trouble}; a value to leave there can be stated in the bench file, as `leaves:`"
                )
            self.owed, self._put = True, tuple(words)
            return await self._repeats.give(partial(self.driver.write, words), self.driver, value)

    async def changed(self) -> str:
        """Read it, and return what it holds in place of what was written last; empty where it holds that.

        Raises:
            BenchError: no reply, or no two that agree.
        """
        async with self._lock:
            if self._put is None or not self.owed:
                return ""
            words = await self._read()
            if words == self._put:
                return ""
            return f"output {self._name} holds {self._value(words)}, and {self._value(self._put)} was written"

    async def put_back(self, give_up_s: float) -> None:
        """Put back what was found, or what the bench file says instead, and read it back; only what is owed.

        Args:
            give_up_s: loop time until which a unit that does not take it is tried again: it may be booting.

        Raises:
            DriverError: nothing proves that it is there again.
        """
        self._repeats.safer += 1
        async with self._lock:
            words = self._leaves or self.found
            if not self.owed or words is None:
                return
            tries = 1
            while True:
                try:
                    await self.driver.open()  # over a bus that was lost since
                    window = await self.driver.write(words)
                    break
                except BenchError as error:
                    if tries >= _TRIES and now_s() + _AGAIN_S > give_up_s:
                        self._tell(
                            replace(self._back(words), window=Window(now_s(), now_s()), trouble=str(error))
                        )
                        raise DriverError(f"{self._said(words)} could not be put back: {error}") from error
                tries += 1
                await asyncio.sleep(_AGAIN_S)
            self.owed = False
            self._tell(replace(self._back(words), window=window, read_back=True))

    def _back(self, words: tuple[int, ...]) -> DrivenOutput:
        value = self.driver.value(words)
        return DrivenOutput(self._name, "restore", _BEFORE, words=words, value=value, unit=self._unit)

    def _said(self, words: Sequence[int]) -> str:
        return f"output {self._name}: {self._value(words)}"

    def _value(self, words: Sequence[int]) -> str:
        value = self.driver.value(words)
        return str(list(words)) if value is None else f"{value:g} {self._unit}"

    async def _find(self) -> None:
        if self.found is not None:
            return
        begun_s = now_s()
        try:
            self.found = await self._read()
        except BenchError as error:
            self._unread = FoundSetting(self._name, self._unit, Window(begun_s, now_s()), trouble=str(error))
        else:
            self._unread = None
            window, value = Window(begun_s, now_s()), self.driver.value(self.found)
            self._tell(FoundSetting(self._name, self._unit, window, self.found, value))

    async def _read(self) -> tuple[int, ...]:
        """Read until two readings in a row agree.

        Raises:
            BenchError: no reply at all, or no two that agree.
        """
        before: tuple[int, ...] | None = None
        silent, trouble = False, DriverError("no two readings in a row agree")
        for _ in range(_READINGS):
            try:
                words = (await self.driver.read()).words
            except BusFault as fault:
                if fault.kind == "disconnected" or (fault.kind == "timeout" and silent):
                    raise
                silent |= (
                    fault.kind == "timeout"
                )  # one reply may be lost; a unit that is not there never answers
                before, trouble = None, DriverError(str(fault))
                continue
            if words == before:
                return words
            before = words
        raise trouble
