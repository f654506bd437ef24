"""What the first line of a log pins, so that the log can be judged again without anything beside it (pure)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, final

TimeKind = Literal["virtual", "wall"]
"""Whether time was virtual, against a mock inside the process, or the clock's."""


@final
@dataclass(frozen=True, slots=True)
class PinnedText:
    """A file as it was used: its own name, the SHA-256 of its text, the text, and the texts of files that it names."""

    name: str = ""
    sha256: str = ""
    text: str = ""
    attached: Mapping[str, str] = field(default_factory=dict)


@final
@dataclass(frozen=True, slots=True)
class PinnedCheck:
    """The self-check that stands behind a run.

    Attributes:
        sha256: digest of its log.
        started: date and time; None in virtual time.
        result: `fine` or `worse`.
    """

    sha256: str
    started: str | None
    result: str


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """The first line of a run's log; of a run that nobody records it stays empty.

    Attributes:
        format: version of the log's vocabulary.
        clock: which time it ran in.
        decision: the rule of decision.
        started: date and time in ISO 8601; None in virtual time, which has none.
        unit: serial number of the unit under test, as stated.
        firmware: its firmware version, likewise.
        operator: who runs the test.
        repeat: which repeat it is, from 1.
        seed: of what is random on a virtual bench.
        use: the bench's names, by the profile's, where they differ.
        selfcheck: the bench's self-check; None where nobody made one.
        table: the override table that the unit is held to; None where none was named.
        profile: the profile, with the series that it plays.
        bench: the bench file.
        versions: of ventproof and what it runs on.
    """

    format: int = 0
    clock: TimeKind = "virtual"
    decision: str = "guarded"
    started: str | None = None
    unit: str = ""
    firmware: str = ""
    operator: str = ""
    repeat: int = 1
    seed: int = 0
    use: Mapping[str, str] = field(default_factory=dict)
    selfcheck: PinnedCheck | None = None
    table: PinnedText | None = None
    profile: PinnedText = field(default_factory=PinnedText)
    bench: PinnedText = field(default_factory=PinnedText)
    versions: Mapping[str, str] = field(default_factory=dict)


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class CheckHeader:
    """The first line of a self-check's log; fields as for `Header`, and whether the bench or the hook-up is checked."""

    format: int
    kind: Literal["bench", "unit"]
    clock: TimeKind
    started: str | None
    seed: int
    bench: PinnedText
    versions: Mapping[str, str]
