"""The lines of polls: written in less time, to the same byte."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from ventproof.log.encode import PollText, fields_of, to_json
from ventproof.log.events import PollSeen
from ventproof.log.read import read_log
from ventproof.log.write import RecordLog
from ventproof_bench.base.evidence import Poll, Unread

TIMES = st.floats(0, 1e9) | st.sampled_from([0.0, 1e-06, 0.000123, 0.1, 123456.789012, 1e16])
WORDS = st.lists(st.sampled_from([0, 1, 0x8000, 0xFFFF]), min_size=1, max_size=3).map(tuple)
NAMES = ["roof_vent", 'a "quoted" vent', "Lüftung", "half a pair \ud800", '","from":1.0,"to":1.0,']
SOME = st.sampled_from([1e-05, 1e16, -0.0, 0.1 + 0.2, 55.0])


def decoded(words):
    """Return values as a bus decodes them: by the words alone."""
    numbers = [1e-05, 1e16, -0.0, 0.1 + 0.2, 655.35]
    values = {NAMES[at]: numbers[(word + at) % len(numbers)] for at, word in enumerate(words)}
    return values, (Unread("side_vent", "no number"),) if words[-1] == 0x8000 else ()


@st.composite
def polls(draw):
    """Draw polls of buses, and of a vent that is played, whose polls have no words."""
    requested_s, took_s = draw(TIMES), draw(TIMES)
    bus = draw(st.sampled_from(["unit", NAMES[4]]))
    if draw(st.booleans()):
        shown = {"opens": draw(st.booleans())}
        return Poll(
            bus, requested_s, requested_s + took_s, {"vent": draw(SOME)}, "played", 0, (), shown=shown
        )
    words = draw(WORDS)
    values, unread = decoded(words)
    return Poll(
        bus, requested_s, requested_s + took_s, values, "input", draw(st.integers(0, 1)), words, unread
    )


@given(st.lists(polls(), max_size=30))
def test_each_text_is_what_json_makes_of_its_fields(some):
    """Whatever was read before on whichever bus, the text is the one that JSON writes."""
    text = PollText()
    for poll in some:
        event = PollSeen(poll.replied_s, poll)
        assert text.of(event) == to_json(fields_of(event))


def test_a_log_of_texts_is_the_log_of_fields(tmp_path):
    """Number, time, name and digest of a line are the same either way, and the log is read as any other."""
    one = Poll("unit", 0.1, 0.105, *decoded((1, 2))[:1], "input", 0, (1, 2))
    with RecordLog(tmp_path / "fields.jsonl") as fields, RecordLog(tmp_path / "texts.jsonl") as texts:
        text = PollText()
        for number in range(3):
            event = PollSeen(number + 0.105, one._replace(requested_s=number + 0.1, replied_s=number + 0.105))
            fields.write(event.name, event.t_s, fields_of(event))
            texts.write_text(event.name, event.t_s, text.of(event))
        assert texts.digest == fields.digest
    assert (tmp_path / "texts.jsonl").read_bytes() == (tmp_path / "fields.jsonl").read_bytes()
    state = read_log(tmp_path / "texts.jsonl")
    assert (state.broken_at, len(state.events)) == (None, 3)
