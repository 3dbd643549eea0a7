"""The guard around Modbus reads over TCP, on real sockets."""

import asyncio
import time
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gateway.field.modbus import TcpMaster
from gateway.field.reply import Ask, Misfit, ModbusError, NoAnswer, NoLink, Refused
from gateway.site.model import ModbusTcpLink
from gateway.tags import Instant

ASK = Ask(17, 3, 107, 3)
WORDS = (749, 756, 763)  # what the device holds there


def tcp_master(port: int, now: Callable[[], Instant], timeout: str = "150 ms") -> TcpMaster:
    link = {"kind": "modbus-tcp", "name": "north", "host": "127.0.0.1", "port": port}
    return TcpMaster(ModbusTcpLink.model_validate({**link, "timeout": timeout}), now)


async def test_the_published_exchange(tcp_device: Any, now: Any) -> None:
    """The bytes of the standard's example leave, and its values come back."""
    device = await tcp_device()
    device.reply = lambda t, u, p: device.frame(t, u, bytes.fromhex("0306022B00000064"))
    master = tcp_master(device.port, now)
    before, answer = now(), await master.read(ASK)
    # Modbus application protocol V1.1b3, 6.3
    assert [bytes.fromhex("11 03 006B 0003")] == device.requests
    assert (555, 0, 100) == answer.words
    assert before.monotonic_ns <= answer.at.monotonic_ns <= now().monotonic_ns
    master.close()


@pytest.mark.parametrize(
    ("ask", "request_pdu", "reply_pdu", "first", "last"),
    [
        (Ask(1, 1, 0x13, 0x13), "01 0013 0013", "01 03 CD6B05", 1, 1),
        (Ask(1, 2, 0xC4, 0x16), "02 00C4 0016", "02 03 ACDB35", 0, 1),
        (Ask(1, 4, 8, 1), "04 0008 0001", "04 02 000A", 10, 10),
    ],
)
async def test_the_other_functions(
    tcp_device: Any, now: Any, ask: Ask, request_pdu: str, reply_pdu: str, first: int, last: int
) -> None:
    """Coils, inputs and input registers are asked and read as the standard's examples are."""
    device = await tcp_device()
    device.reply = lambda t, u, p: device.frame(t, u, bytes.fromhex(reply_pdu))
    master = tcp_master(device.port, now)
    words = (await master.read(ask)).words
    # Modbus application protocol V1.1b3, 6.1, 6.2 and 6.4
    assert [b"\x01" + bytes.fromhex(request_pdu)] == device.requests
    assert (ask.count, first, last) == (len(words), words[0], words[-1])
    master.close()


GOOD = bytes.fromhex("0306022B00000064")
BAD_REPLIES: dict[str, Callable[[bytes, int], bytes | None]] = {
    "wrong function": lambda t, u: _tcp(t, u, b"\x04" + GOOD[1:]),
    "another function's exception": lambda t, u: _tcp(t, u, b"\x84\x02"),
    "too short": lambda t, u: _tcp(t, u, bytes.fromhex("0304022B0000")),
    "too long": lambda t, u: _tcp(t, u, bytes.fromhex("0308022B000000640001")),
    "no registers": lambda t, u: _tcp(t, u, b"\x03\x00"),
    "lying byte count": lambda t, u: _tcp(t, u, b"\x03\x06\x02\x2b"),
    "only a function": lambda t, u: _tcp(t, u, b"\x03"),
    "unknown function": lambda t, u: _tcp(t, u, b"\x63\x01\x02"),
    "function 0x80": lambda t, u: _tcp(t, u, b"\x80\x02"),
    "wrong unit": lambda t, u: _tcp(t, u + 1, GOOD),
    "wrong transaction": lambda t, u: _tcp(b"\x77\x77", u, GOOD),
    "transaction zero": lambda t, u: _tcp(b"\0\0", u, GOOD),
    "wrong protocol": lambda t, u: t + b"\x00\x01" + _tcp(t, u, GOOD)[4:],
    "garbage": lambda t, u: b"\xff" * 40,
    "cut short": lambda t, u: _tcp(t, u, GOOD)[:-3],
    "length 0": lambda t, u: t + b"\0\0\0\0" + bytes((u,)) + GOOD,
    "closed before the reply": lambda t, u: None,
}


def _tcp(transaction: bytes, unit: int, pdu: bytes) -> bytes:
    return transaction + b"\0\0" + (len(pdu) + 1).to_bytes(2, "big") + bytes((unit,)) + pdu


@pytest.mark.parametrize("fault", BAD_REPLIES)
async def test_a_reply_that_does_not_fit(tcp_device: Any, now: Any, fault: str) -> None:
    """A bad reply is told as such, in time, with its place; the next good one is read again."""
    device = await tcp_device()
    device.reply = lambda t, u, p: BAD_REPLIES[fault](t, u)
    master = tcp_master(device.port, now)
    began_s = time.monotonic()
    with pytest.raises(Misfit, match="link north, unit 17, holding register 107-109"):
        await master.read(ASK)
    assert time.monotonic() - began_s < 0.5
    device.reply = device.good
    assert WORDS == (await master.read(ASK)).words
    master.close()


async def test_silence_is_told_from_rubbish(tcp_device: Any, now: Any) -> None:
    """When nothing at all comes the error says so, and the connection is kept."""
    device = await tcp_device()
    device.reply = lambda t, u, p: b""
    master = tcp_master(device.port, now)
    with pytest.raises(NoAnswer, match=r"no answer within 0\.15 s"):
        await master.read(ASK)
    device.reply = device.good
    assert WORDS == (await master.read(ASK)).words
    assert 1 == device.connections
    master.close()


