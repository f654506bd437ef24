"""Questions and answers of a setup: asked once, kept beside the bench file, given again when it goes on."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol, final

import yaml
from pydantic import Field

from ventproof_bench.base.errors import FileError, Problem, Refusal, VentproofError
from ventproof_bench.base.files import stands_below, whole_file
from ventproof_bench.yamlfile.fields import FileModel
from ventproof_bench.yamlfile.load import Loaded, load_document

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

_HEAD: Final = (
    "# What was answered and measured by `ventproof setup {bench}` so far. Give the command again to go on; remove\n"
    "# a line to be asked again; remove the file to start again. It also serves as `--answers` of another bench.\n"
)


@final
class StepBack(Exception):
    """The operator wants the question before this one again."""


@final
class SetupLeft(VentproofError):
    """The operator left the setup; what was answered is kept."""


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class SetupQuestion:
    """One question.

    Attributes:
        key: what its answer is kept and given by.
        text: the question.
        default: what Enter alone answers; empty where it answers nothing.
        choices: answers to choose from, each with what it means; others are taken too where `check` takes them.
        check: raises ValueError for an answer that will not do; the message says what would be right.
        lines: the answer may have several lines, ended by an empty one.
        by_number: a choice may be answered by its number; not where answers are numbers themselves.
        names_file: any answer but a default is the path of a file.
    """

    key: str
    text: str
    default: str = ""
    choices: Mapping[str, str] = field(default_factory=dict)
    check: Callable[[str], object] = str
    lines: bool = False
    by_number: bool = True
    names_file: bool = False

    def checked(self, answer: str) -> str:
        """Return an answer as it is kept: a choice by its number is that choice.

        Raises:
            ValueError: it will not do; the message says what would be right.
        """
        plain = answer if self.lines else answer.strip()
        chosen = self.by_number and plain.isdecimal() and plain not in self.choices
        if chosen and 1 <= int(plain) <= len(self.choices):
            plain = tuple(self.choices)[int(plain) - 1]
        self.check(plain)
        return plain


class SetupAsker(Protocol):
    """Whoever is asked: a person at a terminal, or nobody."""

    @property
    def there(self) -> bool:
        """Whether a person is there who can be asked to do something."""

    def ask(self, question: SetupQuestion) -> str:
        """Return an answer that `question.checked` takes. Raises `StepBack`, `SetupLeft`, or `FileError`."""

    def say(self, text: str) -> None:
        """Tell something."""

    def glance(self, text: str) -> None:
        """Show what goes on just now, in the place of what was shown so before."""

    def wait(self, text: str, live: Callable[[], str], over: Callable[[], bool]) -> None:
        """Wait until the person has done what the text asks for, showing what `live` gives; `over`: it seems done.

        Raises `SetupLeft`, and `FileError` where nobody is there and it never seems done.
        """


class SetupFile(FileModel):
    """What was answered so far."""

    setup: str
    """The bench file that it is of."""
    answers: dict[str, str] = Field(default_factory=dict)
    """The answers, by the key of each question."""


@final
class Dialogue:
    """Asks each question once, and keeps the answers.

    Args:
        bench: the bench file that is being set up.
        asker: whoever is asked.
        given: answers given beforehand, by key, each with what is wrong about it where it will not do.
    """

    def __init__(self, bench: Path, asker: SetupAsker, given: Mapping[str, GivenAnswer]) -> None:
        self.asker = asker
        self.path = bench.with_suffix(".setup.yaml")
        self._bench = bench
        self._given = dict(given)
        self._kept: dict[str, GivenAnswer] = {}
        self._asked: list[str] = []
        self._used: set[str] = set()

    def begin(self) -> int:
        """Take what was kept by an earlier setup of the same bench; returns how many answers.

        Raises:
            FileError: the file of answers cannot be read.
        """
        if self.path.exists():
            self._kept = given_by(load_document(self.path, SetupFile))
        return len(self._kept)

    def ask(self, question: SetupQuestion) -> str:
        """Return the answer to a question: given, kept, or asked for now.

        Raises:
            FileError: an answer that was given or kept will not do, or nobody can be asked.
        """
        self._used.add(question.key)
        known = self._given.get(question.key) or self._kept.get(question.key)
        if known is None:
            answer = self.asker.ask(question)
            self._asked.append(question.key)
        else:
            answer = known.checked(question)
        self._keep(question.key, answer)
        return answer

    def measured(self, key: str, measure: Callable[[], str]) -> str:
        """Return what was measured before, or measure it now and keep it."""
        self._used.add(key)
        known = self._given.get(key) or self._kept.get(key)
        text = known.text if known is not None else measure()
        self._keep(key, text)
        return text

    def has(self, key: str) -> bool:
        """Whether an answer is known already."""
        return key in self._given or key in self._kept

    def known(self, key: str) -> str:
        """Return an answer or what was measured, if it is known already; else nothing."""
        known = self._given.get(key) or self._kept.get(key)
        return known.text if known is not None else ""

    def kept(self, key: str) -> bool:
        """Whether an answer is kept of this very bench."""
        return key in self._kept

    def forget(self, *keys: str) -> None:
        """Have something asked or measured again."""
        for key in keys:
            self._given.pop(key, None)
            self._kept.pop(key, None)
        self._write()

    def back(self) -> None:
        """Forget the last answer that a person gave, and whatever was measured since."""
        if self._asked:
            last = self._asked.pop()
            keys = list(self._kept)
            self.forget(*(keys[keys.index(last) :] if last in keys else [last]))

    def unused(self) -> list[str]:
        """Return the keys of answers that were given and that no question asked for."""
        return sorted(set(self._given) - self._used)

    def _keep(self, key: str, text: str) -> None:
        known = self._kept.get(key)
        if known is None or known.text != text:
            self._kept[key] = GivenAnswer(
                text, lambda reason, hint: Problem(str(self.path), None, None, reason, hint)
            )
            self._write()

    def _write(self) -> None:
        data = {"setup": self._bench.name, "answers": {key: one.text for key, one in self._kept.items()}}
        text = yaml.safe_dump(data, sort_keys=False, allow_unicode=True, width=110)
        with whole_file(self.path) as file:
            file.write((_HEAD.format(bench=self._bench.name) + text).encode())


@final
@dataclass(frozen=True, slots=True)
class GivenAnswer:
    """An answer that nobody has to be asked for.

    Attributes:
        text: the answer.
        problem: makes a problem of what is wrong with it and what would be right, where it was given.
        below: the folder below which a file that it names must stand; None: anywhere.
    """

    text: str
    problem: Callable[[str, str], Problem]
    below: Path | None = None

    def checked(self, question: SetupQuestion) -> str:
        """Return the answer as it is kept.

        Raises:
            FileError: it will not do.
        """
        try:
            if question.names_file and self.below is not None and self.text.strip() != question.default:
                _require_below(Path(self.text.strip()).expanduser(), self.below)
            return question.checked(self.text)
        except ValueError as error:
            wrong = Refusal.of(error)
            hint = wrong.hint or f"it answers: {question.text}"
            raise FileError([self.problem(f"{question.key}: {wrong.reason}", hint)]) from None


def _require_below(path: Path, folder: Path) -> None:
    if not stands_below(path, folder):
        reason = f"{str(path)!r} leads out of the folder of the answers"
        raise Refusal(reason, "move the file there, or give --any-path")


def given_by(loaded: Loaded[SetupFile], *, any_path: bool = True) -> dict[str, GivenAnswer]:
    """Return the answers of a file, each with its line.

    Args:
        loaded: the file.
        any_path: let it name files outside its folder, as one does that this computer's operator answered.
    """
    below = None if any_path else Path(loaded.path).parent

    def at(key: str) -> Callable[[str, str], Problem]:
        return lambda reason, hint: loaded.problem(("answers", key), reason, hint)

    return {key: GivenAnswer(text, at(key), below) for key, text in loaded.model.answers.items()}


def given_by_option(pairs: tuple[str, ...]) -> dict[str, GivenAnswer]:
    """Return the answers of `KEY=VALUE` options.

    Raises:
        FileError: one is no such pair.
    """
    found: dict[str, GivenAnswer] = {}
    for pair in pairs:
        key, sign, text = pair.partition("=")
        if not sign or not key:
            reason, hint = f"{pair!r} is not KEY=VALUE", "write --answer link=tcp"
            raise FileError([Problem("--answer", None, None, reason, hint)])
        found[key.strip()] = GivenAnswer(
            text, lambda reason, hint: Problem("--answer", None, None, reason, hint)
        )
    return found
