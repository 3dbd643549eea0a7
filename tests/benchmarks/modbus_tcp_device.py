"""The cheapest Modbus TCP device; run as a program of its own, so that its CPU is not counted.

    python modbus_tcp_device.py

Prints its port, serves reads of holding registers until its input is closed, then prints when
each request of each connection arrived (monotonic seconds, one JSON list of lists).
"""

import asyncio
import json
import sys
import time


class Device(asyncio.Protocol):
    """One connection. Requests are answered at once, from zeros."""

    arrivals_s: list[list[float]] = []  # noqa: RUF012  of all connections, on purpose

    def __init__(self) -> None:
        self._arrived_s: list[float] = []
        self.arrivals_s.append(self._arrived_s)
        self._buffer = b""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        now_s = time.monotonic()
        self._buffer += data
        while len(self._buffer) >= 12:
            request, self._buffer = self._buffer[:12], self._buffer[12:]
            self._arrived_s.append(now_s)
            size = 2 * int.from_bytes(request[10:12], "big")
            head = request[:4] + (3 + size).to_bytes(2, "big") + request[6:8] + bytes((size,))
            self._transport.write(head + bytes(size))


async def main() -> None:
    loop = asyncio.get_running_loop()
    server = await loop.create_server(Device, "127.0.0.1", 0)
    print(server.sockets[0].getsockname()[1], flush=True)
    await loop.run_in_executor(None, sys.stdin.read)
    server.close()
    print(json.dumps(Device.arrivals_s), flush=True)


if __name__ == "__main__":
    asyncio.run(main())
