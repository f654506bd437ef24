"""The profiles that ship with ventproof, by name."""

from pathlib import Path

from ventproof.cli.options import SHIPPED


def shipped_path(name: str) -> Path:
    """Return the path of a profile of the weather suite; `name` is its file's name without the ending."""
    (found,) = SHIPPED.rglob(f"{name}.yaml")
    return found
