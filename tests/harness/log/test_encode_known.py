"""Polls whose text is known: read in less time, to the same event."""

from __future__ import annotations

import pytest
from drawn_polls import polls
from hypothesis import given
from hypothesis import strategies as st

from ventproof.log import read
from ventproof.log.encode import KnownPolls, fields_of, to_json
from ventproof.log.events import PollSeen
from ventproof.log.read import read_log
from ventproof.log.write import GENESIS, seal
from ventproof_bench.base.evidence import Poll

ONE = Poll("unit", 0.1, 0.105, {"roof_vent": 8.0}, "input", 0, (80,))


class KnowsNothing:
    """Has every line decoded."""

    def event(self, *_):
        """Return None: it has to be decoded."""

    def learn(self, *_):
        """Learn nothing."""


def log_of(path, bodies):
    """Write a log of lines as they are given, whatever they say."""
    digest = GENESIS
    with path.open("wb") as file:
        for body in bodies:
            line, digest = seal(body, digest)
            file.write(line + b"\n")
    return path


def body_of(seq, poll):
    """Return a poll's line as ventproof writes it."""
    fields = {"seq": seq, "t": poll.replied_s, "event": "poll", **fields_of(PollSeen(poll.replied_s, poll))}
    return to_json(fields).encode("utf-8", "backslashreplace")


def both(path, bodies, monkeypatch):
    """Return what is read of a log, once with polls that are known and once without."""
    log_of(path, bodies)
    quick = read_log(path)
    with monkeypatch.context() as patch:
        patch.setattr(read, "KnownPolls", KnowsNothing)
        slow = read_log(path)
    return quick, slow


@given(some=st.lists(polls(), max_size=12), order=st.lists(st.integers(0, 11), max_size=40))
def test_what_is_known_is_read_as_what_is_decoded(tmp_path_factory, some, order):
    """Whatever polls come again, each event is the one that its line is decoded to."""
    path = tmp_path_factory.mktemp("log") / "polls.jsonl"
    again = [some[at % len(some)] for at in order] if some else []
    times = ((number + 0.1, number + 0.105) for number in range(len(again)))
    again = [poll._replace(requested_s=a, replied_s=b) for poll, (a, b) in zip(again, times, strict=True)]
    with pytest.MonkeyPatch.context() as patch:
        bodies = [body_of(n, poll) for n, poll in enumerate([ONE, *again])]
        quick, slow = both(path, bodies, patch)
    assert quick == slow
    assert len(quick.events) == 1 + len(again)


SPOILT = {
    "a second begin": lambda body: body.replace(b'"values"', b'"from":0.5,"values"'),
    "a second begin, spaced": lambda body: body.replace(b'"values"', b'"from" : 0.5,"values"'),
    "a second begin, escaped": lambda body: body.replace(b'"values"', b'"\\u0066rom":0.5,"values"'),
    "a second end": lambda body: body[:-1] + b',"to":0.9}',
    "a space": lambda body: body.replace(b'"address":0', b'"address": 0'),
    "another number": lambda body: body.replace(b'"seq":', b'"seq":1'),
    "a number twice": lambda body: body[:-1] + b',"seq":7}',
    "not a number": lambda body: body.replace(b'"from":', b'"from":1e999,"x":'),
    "a leading zero": lambda body: body.replace(b'"from":', b'"from":0'),
    "an end before its begin": lambda body: body.replace(b'"from":', b'"from":9'),
    "a time beyond all": lambda body: body.replace(b'"t":', b'"t":9999999999'),
    "no time": lambda body: body.replace(b'"t":', b'"t":"1', 1).replace(b',"event"', b'","event"', 1),
}


@pytest.mark.parametrize("spoil", SPOILT.values(), ids=SPOILT)
def test_a_line_that_ventproof_does_not_write_is_decoded(tmp_path, monkeypatch, spoil):
    """A forger who seals lines of his own gets no other reading out of them than JSON has."""

    def told(bodies):
        try:
            return both(tmp_path / "log.jsonl", bodies, monkeypatch)
        except read.FileError as error:
            return str(error), str(error)

    whole = [body_of(n, ONE._replace(requested_s=n + 0.1, replied_s=n + 0.105)) for n in range(9)]
    for spoilt in ({8}, {5, 6, 7, 8}, set(range(1, 9))):
        quick, slow = told([spoil(body) if n in spoilt else body for n, body in enumerate(whole)])
        assert quick == slow


def test_a_text_is_known_when_it_comes_for_the_third_time():
    """The first time it may stand alone, and the second time it is looked at whether ventproof writes it so."""
    known, found = KnownPolls(), []
    for seq in range(4):
        poll = ONE._replace(requested_s=seq + 0.1, replied_s=seq + 0.105)
        body = body_of(seq, poll)
        found.append(known.event(body, seq))
        known.learn(body, PollSeen(poll.replied_s, poll))
    assert [event is not None for event in found] == [False, False, True, True]
    assert found[3] == PollSeen(3.105, ONE._replace(requested_s=3.1, replied_s=3.105))
