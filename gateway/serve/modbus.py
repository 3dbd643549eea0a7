"""The served registers over Modbus TCP: the outlet that joins the map to the server.

Shows what the Feed shows, at most a tenth of a second old. Takes one order only, the
acknowledgement of an alarm, and that only where the site file allows it.
"""

import asyncio
from typing import Final

import structlog

from gateway import __version__
from gateway.serve.modbus_server import (
    ILLEGAL_DATA_ADDRESS,
    ILLEGAL_DATA_VALUE,
    SERVER_DEVICE_FAILURE,
    Identity,
    ModbusServer,
)
from gateway.serve.outlet import Feed, TakeOrder, cannot_listen
from gateway.serve.registers import MachineNow, image, layout
from gateway.site.installed import Site
from gateway.site.model import ModbusOutput
from gateway.tags import Command, Order

log = structlog.get_logger("gateway.serve")

# Ages and lost machines are re-read this often between Frames; a Frame is seen at once.
_IMAGE_LASTS_S: Final = 0.1


class ModbusOutlet:
    """Serves the register map of a site. Raises ValueError if the tags do not fit the map."""

    def __init__(self, site: Site, feed: Feed, order: TakeOrder) -> None:
        self._output = site.file.outputs.modbus or ModbusOutput()
        self._feed = feed
        self._order = order
        self._blocks = layout(site)
        self._image = b""
        self._image_until_s = 0.0
        self._listening: asyncio.Server | None = None
        self._server = ModbusServer(
            self._output.unit_id,
            self._snapshot,
            Identity("rotor gateway", "rotor-gateway", __version__),
            self._take_write if self._output.acknowledge else None,
        )

    async def start(self) -> None:
        """Begins to serve. Raises OSError that names the setting if it cannot listen."""
        try:
            self._listening = await self._server.listen(self._output.host, self._output.port)
        except OSError as error:
            raise cannot_listen("modbus", self._output.host, self._output.port, error) from error
        self._feed.subscribe(self._forget_image)
        log.info("serving modbus", host=self._output.host, port=self._output.port)

    async def stop(self) -> None:
        """Stops serving, closes all connections and frees the port."""
        if self._listening is None:
            return
        self._feed.unsubscribe(self._forget_image)
        self._listening.close()
        self._server.close_connections()
        await self._listening.wait_closed()
        self._listening = None

    def _forget_image(self, machine: str) -> None:
        self._image_until_s = 0.0

    def _snapshot(self) -> bytes:
        now_s = asyncio.get_running_loop().time()
        if now_s >= self._image_until_s:
            self._image = image(self._blocks, self._feed.frames, self._shown())
            self._image_until_s = now_s + _IMAGE_LASTS_S
        return self._image

    def _shown(self) -> list[MachineNow]:
        return [
            MachineNow(
                self._feed.alive(block.machine),
                tuple(self._feed.sample(t.tag) for t in block.tags),
                tuple(self._feed.age_s(t.tag) for t in block.tags),
                self._feed.alarms(block.machine),
            )
            for block in self._blocks
        ]

    async def _take_write(self, address: int, value: int, peer: str) -> int:
        block = next((b for b in self._blocks if b.acknowledge_address == address), None)
        if block is None:
            return ILLEGAL_DATA_ADDRESS
        if not 1 <= value <= len(block.alarms):
            return ILLEGAL_DATA_VALUE
        alarm = block.alarms[value - 1]
        refused = await self._order(Command(Order.ACKNOWLEDGE, alarm, f"modbus {peer}"))
        if refused:
            log.warning("order over modbus refused", alarm=alarm, peer=peer, why=refused)
            return SERVER_DEVICE_FAILURE
        return 0
