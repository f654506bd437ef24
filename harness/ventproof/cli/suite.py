"""The profiles that a command is about: found, checked together, and chosen among."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple, final

import click

from ventproof.cli.options import Option, profile_paths, tell_once, warned
from ventproof_bench.base.errors import FileError, Problem

if TYPE_CHECKING:
    from ventproof.profile.model import Profile
    from ventproof.session.session import Session
    from ventproof_bench.yamlfile.load import Loaded

ONLY: Final[Option] = click.option(
    "-k",
    "only",
    multiple=True,
    metavar="TEXT",
    help="Only profiles with TEXT in their name, id or file name, in upper or lower case. If given "
    "more than once, one match suffices.",
)
TAG: Final[Option] = click.option(
    "--tag",
    "tags",
    multiple=True,
    metavar="TAG",
    help="Only profiles with this tag. If given more than once, one of them suffices.",
)
VALUES: Final[Option] = click.option(
    "--set",
    "values",
    multiple=True,
    metavar="NAME=VALUE",
    help="Use VALUE in place of the one that profiles state under `values:`, for these runs only: "
    "release_delay='20 min'. The log says so.",
)


@final
@dataclass(frozen=True, slots=True)
class Selection:
    """Which profiles are wanted, and with what values.

    Attributes:
        only: parts of names; a profile without any of them is left out. None: all are taken.
        tags: a profile without any of them is left out. None: all are taken.
        values: `NAME=VALUE`, in place of those of the profiles.
        any_path: let profiles name files outside their folders.
    """

    only: Sequence[str] = ()
    tags: Sequence[str] = ()
    values: Sequence[str] = ()
    any_path: bool = False

    def takes(self, profile: Loaded[Profile]) -> bool:
        """Return whether a profile is wanted."""
        model = profile.model
        return self._fits((model.profile, model.id, Path(profile.path).name), model.tags)

    def takes_log(self, log: Path, title: str = "") -> bool:
        """Return whether the run of a log is wanted, by the profile in it.

        Args:
            log: the log; what holds no run is wanted, too, whatever it is.
            title: the profile's, where a history tells it and the log may be gone.

        Raises:
            FileError: the log is gone, and it alone tells the tags.
        """
        if not self.chooses:
            return True
        pinned = _pinned_in(log)
        if not title or (pinned and pinned.title == title):
            return self.takes_pinned(log, pinned)
        if self.tags:
            reason = f"the log of a run of {title!r} is not at {log}, and a history has no tags"
            raise FileError([Problem("--tag", None, None, reason, "give -k")])
        return self._fits((title,), ())

    def takes_pinned(self, log: Path, pinned: _Pinned | None) -> bool:
        """Return whether a log is wanted, by what the profile in it says of itself; one that holds no run is."""
        return pinned is None or self._fits((pinned.title, pinned.ident, log.name), pinned.tags)

    @property
    def chooses(self) -> bool:
        """Whether anything is left out."""
        return bool(self.only or self.tags)

    def _fits(self, names: Iterable[str], tags: Iterable[str]) -> bool:
        name = "\n".join(names).casefold()
        named = not self.only or any(text.casefold() in name for text in self.only)
        return named and (not self.tags or not set(self.tags).isdisjoint(tags))

    def nothing(self, whose: str, tags: Iterable[str] = ()) -> FileError:
        """Return the error that nothing is wanted.

        Args:
            whose: what there is: `profile`, `run`.
            tags: those that there are.
        """
        texts, wanted = (" or ".join(map(repr, some)) for some in (self.only, self.tags))
        if not wanted:
            reason = f"no {whose}'s name or id holds {texts}"
            return FileError([Problem("-k", None, None, reason, "write part of a name")])
        known = ", ".join(sorted(set(tags)))
        hint = f"there are {known}" if known else "name tags in a profile: `tags: [rain]`"
        reason = f"no {whose} has the tag {wanted}" + (f" and {texts} in its name or id" if texts else "")
        return FileError([Problem("--tag", None, None, reason, hint)])


_ALL: Final = Selection()


class _Pinned(NamedTuple):
    """What the profile in a log says of itself."""

    title: str
    ident: str
    tags: tuple[str, ...]


def _pinned_in(log: Path) -> _Pinned | None:
    """Return what the profile in a log says of itself; None where the file holds no run."""
    from ventproof.log.events import RunBegin  # noqa: PLC0415 - slow
    from ventproof.log.read import begin_of  # noqa: PLC0415
    from ventproof_bench.yamlfile.tree import data_in  # noqa: PLC0415

    try:
        begin = begin_of(log)
    except FileError:
        return None
    if not isinstance(begin, RunBegin):
        return None
    profile = begin.header.profile
    held = data_in(profile.text)
    stated = held if isinstance(held, dict) else {}
    tags = stated.get("tags")
    return _Pinned(
        profile.name, str(stated.get("id", "")), tuple(map(str, tags)) if isinstance(tags, list) else ()
    )


def chosen_logs(logs: Sequence[Path], selection: Selection) -> list[Path]:
    """Return the logs of the runs that are wanted, and files that hold no run.

    Raises:
        FileError: no run is wanted.
    """
    if not selection.chooses:
        return list(logs)
    held = [(log, _pinned_in(log)) for log in logs]
    chosen = [(log, pinned) for log, pinned in held if selection.takes_pinned(log, pinned)]
    if not any(pinned for _, pinned in chosen):
        raise selection.nothing("run", (tag for _, pinned in held if pinned for tag in pinned.tags))
    return [log for log, _ in chosen]


def load_suite(
    paths: Sequence[Path],
    session: Session | None = None,
    selection: Selection = _ALL,
    known: Callable[[Session, Sequence[Loaded[Profile]]], None] | None = None,
) -> list[Loaded[Profile]]:
    """Load profiles, and tie them to the bench if there is one; every fault of every file is reported at once.

    Files of other kinds that lie in a folder beside profiles are left out, and that is said.

    Args:
        paths: profiles and folders of such.
        session: what they are tied to.
        selection: which of them.
        known: is given all of them, those that are not wanted too; None: names that no profile has are told.

    Raises:
        FileError: something is wrong in at least one file, or no such profile is there, or none has such a value.
    """
    from ventproof.profile.bind import check_use  # noqa: PLC0415 - pydantic is slow to import
    from ventproof.profile.given import unknown_values, value_pairs  # noqa: PLC0415

    given = value_pairs(selection.values)
    suite: list[Loaded[Profile]] = []
    problems: list[Problem] = []
    others: list[str] = []
    for path in profile_paths(paths):
        try:
            if path not in paths and (kind := _other_kind(path)):
                others.append(f"{path} ({kind})")
            else:
                suite.append(_loaded(path, session, given, any_path=selection.any_path))
        except FileError as error:
            problems.extend(error.problems)
    if not problems:
        problems = [*(check_use(session.use, suite) if session is not None else ()), *_twins(suite)]
    if not suite and not problems:
        problems = [Problem(str(paths[0]), None, None, "holds no profile", "name profiles, or their folder")]
    if problems:
        raise FileError(problems)
    if session is not None:
        (known or tell_misspelt)(session, suite)
    suite = _chosen(suite, selection)
    if unknown := unknown_values(given, suite):
        raise FileError(unknown)
    if others:
        tell_once(f"left out, no profiles: {', '.join(others)}")
    return suite


def tell_misspelt(session: Session, suite: Iterable[Loaded[Profile]]) -> None:
    """Say which names in waivers no profile has."""
    for problem in session.misspelt(suite):
        tell_once(f"warning: {problem}")


def _loaded(
    path: Path, session: Session | None, given: Mapping[str, str], *, any_path: bool
) -> Loaded[Profile]:
    from ventproof.profile.load import load_profile  # noqa: PLC0415 - pydantic is slow to import

    profile = load_profile(path, any_path=any_path, values=given)
    if session is not None:
        session.bind(profile)
    return warned(profile)


def _twins(suite: Sequence[Loaded[Profile]]) -> Iterator[Problem]:
    """Yield a problem for each profile whose name or id another one has: a record that says it would mean two tests."""
    for key, what in (("profile", "a name"), ("id", "an id")):
        first: dict[str, Loaded[Profile]] = {}
        for profile in suite:
            said = getattr(profile.model, key)
            other = first.setdefault(said, profile)
            if said and other is not profile and other.digest != profile.digest:
                reason = f"the {what.split()[1]} {said!r} is also that of {other.path}"
                yield profile.problem((key,), reason, f"give each profile {what} of its own")


def _chosen(suite: list[Loaded[Profile]], selection: Selection) -> list[Loaded[Profile]]:
    chosen = [one for one in suite if selection.takes(one)]
    if not chosen:
        raise selection.nothing("profile", (tag for profile in suite for tag in profile.model.tags))
    return chosen


def tell_given(suite: Iterable[Loaded[Profile]]) -> None:
    """Say which values were given with `--set`."""
    from ventproof.profile.given import given_said  # noqa: PLC0415 - as above

    for line in given_said(suite):
        tell_once(line)


_OTHER_KINDS: Final = {
    "bench": "a bench file",
    "table": "an override table",
    "acceptance": "an acceptance file",
    "waivers": "a waivers file",
    "campaign": "a campaign file",
    "rack": "a rack file",
}


def _other_kind(path: Path) -> str:
    """Return what a file found in a folder is, where it is no profile: such files lie beside them and are not run."""
    from ventproof_bench.yamlfile.load import kind_of  # noqa: PLC0415 - kept with the slow imports of the callers

    try:
        return _OTHER_KINDS.get(kind_of(path), "")
    except FileError:
        return ""  # whoever loads it says what is wrong
