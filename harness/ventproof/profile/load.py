"""File, series, all checks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path as FilePath
from typing import TYPE_CHECKING

from ventproof.profile.check_responses import (
    ALWAYS_KINDS,
    DRIVE_KINDS,
    contact_problems,
    no_signal,
    other_problems,
    response_problems,
    responses,
    signal_value_problems,
    value_problems,
)
from ventproof.profile.check_stimuli import across_problems, idle_stimuli, start_problems, stimuli_problems
from ventproof.profile.check_weather import weather_problems
from ventproof.profile.given import blamed, text_with
from ventproof.profile.model import CONTACT, CONTACT_STATES, Invariant, Profile, until_of
from ventproof.profile.stimulus import Rainfall, Wind
from ventproof.verdict.old_names import IN_PROFILES
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.files import stands_below
from ventproof_bench.base.quantities import PLAIN_UNITS
from ventproof_bench.yamlfile.fields import FLAG_UNIT
from ventproof_bench.yamlfile.load import Loaded, checked_document, in_file_order, load_checked, read_attached
from ventproof_bench.yamlfile.value_errors import nearest, show

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path as FilePath

    from ventproof.profile.courses import Series
    from ventproof.profile.model import Profile
    from ventproof_bench.yamlfile.tree import Path


def attach_from_disk(profile: Loaded[Profile], *, any_path: bool = False) -> Loaded[Profile]:
    """Return the profile with the files that it names, which stand beside it.

    Args:
        profile: the profile.
        any_path: let it name files outside its folder.

    Raises:
        FileError: a file cannot be read, or stands elsewhere; every one is named.
    """
    folder = FilePath(profile.path).parent

    def read(name: str) -> str:
        if not any_path and not stands_below(folder / name, folder):
            hint = "move the file into the profile's folder, or give --any-path"
            raise FileError([Problem(name, None, None, "leads out of the profile's folder", hint)])
        return read_attached(folder / name, "CSV")

    return _attach(profile, read)


def attach_texts(profile: Loaded[Profile], texts: Mapping[str, str]) -> Loaded[Profile]:
    """Return the profile with the texts of the files that it names, as a log holds them.

    Raises:
        FileError: a text is missing.
    """

    def given(name: str) -> str:
        if name not in texts:
            hint = nearest(name, texts) if texts else ""
            raise FileError(
                [Problem(name, None, None, "the text of this file is not with the profile", hint)]
            )
        return texts[name]

    return _attach(profile, given)


def _attach(profile: Loaded[Profile], read: Callable[[str], str]) -> Loaded[Profile]:
    texts: dict[str, str] = {}
    problems: list[Problem] = []
    for path, series in _series(profile.model):
        try:
            if series.file not in texts:
                texts[series.file] = read(series.file)
            series.hold(texts[series.file])
        except FileError as error:
            problems += [
                profile.problem((*path, "file"), f"{series.file}: {fault.reason}", fault.hint)
                for fault in error.problems
            ]
    if problems:
        raise FileError(in_file_order(problems))
    return replace(profile, attached=texts)


def _series(profile: Profile) -> Iterator[tuple[Path, Series]]:
    for number, step in enumerate(profile.steps):
        for index, stimulus in enumerate(step.do):
            if isinstance(stimulus, Rainfall | Wind) and stimulus.series is not None:
                yield ("steps", number, "do", index, "series"), stimulus.series


def load_profile(
    path: str | FilePath, *, any_path: bool = False, values: Mapping[str, str] | None = None
) -> Loaded[Profile]:
    """Load a profile and check that its parts fit each other.

    Args:
        path: the file.
        any_path: let it name files outside its folder.
        values: given in place of the profile's own, by name; those that it has not are left out.

    Raises:
        FileError: something in it is wrong; every fault found, in file order.
    """
    attach = partial(attach_from_disk, any_path=any_path)
    profile = _whole(
        attach, lambda check: load_checked(path, Profile, check, values_key="values", renames=IN_PROFILES)
    )
    given = {name: value for name, value in (values or {}).items() if name in profile.model.values}
    return _with_values(profile, attach, given) if given else profile


def _with_values(profile: Loaded[Profile], attach: _Attach, given: Mapping[str, str]) -> Loaded[Profile]:
    text = text_with(profile, given)
    try:
        read = _read(profile.path, text, attach)
    except FileError as error:
        raise blamed(error, given) from None
    return replace(read, given=given, file_digest=profile.digest)


def _read(path: str, text: str, attach: _Attach) -> Loaded[Profile]:
    return _whole(
        attach,
        lambda check: checked_document(path, text, Profile, check, values_key="values", renames=IN_PROFILES),
    )


def read_profile(path: str, text: str, attached: Mapping[str, str] | None = None) -> Loaded[Profile]:
    """Read the text of a profile, as `load_profile` does.

    Args:
        path: only names it in messages.
        text: the profile.
        attached: texts of the files that it names.

    Raises:
        FileError: something in it is wrong; every fault found, in file order.
    """
    texts = attached or {}
    return _read(path, text, lambda profile: attach_texts(profile, texts))


_Attach = Callable[[Loaded[Profile]], Loaded[Profile]]
_Check = Callable[[Loaded[Profile]], list[Problem]]


def _whole(attach: _Attach, load: Callable[[_Check], Loaded[Profile]]) -> Loaded[Profile]:
    """Return a profile that is right, with the files that it names and with notes."""

    def check(profile: Loaded[Profile]) -> list[Problem]:
        try:
            return _problems(attach(profile))
        except FileError as error:
            return list(error.problems)

    profile = attach(load(check))
    return profile.with_notes([*idle_stimuli(profile), *_unused_needs(profile)])


def _problems(profile: Loaded[Profile]) -> list[Problem]:
    problems = [*_always_problems(profile), *start_problems(profile), *_response_problems(profile)]
    problems += _same_ids(profile)
    for number, step in enumerate(profile.model.steps):
        problems += stimuli_problems(profile, ("steps", number, "do"), step.do)
    if not profile.lacks:  # what is left out may be what the rest of the steps begins with
        problems += across_problems(profile)
        problems += weather_problems(profile)
    return problems


def _same_ids(profile: Loaded[Profile]) -> Iterator[Problem]:
    """Yield a problem for each id that stands in the profile already."""
    model = profile.model
    steps = [(("steps", n), step) for n, step in enumerate(model.steps)]
    parts: list[tuple[Path, str]] = [((), model.id), *((path, step.id) for path, step in steps)]
    parts += [(("always", n), invariant.id) for n, invariant in enumerate(model.always)]
    parts += [(path, response.id) for path, response in responses(model)]
    seen: set[str] = set()
    for path, ident in parts:
        if ident and ident in seen:
            yield profile.problem((*path, "id"), f"the id {ident!r} stands here twice", "give each its own")
        seen.add(ident)


def _response_problems(profile: Loaded[Profile]) -> Iterator[Problem]:
    for index, response in enumerate(profile.model.start.until):
        yield from response_problems(profile, ("start", "until", index), response, [])
    for number, step in enumerate(profile.model.steps):
        for index, response in enumerate(step.expect):
            yield from response_problems(profile, ("steps", number, "expect", index), response, step.do)


def _always_problems(profile: Loaded[Profile]) -> Iterator[Problem]:
    for index, invariant in enumerate(profile.model.always):
        path: Path = ("always", index)
        kinds = [kind for kind in ALWAYS_KINDS if getattr(invariant, kind) is not None]
        if len(kinds) != 1:
            reason = f"{' and '.join(kinds)} together" if kinds else "the list is empty"
            yield profile.problem(path, reason, f"say exactly one of {', '.join(ALWAYS_KINDS)} in each item")
        else:
            yield from _accompanying(profile, path, invariant, kinds[0])
        yield from _condition_problems(profile, path, invariant)
        yield from _invariant_values(profile, path, invariant)


def _condition_problems(profile: Loaded[Profile], path: Path, invariant: Invariant) -> Iterator[Problem]:
    """Yield what is wrong with the contact or the signal while which an `always` binds."""
    needs = profile.model.needs
    for name, value in (invariant.while_ or {}).items():
        here = (*path, "while", name)
        if needs.is_contact(name, value):
            yield from contact_problems(profile, here, name, at_key=True)
            if needs.outputs[name] == CONTACT and value not in CONTACT_STATES:
                hint = "write open or closed"
                yield profile.problem(here, f"{show(value)} is not a state of contact {name!r}", hint)
        else:
            known = [*needs.outputs, *needs.signals]
            yield from signal_value_problems(profile, here, value, known)


def _accompanying(profile: Loaded[Profile], path: Path, invariant: Invariant, kind: str) -> Iterator[Problem]:
    needed = ALWAYS_KINDS[kind]
    if needed and getattr(invariant, needed) is None:
        said = "a tolerance" if needed == "tolerance" else f"`{needed}`"
        yield profile.problem((*path, kind), f"{kind} without {said}", f"add `{needed}:`", at_key=True)
    if invariant.lag is not None and kind != "agrees_with":
        hint = "leave it out: it belongs to agrees_with"
        yield profile.problem((*path, "lag"), f"`lag` with {kind}", hint, at_key=True)
    for key in dict.fromkeys(filter(None, ALWAYS_KINDS.values())):
        if key != needed and getattr(invariant, key) is not None:
            kinds = [k for k, its in ALWAYS_KINDS.items() if its == key]
            hint = f"leave it out: it belongs to {' and '.join(kinds)}"
            yield profile.problem((*path, key), f"`{key}` with {kind}", hint, at_key=True)


def _invariant_values(profile: Loaded[Profile], path: Path, invariant: Invariant) -> Iterator[Problem]:
    unit = profile.model.needs.signals.get(invariant.signal)
    if unit is None:
        yield no_signal(profile, (*path, "signal"), invariant.signal)
        return
    kind = next((kind for kind in DRIVE_KINDS if getattr(invariant, kind, None) is not None), None)
    if kind is not None and unit != FLAG_UNIT:
        reason = f"{kind} does not fit {invariant.signal!r}, which is not a flag"
        yield profile.problem((*path, kind), reason, "name the flag of a drive", at_key=True)
    elif invariant.agrees_with is not None and unit in PLAIN_UNITS:
        reason = f"agrees_with does not fit {invariant.signal!r}, which is a {unit}"
        hint = "use together_with" if unit == FLAG_UNIT else "name a signal with a unit"
        yield profile.problem((*path, "agrees_with"), reason, hint, at_key=True)
    else:
        yield from other_problems(profile, path, invariant, unit)
    yield from value_problems(
        profile,
        path,
        invariant,
        unit,
        values=("stays", "stays_at_least", "stays_at_most"),
        differences=("tolerance",),
    )


def _unused_needs(profile: Loaded[Profile]) -> Iterator[Problem]:
    model = profile.model
    signals = {name for step in model.steps for r in step.expect for name in r.signals}
    signals |= {name for r in (*model.start.until, *model.always) for name in r.signals}
    signals |= {name for i in model.always for name in i.while_ or {}}
    signals |= {name for step in model.steps for r in step.expect for name in until_of(r)}
    for name in model.needs.signals:
        if name not in signals:
            yield profile.problem(
                ("needs", "signals", name), f"nothing is expected of signal {name!r}", at_key=True
            )
    outputs = {*model.start.set, *model.start.write, *(name for i in model.always for name in i.while_ or {})}
    outputs |= {name for step in model.steps for stimulus in step.do for name in stimulus.outputs}
    for name in model.needs.outputs:
        if name not in outputs:
            yield profile.problem(
                ("needs", "outputs", name), f"nothing is done to output {name!r}", at_key=True
            )
