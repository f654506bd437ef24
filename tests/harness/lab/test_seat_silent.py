"""A worker's seat: a run that moves something real goes on only while its campaign is heard."""

import pytest

from ventproof.lab import seat as seat_module
from ventproof.lab.seat import SILENT_S, Seat


class _Watch:
    """A stopwatch of a clock that the test turns."""

    now_s = 0.0

    def __init__(self):
        self._began_s = self.now_s

    def gone_s(self):
        return self.now_s - self._began_s


@pytest.fixture
def seat(monkeypatch):
    """A seat whose worker works on a job of a campaign."""
    monkeypatch.setattr(seat_module, "Stopwatch", _Watch)
    monkeypatch.setattr(_Watch, "now_s", 0.0)
    seat = Seat()
    seat.begin("night")
    return seat


def test_silence_ends_a_run_after_thirty_seconds_and_not_before(seat):
    """The time counts from the last beat, and at first from the beginning of the job."""
    _Watch.now_s = SILENT_S
    assert seat.why_stop == ""
    seat.hear("night")
    _Watch.now_s = 2 * SILENT_S
    assert seat.why_stop == ""
    _Watch.now_s += 0.1
    assert seat.why_stop == "the campaign was silent for 30 s"


def test_another_campaign_keeps_nothing_going(seat):
    """Two clients of one lab speak for their own runs alone."""
    _Watch.now_s = SILENT_S + 0.1
    seat.hear("day")
    assert seat.why_stop


def test_a_job_begun_long_after_the_last_beat_has_its_full_time(seat):
    """Jobs in virtual time come without beats; the next real one of the same client does not end at once."""
    _Watch.now_s = 10 * SILENT_S
    seat.begin("night")
    assert seat.why_stop == ""


@pytest.mark.parametrize(
    ("stop", "said"), [("halt", "the campaign was stopped"), ("leave", "the worker was stopped")]
)
def test_a_word_ends_a_run_at_once(seat, stop, said):
    """The client's stop ends the runs of that client; a worker that leaves ends any."""
    if stop == "halt":
        seat.halt("day")
        assert seat.why_stop == ""
        seat.halt("night")
    else:
        seat.leaving = True
    assert seat.why_stop == said
