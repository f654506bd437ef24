"""Boards that go safe by themselves: what a bench file may not declare of them, and what is taken on trust."""

import pytest

from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import read_bench

BENCH = """\
bench: boards
buses:
  io: {link: tcp, host: 192.0.2.7, timeout: 60 ms, quiet_after_fault: 30 ms, poll_every: 50 ms}
outputs:
  rain: {driver: coil, wired: {bus: io, unit_id: 2, coil: 0}}
  lamp: {driver: coil, wired: {bus: io, unit_id: 2, coil: 1}}
  horn: {driver: control-line, wired: {port: /dev/horn, line: rts}}
  pot:
    {kind: level, driver: register, wired: {bus: io, unit_id: 2, table: holding, address: 0}, signal: 0-10 V,
     range: [0 %, 100 %], safe: 0}
signals:
  shut: {bus: io, unit_id: 1, table: discrete, address: 0, type: bit, unit: flag}
boards:
  io:
    bus: io
    unit_id: 2
    goes_safe_after: 2 s
    set_at: {table: holding, address: 40, scale: 0.1}
    tripped: {table: discrete, address: 15}
    cleared_by: {table: holding, address: 41, write: 1}
    then: off
"""
TWIN = """\
boards:
  twin:
    {bus: io, unit_id: 2, goes_safe_after: 2 s, then: off, fed_by: {table: coil, address: 1}}
"""
SAFE = "then: safe\n    safe_at: {rain: {table: holding, address: 32, bit: 0}}"


def _refused(old: str, new: str) -> str:
    assert old in BENCH
    with pytest.raises(FileError) as error:
        read_bench("bench.yaml", BENCH.replace(old, new))
    return str(error.value)


def test_the_record_says_what_makes_each_output_safe():
    """Outputs on the board, and outputs for which nothing stands in once the line process is gone."""
    assert read_bench("bench.yaml", BENCH).model.guards == (
        "board io makes rain, lamp, pot safe by itself 2 s after it was fed last",
        "only the line process and its standby make horn safe: nothing does if both are killed",
    )


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (
            "then: off",
            "then: holds",
            "21:11: 'holds': a board that holds its outputs when the host is gone protects no one",
        ),
        ("then: off", "then: open", "21:11: "),
        (
            "2 s",
            "180 ms",
            "17:22: one lost reply would trip the board: it is fed every 0.045 s, and a lost reply takes 0.14 s",
        ),
        ("2 s", "2.04 s", "17:22: its register cannot hold 2.04 s; write 2 s, the nearest that it can"),
        ("2 s", "2 h", "17:22: its register cannot hold 7200 s"),
        ("    bus: io\n", "    bus: oi\n", "15:10: there is no bus 'oi'; known: io"),
        (
            "    unit_id: 2\n",
            "    unit_id: 3\n",
            "14:3: no contact and no level is on board 'io', unit 3 of bus io",
        ),
        (
            "cleared_by: {table: holding",
            "cleared_by: {table: discrete",
            "20:5: cleared_by: table 'discrete' cannot be written",
        ),
        ("set_at: {table: holding", "set_at: {table: input", "18:5: set_at: table 'input' cannot be written"),
        ("    tripped: {table: discrete, address: 15}\n", "", "19:5: cleared_by without `tripped`"),
        (
            "tripped: {table: discrete,",
            "tripped: {table: discrete, type: u16,",
            "type u16 does not fit table discrete",
        ),
        (
            "    then: off",
            "    safe_at: {rain: {table: holding, address: 32}}\n    then: off",
            "21:5: safe_at is for `then: safe`",
        ),
        ("then: off", SAFE.replace("rain", "horn"), "22:15: output 'horn' is not on board 'io'"),
        ("then: off", SAFE.replace("{rain: {", "{rain: {type: bit, "), None),
        (
            "coil: 1}",
            "coil: 1}, safe: closed",
            "21:11: board 'io' switches off, which is not the safe state of output 'lamp'",
        ),
        (
            "safe: 0}",
            "safe: 5}",
            "21:11: board 'io' switches off, which is not the safe state of output 'pot'",
        ),
        (
            "boards:\n",
            TWIN,
            "16:3: boards 'twin' and 'io' are both unit 2 on bus io",
        ),
        ("then: off", "then: off\n    fed_by: polls", "22:13: "),
        (
            "then: off",
            "then: off\n    fed_by: {table: input, address: 3}",
            "22:5: fed_by: table 'input' cannot be written",
        ),
    ],
)
def test_a_board_that_would_not_guard_is_refused(old, new, says):
    """Holding boards, times that one lost reply uses up, outputs that are elsewhere or unsafe when off."""
    if says is None:
        read_bench("bench.yaml", BENCH.replace(old, new))
    else:
        assert says in _refused(old, new)


def test_a_board_with_nothing_to_ask_for_is_refused():
    """Any request feeds it, but nothing says which one to make."""
    own = "".join(
        line
        for line in BENCH.splitlines(keepends=True)
        if not line.strip().startswith(("set_at", "tripped", "cleared"))
    )
    with pytest.raises(
        FileError, match="the request to feed the board is missing; declare `tripped`, `set_at` or both"
    ):
        read_bench("bench.yaml", own)


def test_what_is_taken_on_trust_is_noted():
    """A time set by switches, a trip that shows nowhere, safe values that nobody writes."""
    trusting = BENCH.replace("    set_at: {table: holding, address: 40, scale: 0.1}\n", "").replace(
        "then: off", SAFE
    )
    notes = [str(note) for note in read_bench("bench.yaml", trusting).notes]
    assert any("nothing reads back that it goes safe after 2 s" in note for note in notes)
    assert any("its safe values for lamp, pot are taken as they are set on it" in note for note in notes)
