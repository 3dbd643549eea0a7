"""What the Modbus library does wrong or in its own way, and we build on.

Each test here is red when the library is mended or changes; then look at what
`gateway.field.modbus` does about it.
"""

import asyncio
import time
from typing import Any

import pytest
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.exceptions import ModbusIOException
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest


def tcp_client(port: int, timeout_s: float = 0.2) -> AsyncModbusTcpClient:
    return AsyncModbusTcpClient(
        "127.0.0.1", port=port, timeout=timeout_s, retries=0, reconnect_delay=0
    )


async def test_a_late_rtu_reply_is_taken_for_the_next(rtu_line: Any) -> None:
    """Register 20's late value is handed out as register 40's."""
    good = rtu_line.good
    rtu_line.reply = lambda f: [(0.16, good(f)[0][1])]
    client = AsyncModbusSerialClient(
        rtu_line.path, baudrate=115200, timeout=0.1, retries=0, reconnect_delay=0
    )
    assert await client.connect()
    with pytest.raises(ModbusIOException):
        await client.read_holding_registers(20, count=1, device_id=1)
    reply = await client.read_holding_registers(40, count=1, device_id=1)
    assert [7 * 20] == reply.registers
    client.close()


@pytest.mark.parametrize(
    ("pdu", "registers"),
    [
        ("04 06 022B00000064", [555, 0, 100]),  # another function
        ("03 02 022B", [555]),  # too few
        ("03 08 022B000000640001", [555, 0, 100, 1]),  # too many
        ("03 00", []),  # none
        ("03 06 022B00000064FFFF", [555, 0, 100]),  # more bytes than counted
    ],
)
async def test_replies_that_do_not_fit_are_accepted(
    tcp_device: Any, pdu: str, registers: list[int]
) -> None:
    """Wrong function, short, long and empty replies all count as good."""
    device = await tcp_device()
    device.reply = lambda t, u, p: device.frame(t, u, bytes.fromhex(pdu))
    client = tcp_client(device.port)
    assert await client.connect()
    reply = await client.read_holding_registers(107, count=3, device_id=17)
    assert (False, registers) == (reply.isError(), list(reply.registers))
    client.close()


async def test_transaction_zero_fits_every_request(tcp_device: Any) -> None:
    """A reply with transaction number 0 is taken for the answer to any request."""
    device = await tcp_device()
    device.reply = lambda t, u, p: device.frame(b"\0\0", u, device.good_pdu(p))
    client = tcp_client(device.port)
    assert await client.connect()
    reply = await client.read_holding_registers(20, count=1, device_id=1)
    assert [140] == reply.registers
    client.close()


async def test_unit_zero_takes_any_units_reply(tcp_device: Any) -> None:
    """A request to unit 0 is answered by whatever unit."""
    device = await tcp_device()
    device.reply = lambda t, u, p: device.frame(t, 9, device.good_pdu(p))
    client = tcp_client(device.port)
    assert await client.connect()
    reply = await client.read_holding_registers(20, count=1, device_id=0)
    assert (9, [140]) == (reply.dev_id, reply.registers)
    client.close()


async def test_a_failed_connect_starts_no_reconnect(unused_tcp_port: int) -> None:
    """connect() that returns False leaves nothing behind that would try again."""
    client = AsyncModbusTcpClient(
        "127.0.0.1", port=unused_tcp_port, timeout=0.2, retries=0, reconnect_delay=0.01
    )
    assert not await client.connect()
    assert client.ctx.reconnect_task is None
    assert {asyncio.current_task()} == asyncio.all_tasks()
    client.close()


async def test_a_closing_peer_is_not_told_to_the_waiting_call(tcp_device: Any) -> None:
    """A read whose connection falls waits out its whole time-out."""
    device = await tcp_device()
    device.reply = lambda t, u, p: None
    client = tcp_client(device.port, timeout_s=0.3)
    assert await client.connect()
    began_s = time.monotonic()
    with pytest.raises(ModbusIOException):
        await client.read_holding_registers(20, count=1, device_id=1)
    assert time.monotonic() - began_s > 0.25
    client.close()


async def test_an_unreadable_reply_raises_in_the_transport(tcp_device: Any) -> None:
    """A frame of an unknown function raises in the event loop's callback and cuts the link."""
    device = await tcp_device()
    device.reply = lambda t, u, p: device.frame(t, u, b"\x63\x01")
    told: list[dict[str, Any]] = []
    asyncio.get_running_loop().set_exception_handler(lambda loop, what: told.append(what))
    client = tcp_client(device.port)
    assert await client.connect()
    with pytest.raises(ModbusIOException):
        await client.read_holding_registers(20, count=1, device_id=1)
    assert [ModbusIOException] == [type(what["exception"]) for what in told]
    client.close()


async def test_what_the_guard_reaches_into(tcp_device: Any, rtu_line: Any) -> None:
    """The inner names that the guard uses are there, and mean what it takes them for."""
    device = await tcp_device()
    client = tcp_client(device.port)
    assert await client.connect()
    inner = client.ctx
    assert inner.transport.get_extra_info("socket") is not None
    request = ReadHoldingRegistersRequest(dev_id=17, address=107, count=3)
    request.transaction_id = inner.getNextTID()
    assert 1 == request.transaction_id  # never 0, which fits anything
    # What is sent last is what replies are held against; they end in this future, through this
    # decoder and from this buffer.
    inner.response_future = asyncio.get_running_loop().create_future()
    decoded: list[bytes] = []
    decode = inner.framer.decoder.decode
    inner.framer.decoder.decode = lambda frame: decoded.append(frame) or decode(frame)
    inner.recv_buffer = b"rest of an older reply"
    inner.pdu_send(request)
    assert b"" == inner.recv_buffer
    reply = await asyncio.wait_for(inner.response_future, 1.0)
    assert (17, 1, [749, 756, 763]) == (reply.dev_id, reply.transaction_id, reply.registers)
    assert [device.good_pdu(bytes.fromhex("03 006B 0003"))] == decoded
    client.close()

    serial = AsyncModbusSerialClient(rtu_line.path, timeout=0.05, retries=0, reconnect_delay=0)
    assert await serial.connect()
    await asyncio.sleep(0)
    sent: list[bytes] = []
    serial.ctx.low_level_send = lambda data, addr=None: sent.append(data)
    request.transaction_id = serial.ctx.getNextTID()
    assert 0 == request.transaction_id
    serial.ctx.pdu_send(request)
    assert [bytes.fromhex("11 03 00 6B 00 03 76 87")] == sent
    assert serial.ctx.transport.sync_serial.fileno() > 0
    serial.close()
