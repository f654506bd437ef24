"""Names of versions before: what their files, logs and command lines say, and what each is called now (pure).

`scale` is of version 0.5, all others are of 0.2; for bench files see `benchcheck`. Logs keep these names for ever;
files and command lines may hold them, with a warning.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

_KINDS: Final = {"stays_below": "stays_at_most", "stays_above": "stays_at_least"}
"""Kinds of response."""
_RESPONSE: Final = {**_KINDS, "why": "purpose"}
_TOLERANCE: Final = {"delays_within": "delay_tolerance"}
_RECOVERY: Final = {"mends_after": "recovers_after"}
_LIMITS: Final = {"scale": "fall_between"}

IN_PROFILES: Final[Mapping[tuple[str, ...], Mapping[str, str]]] = {
    ("proves", "*"): {**_RECOVERY, **_LIMITS},
    ("always", "*"): {**_RESPONSE, "settled_after": "applies_after"},
    ("start", "until", "*"): _RESPONSE,
    ("steps", "*", "expect", "*"): _RESPONSE,
    ("steps", "*", "do", "*"): {"mend": "restore", "how": "mode"},
    ("steps", "*", "do", "*", "storm", "shape"): {"chicago": "peaked"},
    ("steps", "*", "do", "*", "turbulence", "spectrum"): {
        "kaimal": "surface-layer",
        "von-karman": "isotropic",
    },
}
"""In profiles, by place: keys from the top of the file, `*` for any."""

IN_TABLES: Final[Mapping[tuple[str, ...], Mapping[str, str]]] = {
    ("sensors", "*"): {"good": "normal", "how": "modes", **_RECOVERY, **_TOLERANCE},
    ("overrides", "*"): {**_TOLERANCE, **_LIMITS},
    ("overrides", "*", "when", "*"): {"of_last": "tips"},
    ("supply",): _TOLERANCE,
}
"""In override tables, likewise."""

OPTIONS: Final[Mapping[str, Mapping[str, str]]] = {
    "challenge": {"--benign": "--variants", "--keep": "--logs"},
    "check": {"--use": "--map"},
    "explore": {"--budget": "--time-limit", "--examples": "--max-sequences", "--clear": "--confirm-clear"},
    "mock": {"--at": "--out"},
    "run": {"--prove": "--success-ratio", "--use": "--map", "--clear": "--confirm-clear"},
    "selfcheck": {"--unit": "--wiring", "--clear": "--confirm-clear"},
    "setup": {"--clear": "--confirm-clear"},
    "switch": {"--clear": "--confirm-clear"},
    "pytest": {"--use": "--map", "--clear": "--confirm-clear"},
}
"""On command lines, by command."""


def kind_now(kind: str) -> str:
    """Return what the kind of response is called now that a log calls `kind`."""
    return _KINDS.get(kind, kind)


def renamed_keys() -> Iterator[tuple[str, str]]:
    """Yield every old name of files, with the new one."""
    for names in (*IN_PROFILES.values(), *IN_TABLES.values()):
        yield from names.items()
