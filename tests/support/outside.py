"""Vents that stand outside the mock unit, played by its I/O module as a bench would play them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal, final

from ventproof_bench.mock.io_module import MODULE_ID, devices_of
from ventproof_bench.mock.registers import SilentError
from ventproof_bench.mock.settings import MockSettings
from ventproof_bench.mock.unit import MockUnit, build
from ventproof_bench.plant.vent import Condition, Vent, VentTravel

Feedback = Literal["none", "end-switches", "potentiometer"]

START_S: Final = 1000.0
STEP_S: Final = 0.1
TRAVEL: Final = VentTravel(open_s=30.0, close_s=28.0, dead_time_s=0.4, coast_s=0.2, play_percent=0.5)
"""The vent outside; the unit is set to the same times."""
DRIVE: Final[dict[str, Any]] = {"closing_travel": "28 s", "reversal_pause": "500 ms"}


def settings(feedback: Feedback, **drive: Any) -> dict[str, Any]:
    """Return a unit with one vent outside it, as plain data: stages at 10, 60 and 99 %, rain at 5 %."""
    group = {
        "full_travel": "30 s",
        "dead_time": "400 ms",
        "coast": "200 ms",
        "stages": ["10 %", "60 %", "99 %"],
    }
    return {
        "vents": {"roof": {**group, "drive": {"feedback": feedback, **DRIVE, **drive}}},
        "house": {"temperature": "18 °C", "stage_at": ["22 °C", "25 °C", "28 °C"], "hysteresis": "1 °C"},
        "rain": {"positions": {"roof": "5 %"}, "release_delay": "10 s"},
        "supply": {"restart": "reference"},
    }


@final
@dataclass
class Tampering:
    """What is wrong with what the bench tells the unit of its vent.

    Attributes:
        switches: what an end switch tells instead of the truth: that its end is reached, or not.
        level_mv: what the potentiometer gives instead; -1 for one that is wired the wrong way round.
        noise_mv: added to its level and taken away again, turn by turn.
    """

    switches: dict[str, bool] = field(default_factory=dict)
    level_mv: int | None = None
    noise_mv: int = 0


class OtherwiseError(Exception):
    """Something else is seen than was expected."""


@final
class Outside:
    """A unit and the vent outside it, which is moved in steps of 100 ms while somebody waits.

    Attributes:
        unit: the unit.
        vent: the vent, closed at first.
        wrong: what is wrong with its feedback.
        seen: at each step: time since power-up, contacts (opens, closes), and the unit's input registers; none of these
            while it has no supply.
        expected: what should be seen; `OtherwiseError` ends what first differs from it.
    """

    def __init__(
        self,
        feedback: Feedback,
        faults: Mapping[str, float] | None = None,
        *,
        travel: VentTravel = TRAVEL,
        **drive: Any,
    ) -> None:
        model = MockSettings.model_validate({**settings(feedback, **drive), "faults": dict(faults or {})})
        self.unit: MockUnit = build(model, START_S, 0)
        self.vent = Vent(travel, START_S)
        self.wrong = Tampering()
        self.seen: list[tuple[float, tuple[int, ...], tuple[int, ...]]] = []
        self.module = devices_of(self.unit)[MODULE_ID]
        self.expected: list[tuple[float, tuple[int, ...], tuple[int, ...]]] | None = None
        self._steps = 0

    @property
    def now_s(self) -> float:
        """Time since power-up."""
        return self._steps * STEP_S

    @property
    def percent(self) -> float:
        """Where the vent is."""
        return self.vent.position_at(START_S + self.now_s)

    @property
    def told_percent(self) -> float:
        """Where the unit says that it is, by the last step."""
        return self.seen[-1][2][0] / 10

    @property
    def alarms(self) -> tuple[bool, bool]:
        """Whether the unit tells a run broken off, and feedback that is not believed."""
        *_, drive, feedback = self.seen[-1][2]
        return bool(drive), bool(feedback)

    def warm(self, celsius: float) -> None:
        """Give the house a temperature, and so the vent its stage."""
        self.unit.write("holding", 0, [round(celsius * 10)], START_S + self.now_s)

    def rain(self, *, on: bool = True) -> None:
        """Let it rain, or not."""
        self.unit.set_contact("rain", START_S + self.now_s, closed=on)

    def supply(self, *, on: bool) -> None:
        """Give the unit its supply, or take it away."""
        self.unit.set_contact("supply", START_S + self.now_s, closed=on)

    def befall(self, **condition: Any) -> None:
        """Let something befall the vent from now on; nothing mends it."""
        self.vent.apply(START_S + self.now_s, Condition(**condition))

    def wait(self, for_s: float) -> None:
        """Play the vent for a while."""
        for _ in range(round(for_s / STEP_S)):
            self._steps += 1
            at_s = START_S + self.now_s
            opens, closes = self.module.read("discrete", 0, 2, at_s)
            self.vent.switch(at_s, opens=bool(opens), closes=bool(closes))
            end = self.vent.end_at(at_s)
            reached = [self.wrong.switches.get(name, end == name) for name in ("closed", "open")]
            self.module.write("coil", 0, [int(not its) for its in reached], at_s)
            self.module.write("holding", 0, [self._level_mv(at_s)], at_s)
            self.seen.append((self.now_s, (opens, closes), self._told(at_s)))
            if self.expected is not None and self.seen[-1] != self.expected[len(self.seen) - 1]:
                raise OtherwiseError

    def _level_mv(self, at_s: float) -> int:
        drive_percent = self.vent.drive_at(at_s)
        if self.wrong.level_mv == -1:
            drive_percent = 100 - drive_percent
        elif self.wrong.level_mv is not None:
            return self.wrong.level_mv
        noise_mv = self.wrong.noise_mv * (1 if self._steps % 2 else -1)
        return min(10_000, max(0, round(500 + 90 * drive_percent) + noise_mv))

    def _told(self, at_s: float) -> tuple[int, ...]:
        try:
            return tuple(self.unit.read("input", 0, 9, at_s))
        except SilentError:
            return ()

    def runs(self, *, since_s: float = 0.0) -> list[tuple[str, float, float]]:
        """Return the runs of the drive that began since an instant: which contact, from when, for how long."""
        return [run for run in self._runs() if run[1] >= since_s]

    def _runs(self) -> Iterator[tuple[str, float, float]]:
        for place, name in enumerate(("opens", "closes")):
            began_s: float | None = None
            for at_s, contacts, _ in self.seen:
                if contacts[place] and began_s is None:
                    began_s = at_s
                elif not contacts[place] and began_s is not None:
                    yield name, began_s, at_s - began_s
                    began_s = None
            if began_s is not None:
                yield name, began_s, self.now_s - began_s
