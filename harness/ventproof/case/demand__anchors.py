"""From which stimulus of its step a response counts, and how its sentence names that (pure)."""

from __future__ import annotations

from typing import Final

from harness.judge.wording import STIMULUS, Since
from harness.profile.model import ResponseCommon, Step
from harness.profile.stimulus import PAUSES

Anchor = tuple[str, int | None]
"""`first` or `last` edge, and the index of its stimulus; None: the step's begin."""

ALL_SET: Final = Since("all was set")


def anchor_of(response: ResponseCommon, step: Step) -> Anchor:
    """Return where a response counts from."""
    label = response.after or response.after_end_of
    numbered = [
        (index, stimulus) for index, stimulus in enumerate(step.do) if not isinstance(stimulus, PAUSES)
    ]
    if label is not None:
        index = next(index for index, stimulus in numbered if stimulus.label == label)
        return ("last" if response.after_end_of else "first"), index
    return "first", numbered[0][0] if numbered else None


def since(anchor: Anchor) -> Since:
    """Return how a finding's sentence names what a response of a step counts from."""
    return Since("the step began") if anchor[1] is None else STIMULUS
