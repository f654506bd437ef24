"""What a process runs: versions, and a digest of the source of ventproof itself. All of a lab must run the same."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path
from platform import python_version
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.errors import FileError, Problem

if TYPE_CHECKING:
    from collections.abc import Iterable


_PACKAGES: Final = ("ventproof", "ventproof_bench")


@final
@dataclass(frozen=True, slots=True)
class Identity:
    """What a process runs.

    Attributes:
        parts: the version of each part that makes verdicts, logs and sequences of weather, by its name.
    """

    parts: Mapping[str, str]

    def differences(self, other: Identity) -> Iterator[str]:
        """Yield what another process runs instead: `pymodbus 3.16.0, here 3.16.1`."""
        for name, own in self.parts.items():
            theirs = other.parts.get(name, "none")
            if theirs != own:
                yield f"{name} {theirs[:_SHOWN]}, here {own[:_SHOWN]}"


_SHOWN: Final = 12  # of a digest; no version is longer


@cache
def own_identity() -> Identity:
    """Return what this process runs."""
    return Identity(
        {
            "ventproof": version("ventproof"),
            "source": _source_digest(),
            "python": python_version(),
            "pymodbus": version("pymodbus"),
            "distributed": version("distributed"),
            "hypothesis": version("hypothesis"),
        }
    )


def _source_digest() -> str:
    """Return the SHA-256 of all modules of both packages, each with its place."""
    digest = hashlib.sha256()
    for package in _PACKAGES:
        folder = Path(str(files(package)))
        for path in sorted(folder.rglob("*.py")):
            digest.update(f"{package}/{path.relative_to(folder).as_posix()}\0".encode())
            digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


def require_same(others: Iterable[tuple[str, Identity]]) -> None:
    """Refuse workers that run something else: their verdicts would be another program's.

    Args:
        others: the address and the identity of each worker.

    Raises:
        FileError: names each of them, and what differs.
    """
    own = own_identity()
    problems = [
        Problem(
            "--scheduler",
            None,
            None,
            f"worker {address} runs {'; '.join(differences)}",
            "install the same ventproof on all computers of the lab, and start the worker again",
        )
        for address, other in others
        if (differences := list(own.differences(other)))
    ]
    if problems:
        raise FileError(problems)
