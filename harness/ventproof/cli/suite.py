"""The profiles that a command is about: found, checked together, and chosen among."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, final

import click

from ventproof.cli.options import Option, profile_paths, warned
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.text import harmless

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
        names = f"{model.profile}\n{model.id}\n{Path(profile.path).name}".casefold()
        named = not self.only or any(text.casefold() in names for text in self.only)
        return named and (not self.tags or not set(self.tags).isdisjoint(model.tags))


_ALL: Final = Selection()


def load_suite(
    paths: Sequence[Path], session: Session | None = None, selection: Selection = _ALL
) -> list[Loaded[Profile]]:
    """Load profiles, and tie them to the bench if there is one; every fault of every file is reported at once.

    Files of other kinds that lie in a folder beside profiles are left out, and that is said.

    Args:
        paths: profiles and folders of such.
        session: what they are tied to.
        selection: which of them.

    Raises:
        FileError: something is wrong in at least one file, or no such profile is there, or none has such a value.
    """
    from ventproof.profile.bind import check_use  # noqa: PLC0415 - pydantic is slow to import
    from ventproof.profile.given import value_pairs  # noqa: PLC0415

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
    suite = _chosen(suite, selection)
    _tell_given(given, suite)
    if others:
        click.echo(harmless(f"left out, no profiles: {', '.join(others)}"), err=True)
    return suite


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
    if chosen:
        return chosen
    texts, tags = (" or ".join(map(repr, some)) for some in (selection.only, selection.tags))
    if not tags:
        raise FileError(
            [Problem("-k", None, None, f"no profile's name or id holds {texts}", "write part of a name")]
        )
    known = sorted({tag for profile in suite for tag in profile.model.tags})
    hint = f"there are {', '.join(known)}" if known else "name tags in a profile: `tags: [rain]`"
    reason = f"no profile has the tag {tags}" + (f" and {texts} in its name or id" if texts else "")
    raise FileError([Problem("--tag", None, None, reason, hint)])


def _tell_given(given: Mapping[str, str], suite: Sequence[Loaded[Profile]]) -> None:
    """Say which values were given, and refuse those that no profile has."""
    from ventproof.profile.given import given_said, unknown_values  # noqa: PLC0415 - as above

    if unknown := unknown_values(given, suite):
        raise FileError(unknown)
    for line in given_said(suite):
        click.echo(harmless(line), err=True)


_OTHER_KINDS: Final = {
    "bench": "a bench file",
    "table": "an override table",
    "acceptance": "an acceptance file",
    "waivers": "a waivers file",
    "campaign": "a campaign file",
}


def _other_kind(path: Path) -> str:
    """Return what a file found in a folder is, where it is no profile: such files lie beside them and are not run."""
    from ventproof_bench.yamlfile.load import kind_of  # noqa: PLC0415 - kept with the slow imports of the callers

    try:
        return _OTHER_KINDS.get(kind_of(path), "")
    except FileError:
        return ""  # whoever loads it says what is wrong
