"""Modbus TCP frames for the tests, made and read by hand."""

import asyncio
import struct

Stream = tuple[asyncio.StreamReader, asyncio.StreamWriter]


def request(transaction: int, unit: int, pdu: bytes) -> bytes:
    return struct.pack(">HHHB", transaction, 0, len(pdu) + 1, unit) + pdu


def read(transaction: int, address: int, quantity: int, unit: int = 1, function: int = 3) -> bytes:
    return request(transaction, unit, struct.pack(">BHH", function, address, quantity))


async def receive(reader: asyncio.StreamReader) -> tuple[int, int, bytes]:
    """One answer: transaction, unit, PDU."""
    async with asyncio.timeout(5):
        transaction, protocol, length, unit = struct.unpack(">HHHB", await reader.readexactly(7))
        assert 0 == protocol
        return transaction, unit, await reader.readexactly(length - 1)
