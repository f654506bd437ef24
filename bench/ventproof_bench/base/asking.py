"""What a person is asked and answers (pure); who carries questions to people is `protocols.Asker`.

A person answers after looking or acting, never before being asked. So what an answer tells of happened in the window
from the prompt to the answer, widened by the person's declared reaction: one who watches a display may answer with what
it showed a moment before the prompt, though never with what is older than the answer before; one who acts may say so a
moment before the act. No act begins before its prompt: nobody is told beforehand what comes next, and who is asked to
stand by is told to wait. Who acts early all the same shows by it: the readings before the stimulus are as demanded
already, and such a pass proves nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import Final, Literal, final

PromptKind = Literal["ready", "act", "read"]
"""What is wanted: stand by for an act; act, and say so; read something."""

NOT_SURE: Final = "not sure"
"""The answer of one who could not read: no value, and never a pass."""

DONE: Final = "done"
CANNOT: Final = "cannot"

_NOT_SURE_TOO: Final = ("?", "notsure", "unsure", "n/s")
_LONGEST: Final = 200


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Prompt:
    """A question for one person.

    Attributes:
        who: who may answer, as the bench file names the person (`roof`, `cabinet`).
        text: what to do or to read, one line.
        kind: what is wanted.
        of: the output or signal that it is about, by the bench's name.
        unit: of a number that is wanted; empty where one of the choices is.
        resolution: the step in which such a number is read, in `unit`.
        choices: the words of which one is wanted, in the order shown; empty where a number is.
        within_s: how long the answer is waited for; None: until nobody needs it any more.
    """

    who: str
    text: str
    kind: PromptKind
    of: str
    unit: str = ""
    resolution: float = 0.0
    choices: tuple[str, ...] = ()
    within_s: float | None = None

    @property
    def offered(self) -> tuple[str, ...]:
        """All words that may be answered, as buttons show them; a number may be, where `unit` is given."""
        return (*self.choices, NOT_SURE) if self.kind == "read" else self.choices


@final
@dataclass(frozen=True, slots=True)
class PersonAnswer:
    """What a person answered.

    Attributes:
        who: who did.
        text: as it was given.
        shown_s: loop time at which the prompt was shown.
        given_s: loop time at which the answer came.
        choice: the word, where one was wanted; empty where a number was given.
        number: the number, where one was; None otherwise.
    """

    who: str
    text: str
    shown_s: float
    given_s: float
    choice: str = ""
    number: float | None = None

    @property
    def sure(self) -> bool:
        """Whether it says anything."""
        return self.choice != NOT_SURE


def understood(prompt: Prompt, text: str) -> tuple[str, float | None]:
    """Return what an answer says: the word that it chooses, or empty and the number that it gives.

    A word may be given in full, by its first letters if no other begins so, or by its place, from 1, where no number
    is wanted.

    Raises:
        ValueError: it is not an answer to that prompt; the message says what would be.
    """
    said = " ".join(text.split()).casefold()[:_LONGEST]
    words = prompt.offered
    if prompt.kind == "read" and said in _NOT_SURE_TOO:
        return NOT_SURE, None
    if not prompt.unit and said.isdecimal() and 1 <= int(said) <= len(words):
        return words[int(said) - 1], None
    if said in words:
        return said, None
    begun = [word for word in words if said and word.casefold().startswith(said)]
    if len(begun) == 1:
        return begun[0], None
    if prompt.unit:
        try:
            number = float(said.removesuffix(prompt.unit.casefold()).strip().replace(",", "."))
        except ValueError:
            number = float("nan")
        if isfinite(number):
            return "", number
        raise ValueError(f"{text.strip()!r} is not a number in {prompt.unit}; or say {NOT_SURE!r}")
    raise ValueError(f"{text.strip()!r} is none of the answers: {', '.join(words)}")
