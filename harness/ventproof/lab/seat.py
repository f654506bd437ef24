"""What a worker knows of itself: its benches, and for how long each campaign has been silent.

The functions here are called over the network. Those that work on a job, in another thread of the process, look at the
seat: a run that moves something real goes on only while its campaign asks for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, final

from ventproof.lab.identity import Identity, own_identity
from ventproof_bench.base.clock import Stopwatch

SILENT_S: Final = 30.0
"""A campaign that was not heard for so long, or whose scheduler was not, is over."""


@final
@dataclass(frozen=True, slots=True)
class SeatBench:
    """A bench that a worker holds.

    Attributes:
        digest: SHA-256 of its bench file.
        state: folder of the fence, which outlives the worker.
        out: folder where the logs stay.
        ledger: where the operations of relays are added up.
    """

    digest: str
    state: Path
    out: Path
    ledger: Path


@final
@dataclass(slots=True)
class Seat:
    """One worker process.

    Attributes:
        benches: by name, as their files give it.
        leaving: whether the worker ends.
        asked_by: the campaign of the job that is worked on.
    """

    benches: Mapping[str, SeatBench] = field(default_factory=dict)
    leaving: bool = False
    asked_by: str = ""
    _heard: dict[str, Stopwatch] = field(default_factory=dict)
    _halted: set[str] = field(default_factory=set)

    def begin(self, campaign: str) -> None:
        """Note whose job is worked on from now on; its silence counts from here."""
        self.asked_by = campaign
        self.hear(campaign)

    def hear(self, campaign: str) -> None:
        """Note that a campaign still wants what it asked for."""
        self._heard[campaign] = Stopwatch()

    def halt(self, campaign: str) -> None:
        """Note that a campaign wants nothing any more."""
        self._halted.add(campaign)

    @property
    def why_stop(self) -> str:
        """Why the run that is worked on must end now; empty while it may go on."""
        campaign = self.asked_by
        if self.leaving:
            return "the worker was stopped"
        if campaign in self._halted:
            return "the campaign was stopped"
        silent_s = self._heard[campaign].gone_s()
        return f"the campaign was silent for {SILENT_S:g} s" if silent_s > SILENT_S else ""


_own: Final = Seat()


def own_seat() -> Seat:
    """Return the seat of this process."""
    return _own


@final
@dataclass(frozen=True, slots=True)
class SeatReport:
    """What a worker says of itself before it is given a job: what it runs, and the digests of its bench files."""

    identity: Identity
    benches: Mapping[str, str]


def report() -> SeatReport:
    """Return what this worker says of itself."""
    return SeatReport(own_identity(), {name: one.digest for name, one in _own.benches.items()})


def hear(campaign: str) -> None:
    """Tell this worker that a campaign goes on."""
    _own.hear(campaign)


def halt(campaign: str) -> None:
    """Tell this worker that a campaign is over."""
    _own.halt(campaign)
