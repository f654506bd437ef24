"""The mock on real wires: sockets and pseudo-terminals, in real time and briefly."""

import asyncio
import os

import pytest
from plain_unit import PlainBank, trouble_at

from ventproof_bench.base.errors import LinkError
from ventproof_bench.mock.wires.modbus_server import Frame, Responder, Trouble, encode
from ventproof_bench.mock.wires.stand import serve_pty, serve_tcp

pytestmark = pytest.mark.wire

READ = bytes.fromhex("0300000001")
DEVICES = {1: PlainBank({"holding": [10]})}


def wire(framing):
    """Return a request and its reply as they go over the wire."""
    return encode(framing, Frame(1, READ)), encode(framing, Frame(1, bytes.fromhex("0302000A")))


async def ask_tcp(port, request, reply):
    """Ask on a new connection and return as many bytes as the reply has."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        writer.write(request)
        return await asyncio.wait_for(reader.readexactly(len(reply)), 5)
    finally:
        writer.close()
        await writer.wait_closed()


async def ask_pty(path, request, size):
    """Ask on a terminal and return what comes back, or nothing once it hangs up."""
    fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        os.write(fd, request)
        heard = b""
        async with asyncio.timeout(5):
            while len(heard) < size:
                await asyncio.sleep(0.005)
                try:
                    piece = os.read(fd, 256)
                except BlockingIOError:
                    continue
                except OSError:
                    return heard
                if not piece:
                    return heard
                heard += piece
        return heard
    finally:
        os.close(fd)


@pytest.mark.parametrize("framing", ["tcp", "rtu"])
def test_tcp_connections_have_a_stream_each(framing):
    """Half a request on one connection does not disturb another."""
    request, reply = wire(framing)

    async def main():
        async with serve_tcp(lambda: Responder(framing, DEVICES)) as port:
            _, half = await asyncio.open_connection("127.0.0.1", port)
            half.write(request[:5])
            answers = await asyncio.gather(*(ask_tcp(port, request, reply) for _ in range(3)))
            half.close()
            return answers

    assert asyncio.run(main()) == [reply] * 3


def test_a_reply_keeps_its_delay():
    """A reply leaves no earlier than the unit's time to answer."""
    request, reply = wire("tcp")

    async def main():
        async with serve_tcp(lambda: Responder("tcp", DEVICES, reply_after_s=0.05)) as port:
            loop = asyncio.get_running_loop()
            asked_s = loop.time()
            await ask_tcp(port, request, reply)
            return loop.time() - asked_s

    assert asyncio.run(main()) >= 0.05


def test_a_cut_ends_the_connection_and_the_next_one_works():
    """A scripted cut resets the connection; a new one is served."""
    request, reply = wire("tcp")
    peers = iter(
        [Responder("tcp", DEVICES, trouble=trouble_at({0: Trouble(cut=True)})), Responder("tcp", DEVICES)]
    )

    async def main():
        async with serve_tcp(lambda: next(peers)) as port:
            with pytest.raises((asyncio.IncompleteReadError, ConnectionResetError), match=r"0 bytes|reset"):
                await ask_tcp(port, request, reply)
            return await ask_tcp(port, request, reply)

    assert asyncio.run(main()) == reply


def test_a_port_in_use_is_named():
    """A second server on the same port is refused with the way out."""

    async def main():
        async with serve_tcp(lambda: Responder("tcp", DEVICES)) as port:
            with pytest.raises(
                LinkError, match=rf"^cannot listen on 127.0.0.1 port {port}: .*; 0 picks a free port$"
            ):
                async with serve_tcp(lambda: Responder("tcp", DEVICES), port=port):
                    pass

    asyncio.run(main())


@pytest.mark.parametrize("framing", ["rtu", "ascii"])
def test_a_pseudo_terminal_answers(framing, tmp_path):
    """A serial client on the stable name gets its replies, also after reopening."""
    request, reply = wire(framing)
    link = tmp_path / "unit"
    link.symlink_to("/nowhere")

    async def main():
        async with serve_pty(Responder(framing, DEVICES, reply_after_s=0.002), link=link) as path:
            assert path == str(link)
            return [await ask_pty(path, request, len(reply)) for _ in range(2)]

    assert asyncio.run(main()) == [reply] * 2
    assert not link.is_symlink()


def test_a_cut_hangs_the_terminal_up():
    """A scripted cut on a serial line is an adapter unplugged."""
    request, _ = wire("rtu")

    async def main():
        async with serve_pty(Responder("rtu", DEVICES, trouble=trouble_at({0: Trouble(cut=True)}))) as path:
            return await ask_pty(path, request, 1)

    assert asyncio.run(main()) == b""


def test_a_file_in_the_way_is_kept(tmp_path):
    """The stable name never replaces a file."""
    (tmp_path / "unit").write_text("mine")

    async def main(link):
        async with serve_pty(Responder("rtu", DEVICES), link=link):
            pass

    with pytest.raises(
        LinkError, match=r"unit exists and is not a link; choose another name for the serial port$"
    ):
        asyncio.run(main(tmp_path / "unit"))
    with pytest.raises(
        LinkError, match=r"^cannot make the link .*: No such file or directory; choose a folder"
    ):
        asyncio.run(main(tmp_path / "none" / "unit"))