async def test_what_follows_a_cut_reply_is_not_read(tcp_device: Any, now: Any) -> None:
    """After half a reply the connection is a new one, so the other half meets nobody."""
    device = await tcp_device()
    device.reply = lambda t, u, p: device.good(t, u, p)[:-3]
    master = tcp_master(device.port, now)
    with pytest.raises(Misfit, match="12 bytes came"):
        await master.read(ASK)
    device.reply = device.good
    assert WORDS == (await master.read(ASK)).words
    assert 2 == device.connections
    master.close()


async def test_unit_zero_is_a_unit_too(tcp_device: Any, now: Any) -> None:
    """A reply of another unit does not answer a request to unit 0."""
    device = await tcp_device()
    device.reply = lambda t, u, p: device.good(t, 9, p)
    master = tcp_master(device.port, now)
    with pytest.raises(Misfit, match="another unit"):
        await master.read(Ask(0, 3, 107, 3))
    master.close()


async def test_a_late_reply_is_not_the_next_ones(tcp_device: Any, now: Any) -> None:
    """A reply that comes after its time-out is dropped, also when the read was cancelled."""
    device = await tcp_device()
    device.delay_s = 0.2
    master = tcp_master(device.port, now)
    with pytest.raises(NoAnswer):
        await master.read(Ask(17, 3, 20, 1))
    device.delay_s = 0.0
    assert (280,) == (await master.read(Ask(17, 3, 40, 1))).words
    device.delay_s = 0.1
    reading = asyncio.create_task(master.read(Ask(17, 3, 20, 1)))
    await asyncio.sleep(0.03)
    reading.cancel()
    await asyncio.wait({reading})
    assert reading.cancelled()
    device.delay_s = 0.0
    assert (420,) == (await master.read(Ask(17, 3, 60, 1))).words
    master.close()


async def test_a_cancellation_that_comes_with_the_reply_passes(tcp_device: Any, now: Any) -> None:
    """A read that is cancelled in the very turn in which its reply arrives ends cancelled."""
    device = await tcp_device()
    reading: asyncio.Task[Any] | None = None

    def cancel_and_tell_time() -> Instant:  # called when the reply is taken from the line
        assert reading is not None
        reading.cancel()
        return Instant(0, 0)

    master = tcp_master(device.port, cancel_and_tell_time)
    reading = asyncio.create_task(master.read(ASK))
    await asyncio.wait({reading})
    assert reading.cancelled()
    master.close()


async def test_a_peer_that_closes_is_noticed_at_once(tcp_device: Any, now: Any) -> None:
    """A connection that falls ends the read then, not at the time-out."""
    device = await tcp_device()
    device.reply = lambda t, u, p: None
    master = tcp_master(device.port, now, timeout="5 s")
    began_s = time.monotonic()
    with pytest.raises(Misfit, match="the link fell"):
        await master.read(ASK)
    assert time.monotonic() - began_s < 1.0
    master.close()


async def test_a_refusal_keeps_the_link(tcp_device: Any, now: Any) -> None:
    """An exception reply is the device's word: code kept, connection kept."""
    device = await tcp_device()
    device.reply = lambda t, u, p: device.frame(t, u, b"\x83\x02")
    master = tcp_master(device.port, now)
    with pytest.raises(Refused, match="illegal data address") as caught:
        await master.read(ASK)
    assert 2 == caught.value.code
    device.reply = device.good
    assert WORDS == (await master.read(ASK)).words
    assert 1 == device.connections
    master.close()


async def test_pieces_and_pairs(tcp_device: Any, now: Any) -> None:
    """A reply byte by byte is whole; of two in one segment the second is nobody's."""
    device = await tcp_device()
    master = tcp_master(device.port, now)
    device.piecewise = True
    assert WORDS == (await master.read(ASK)).words
    device.piecewise = False
    device.reply = lambda t, u, p: device.good(t, u, p) + device.frame(t, u, GOOD)
    for _ in range(3):
        assert WORDS == (await master.read(ASK)).words
    device.reply = device.good
    assert (280,) == (await master.read(Ask(17, 3, 40, 1))).words
    master.close()


async def test_nobody_there(now: Any, unused_tcp_port: int) -> None:
    """A refused connection is told with address and port, and may be tried again at once."""
    master = tcp_master(unused_tcp_port, now)
    for _ in range(2):
        with pytest.raises(NoLink, match=rf"127\.0\.0\.1 port {unused_tcp_port}"):
            await master.read(ASK)
    assert (False, False) == (master.connected, master.was_connected)


@settings(max_examples=60, suppress_health_check=list(HealthCheck))
@given(data=st.data())
async def test_no_rubbish_becomes_a_value(data: Any) -> None:
    """Replies with bytes changed, cut or added give the right words or an error, never others."""
    frame = data.draw(st.binary(max_size=24))
    keep = data.draw(st.booleans())

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        head = await reader.readexactly(12)
        good = _tcp(head[:2], head[6], b"\x03\x02\x12\x34")
        writer.write(head[: len(frame) % 8] + frame if keep else frame + good)
        await writer.drain()
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    master = tcp_master(server.sockets[0].getsockname()[1], lambda: Instant(0, 0), timeout="200 ms")
    try:
        answer = await master.read(Ask(1, 3, 5, 1))
    except ModbusError:
        pass
    else:
        # Only a frame that is good in every byte can have got here.
        head = b"\x00\x01\x00\x00\x00\x05\x01\x03\x02"
        sent = (head[: len(frame) % 8] + frame) if keep else frame + head + b"\x12\x34"
        assert head + answer.words[0].to_bytes(2, "big") in sent
    finally:
        master.close()
        server.close()
        await server.wait_closed()
