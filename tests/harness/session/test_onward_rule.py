"""Which aborted run ends a suite: what a person must see to does, a hiccup does not."""

from __future__ import annotations

import pytest

from ventproof.run.engine import Outcome
from ventproof.session.onward import IN_A_ROW, why_ended
from ventproof.verdict.finding import Verdict
from ventproof_bench.base.errors import (
    Abort,
    AbortKind,
    DriverError,
    EvidenceError,
    InterlockError,
    LinkError,
    RecordError,
)

PASSED = Outcome(Verdict.PASS)
FAILED = Outcome(Verdict.FAIL)


def aborted(cause, kind=AbortKind.BENCH, unsafe=""):
    return Outcome(None, Abort(kind, str(cause)), unsafe, cause)


HICCUPS = [
    aborted(LinkError("the port was lost")),
    aborted(DriverError("the pulses fell behind")),
    aborted(EvidenceError("two samples contradict")),
    aborted(InterlockError("the interlock cannot be read", unread=True)),
]
FOR_A_PERSON = [
    aborted(InterlockError("the door is open")),
    aborted(RecordError("the disk is full")),
    aborted(LinkError("lost"), unsafe="the outputs may not be in their safe state"),
    aborted(KeyboardInterrupt("stopped"), AbortKind.OPERATOR),
    aborted(ZeroDivisionError("ours"), AbortKind.INTERNAL),
]


@pytest.mark.parametrize("hiccup", HICCUPS, ids=lambda one: one.aborted)
def test_one_aborted_run_is_a_hiccup(hiccup):
    """The next run begins; a run with a verdict between two aborted ones shows that the bench is back."""
    assert not why_ended([])
    assert not why_ended([PASSED, hiccup])
    assert not why_ended([hiccup, FAILED, hiccup, PASSED] * IN_A_ROW)
    assert not why_ended([PASSED, *[hiccup] * (IN_A_ROW - 1)])


@pytest.mark.parametrize("hiccup", HICCUPS, ids=lambda one: one.aborted)
def test_a_fault_that_persists_ends_the_suite_with_its_reason(hiccup):
    """Three in a row are no hiccup, whatever came before."""
    said = why_ended([PASSED, *[hiccup] * IN_A_ROW])
    assert said == f"3 runs in a row were aborted, the last one because {hiccup.aborted}"


@pytest.mark.parametrize("outcome", FOR_A_PERSON, ids=lambda one: one.aborted)
def test_what_a_person_must_see_to_ends_the_suite_at_once(outcome):
    """Nobody drives on behind an opened door, with a contact in doubt, without a record or against the operator."""
    assert why_ended([PASSED, outcome]) == outcome.aborted
    assert not why_ended([outcome, PASSED])
