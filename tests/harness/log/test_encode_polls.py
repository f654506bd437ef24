"""The lines of polls: written in less time, to the same byte."""

from __future__ import annotations

from drawn_polls import decoded, polls
from hypothesis import given
from hypothesis import strategies as st

from ventproof.log.encode import PollText, fields_of, to_json
from ventproof.log.events import PollSeen
from ventproof.log.read import read_log
from ventproof.log.write import RecordLog
from ventproof_bench.base.evidence import Poll


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
