"""The mock's end of a bus: streams in pieces, noise, order, other devices, scripted trouble."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plain_unit import PlainBank, trouble_at

from ventproof_bench.mock.wires.modbus_server import Deframer, Frame, Responder, Trouble, encode

FRAMINGS = ("tcp", "rtu", "ascii")
READ = bytes.fromhex("0300000002")
READ_REPLY = bytes.fromhex("0304000A0102")


def bank():
    """Return a small device."""
    return PlainBank({"coil": [0] * 16, "holding": [10, 0x0102, 3, 4]})


def responder(framing, **options):
    """Return the mock's end of a bus with devices 1 and 7."""
    return Responder(framing, {1: bank(), 7: bank()}, **options)


@pytest.mark.parametrize("framing", FRAMINGS)
def test_every_request_of_a_segment_is_answered_in_order(framing):
    """Three requests in one piece bring three replies, each with its own transaction and device."""
    frames = [Frame(1, READ, 11), Frame(7, bytes.fromhex("0300020001"), 12), Frame(1, READ, 13)]
    replies = responder(framing).exchange(b"".join(encode(framing, f) for f in frames), 5.0)
    expected = [Frame(1, READ_REPLY, 11), Frame(7, bytes.fromhex("03020003"), 12), Frame(1, READ_REPLY, 13)]
    assert [wire for _, wire in replies] == [encode(framing, f) for f in expected]


@pytest.mark.parametrize("framing", FRAMINGS)
@settings(max_examples=40)
@given(st.data())
def test_pieces_of_any_size_make_the_same_requests(framing, data):
    """However a stream is cut, the requests that come out are the same."""
    pdus = st.sampled_from([READ, bytes.fromhex("0600010003"), bytes.fromhex("100001000204000A0102")])
    frames = data.draw(st.lists(st.builds(Frame, st.sampled_from([1, 7]), pdus), max_size=5))
    stream = b"".join(encode(framing, f) for f in frames)
    deframer, at, got = Deframer(framing), 0, []
    while at < len(stream):
        size = data.draw(st.integers(1, 9))
        got += deframer.feed(stream[at : at + size], 1.0)
        at += size
    assert got == frames


@pytest.mark.parametrize("framing", FRAMINGS)
@settings(max_examples=60)
@given(st.binary(max_size=40))
def test_noise_never_becomes_a_request_and_the_line_recovers(framing, noise):
    """After noise and a silence the next request is answered; noise alone raises nothing."""
    peer = responder(framing)
    peer.exchange(noise, 1.0)
    if framing == "ascii":
        noise_end = b"\r\n"
    elif framing == "tcp":
        return  # a TCP stream has no noise to recover from; that nothing raises is all
    else:
        noise_end = b""
    peer.exchange(noise_end, 1.0)
    replies = peer.exchange(encode(framing, Frame(1, READ)), 2.0)
    assert [wire for _, wire in replies] == [encode(framing, Frame(1, READ_REPLY))]


@pytest.mark.parametrize("framing", ["rtu", "ascii"])
def test_a_noise_byte_in_front_costs_nothing(framing):
    """A request right behind a noise byte in the same piece is answered."""
    wire = encode(framing, Frame(1, READ))
    assert len(responder(framing).exchange(b"\xf0" + wire, 1.0)) == 1


def test_a_silence_ends_a_broken_rtu_frame():
    """The rest of a frame that stopped half-way does not spoil the request after the silence."""
    peer = responder("rtu")
    assert peer.exchange(bytes.fromhex("011000000002"), 1.0) == []
    assert len(peer.exchange(encode("rtu", Frame(1, READ)), 1.1)) == 1


@pytest.mark.parametrize("framing", ["rtu", "ascii"])
def test_a_wrong_check_is_left_alone(framing):
    """A frame with a flipped bit gets no reply."""
    wire = bytearray(encode(framing, Frame(1, READ)))
    wire[-3] ^= 1
    assert responder(framing).exchange(bytes(wire), 1.0) == []


@pytest.mark.parametrize("framing", FRAMINGS)
def test_requests_for_other_devices_are_left_alone(framing):
    """A device that is not there stays silent, as another unit on the same line may answer."""
    assert responder(framing).exchange(encode(framing, Frame(9, READ)), 1.0) == []


def test_a_broadcast_is_carried_out_and_not_answered():
    """On a serial line a write to device 0 reaches every device and brings no reply."""
    devices = {1: bank(), 7: bank()}
    assert Responder("rtu", devices).exchange(encode("rtu", Frame(0, bytes.fromhex("0600000063"))), 1.0) == []
    assert [d.tables["holding"][0] for d in devices.values()] == [99, 99]


