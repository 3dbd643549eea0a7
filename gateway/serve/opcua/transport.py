"""OPC UA connections whose unread requests and untaken answers are both bounded.

The library waits for the end of a chunk of whatever length its header claims, and keeps all
answers for a client that does not read. Refuses both: such a connection is cut.
"""

import asyncio
from typing import Any, Final

from asyncua.server.binary_server_asyncio import BinaryServer, OPCUAProtocol

NOT_READING_FOR_S: Final = 30.0  # common practice, no source


class GuardedProtocol(OPCUAProtocol):
    """A connection whose unread requests and untaken answers are both bounded."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._not_reading: asyncio.TimerHandle | None = None
        self._peer_reads = asyncio.Event()
        self._peer_reads.set()

    async def _process_one_msg(self, header: Any, buf: Any) -> bool:
        await self._peer_reads.wait()
        return await super()._process_one_msg(header, buf)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if len(self._buffer) > self.limits.max_recv_buffer and self.transport is not None:
            self._buffer = b""
            self.transport.abort()

    def pause_writing(self) -> None:
        self._peer_reads.clear()
        if self.transport is not None and not self.transport.is_closing():
            self.transport.pause_reading()
            self._not_reading = asyncio.get_running_loop().call_later(
                NOT_READING_FOR_S, self.transport.abort
            )

    def resume_writing(self) -> None:
        self._peer_reads.set()
        if self._not_reading is not None:
            self._not_reading.cancel()
        if self.transport is not None and not self.transport.is_closing():
            self.transport.resume_reading()

    def connection_lost(self, ex: BaseException | None) -> None:
        if self._not_reading is not None:
            self._not_reading.cancel()
        super().connection_lost(ex)


class GuardedBinaryServer(BinaryServer):
    """Makes guarded connections."""

    def _make_protocol(self) -> OPCUAProtocol:
        return GuardedProtocol(
            iserver=self.iserver,
            policies=self._policies,
            clients=self.clients,
            closing_tasks=self.closing_tasks,
            limits=self.limits,
        )
