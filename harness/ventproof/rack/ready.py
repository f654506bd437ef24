"""What is known of a rack before it begins: its places with their files, how many go on at once, and its folder."""

from __future__ import annotations

from dataclasses import dataclass
from secrets import token_hex
from typing import TYPE_CHECKING, final

from ventproof.jobs.executor import cores
from ventproof.rack.supervise import AT_ONCE_A_CORE
from ventproof.session.session import slug
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from ventproof.profile.model import Profile
    from ventproof.rack.before import PlaceBefore
    from ventproof.runset.rack_file import PlacePlan
    from ventproof.session.session import Session
    from ventproof_bench.yamlfile.load import Loaded


@final
@dataclass(frozen=True, slots=True)
class ReadyPlace:
    """A place whose files are right.

    Attributes:
        plan: as the rack file has it.
        session: what stays the same for all its runs.
        suite: its profiles, in the order in which they are run.
        before: what stands of it, where a rack goes on.
    """

    plan: PlacePlan
    session: Session
    suite: Sequence[Loaded[Profile]]
    before: PlaceBefore | None = None

    @property
    def left(self) -> bool:
        """Whether something is left to run."""
        return self.before is None or self.before.code is None


def at_once_here(ready: Sequence[ReadyPlace]) -> int:
    """Return how many places this computer can carry at once."""
    return cores() if all(one.session.bench.model.virtual for one in ready) else AT_ONCE_A_CORE * cores()


def planned_said(ready: Sequence[ReadyPlace], most: int, *, asked: bool) -> str:
    """Return how many places there are, how many are tested at once, and why no more.

    Args:
        ready: the places.
        most: how many may be tested at once.
        asked: whether a person said so.
    """
    if len(ready) <= most:
        return f"{number_of(len(ready), 'place')}, all at the same time"
    why = "--at-once" if asked else f"{number_of(cores(), 'processor core')}; see --at-once"
    return f"{len(ready)} places, at most {most} at the same time ({why})"


def id_of(ready: Sequence[ReadyPlace]) -> str:
    """Return by what the logs of a rack know each other: as those before that go on, or anew."""
    plans = [one.before.plan.plan for one in ready if one.before and one.before.plan]
    return next((plan.part.id for plan in plans if plan.part), token_hex(16))


def new_folder(out: Path, name: str) -> Path:
    """Make a folder for the logs of a rack that no other has, however many begin at once; returns it.

    Args:
        out: in which folder.
        name: of the rack.

    Raises:
        FileError: it cannot be made.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
        folder, number = out / slug(name), 1
        while not _made(folder):
            number += 1
            folder = out / f"{slug(name)}-{number}"
    except OSError as error:
        raise FileError([Problem(str(out), None, None, f"cannot make a folder: {error.strerror}")]) from error
    return folder


def _made(folder: Path) -> bool:
    """Make a folder; whether there was none."""
    try:
        folder.mkdir()
    except FileExistsError:
        return False
    return True