def test_replies_queue_behind_each_other():
    """Each answer takes its time, and the next waits for it, across pieces too."""
    peer = responder("tcp", reply_after_s=0.1)
    wire = encode("tcp", Frame(1, READ))
    assert [round(d, 9) for d, _ in peer.exchange(wire + wire, 1.0)] == [0.1, 0.2]
    assert [round(d, 9) for d, _ in peer.exchange(wire, 1.1)] == [0.2]
    assert [round(d, 9) for d, _ in peer.exchange(wire, 9.0)] == [0.1]


def test_jitter_is_repeatable_and_bounded():
    """The same seed gives the same delays, each within the jitter."""
    wire = encode("tcp", Frame(1, READ))

    def delays(seed):
        peer = responder("tcp", reply_after_s=0.01, jitter_s=0.005, seed=seed)
        return [peer.exchange(wire, float(at))[0][0] for at in range(1, 30)]

    assert delays(3) == delays(3) != delays(4)
    assert all(0.01 - 1e-9 <= d <= 0.015 for d in delays(3))


@pytest.mark.parametrize(
    ("trouble", "expected"),
    [
        (Trouble(late_s=0.3), [(0.3, "0001 0000 0007 01 0304000A0102")]),
        (Trouble(silent=True), []),
        (Trouble(exception=6), [(0.0, "0001 0000 0003 01 8306")]),
        (Trouble(before=b"\xff\xff"), [(0.0, "FFFF 0001 0000 0007 01 0304000A0102")]),
        (Trouble(after=b"\x00"), [(0.0, "0001 0000 0007 01 0304000A0102 00")]),
        (Trouble(corrupt=True), [(0.0, "0001 0000 0007 01 0304000A0103")]),
        (Trouble(transaction_shift=-2), [(0.0, "FFFF 0000 0007 01 0304000A0102")]),
        (Trouble(pdu=b"\x04\x02\x00\x01"), [(0.0, "0001 0000 0005 01 04020001")]),
    ],
)
def test_scripted_trouble_spoils_one_reply(trouble, expected):
    """The scripted request is spoilt as told, the ones before and after it are not."""
    peer = responder("tcp", trouble=trouble_at({1: trouble}))
    wire = encode("tcp", Frame(1, READ, 1))
    good = [(0.0, encode("tcp", Frame(1, READ_REPLY, 1)))]
    assert peer.exchange(wire, 1.0) == good
    assert [(round(d, 9), b) for d, b in peer.exchange(wire, 2.0)] == [
        (d, bytes.fromhex(t)) for d, t in expected
    ]
    assert peer.exchange(wire, 3.0) == good


def test_a_late_reply_delays_those_behind_it():
    """A unit answers one request after another, so a request behind a slow one waits."""
    peer = responder("rtu", trouble=trouble_at({0: Trouble(late_s=0.3)}))
    wire = encode("rtu", Frame(1, READ))
    assert peer.exchange(wire, 1.0)[0][0] == pytest.approx(0.3)
    assert peer.exchange(wire, 1.2)[0][0] == pytest.approx(0.1)


def test_scripted_corruption_breaks_the_check_of_a_serial_frame():
    """A corrupt RTU or ASCII reply is one that no deframer takes."""
    for framing in ("rtu", "ascii"):
        peer = responder(framing, trouble=trouble_at({0: Trouble(corrupt=True)}))
        ((_, wire),) = peer.exchange(encode(framing, Frame(1, bytes.fromhex("0600010003"))), 1.0)
        assert list(Deframer(framing).feed(wire, 1.0)) == []


def test_a_cut_connection_raises():
    """Whoever owns the wire learns that the peer cut it."""
    peer = responder("tcp", trouble=trouble_at({0: Trouble(cut=True)}))
    with pytest.raises(ConnectionResetError, match=r"^the mock unit cut the connection$"):
        peer.exchange(encode("tcp", Frame(1, READ)), 1.0)


def test_a_local_echo_comes_first():
    """On an echoing line the asker hears its own bytes before the reply, and also when there is none."""
    peer = responder("rtu", local_echo=True)
    for unit_id, replies in ((1, 2), (9, 1)):
        wire = encode("rtu", Frame(unit_id, READ))
        heard = peer.exchange(wire, 1.0)
        assert heard[0] == (0.0, wire)
        assert len(heard) == replies


@pytest.mark.parametrize("framing", FRAMINGS)
def test_an_unknown_function_is_refused_as_such(framing):
    """A request with a function that the mock lacks gets exception 1, whatever its length."""
    replies = responder(framing).exchange(encode(framing, Frame(1, bytes.fromhex("2B0E0100"))), 1.0)
    assert [wire for _, wire in replies] == [encode(framing, Frame(1, b"\xab\x01"))]
