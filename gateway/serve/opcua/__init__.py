"""The tags and alarms over OPC UA, read-only.

One endpoint without encryption for anonymous readers, meant for the loopback: a warning is
logged where the site file opens it to a network. Refuses writes, method calls and node
management.
"""

import asyncio
import contextlib
import logging
from datetime import UTC, datetime
from ipaddress import ip_address
from typing import Final

import structlog
from asyncua import ua

from gateway import __version__
from gateway.serve.opcua.address_space import AddressSpace, application_uri, check_names
from gateway.serve.opcua.hardened import GuardedServer
from gateway.serve.opcua.values import keep_exact_times
from gateway.serve.outlet import Feed, TakeOrder, cannot_listen
from gateway.site.installed import Site
from gateway.site.model import OpcUaOutput

log = structlog.get_logger("gateway.serve")

_NAME: Final = "rotor gateway"
_PRODUCT_URI: Final = "urn:rotor-gateway"
_UNKNOWN_DATE: Final = datetime(1601, 1, 1, tzinfo=UTC)  # OPC 10000-6, 5.2.2.5: no date
# ServiceLevel also follows the FieldReport, of which nobody is told.
_LOOK_EVERY_S: Final = 1.0  # the period of the FieldReport


class OpcUaOutlet:
    """Serves a site's tags. Raises ValueError if two of its nodes would share a name."""

    def __init__(self, site: Site, feed: Feed, order: TakeOrder) -> None:
        check_names(site)
        self._site = site
        self._output = site.file.outputs.opcua or OpcUaOutput()
        self._feed = feed
        self._server: GuardedServer | None = None
        self._writer: asyncio.Task[None] | None = None
        self._changed = asyncio.Event()
        self._machines: set[str] = set()

    async def start(self) -> None:
        """Builds the nodes (seconds) and listens. Raises OSError that names the setting."""
        # Its own words on hostile traffic are tracebacks, and as many as the peer likes.
        logging.getLogger("asyncua").setLevel(logging.CRITICAL)
        keep_exact_times()
        host, port = self._output.host, self._output.port
        server = GuardedServer(trusts=lambda certificate: False)
        await server.init()
        await _name_server(server, self._site, f"opc.tcp://{_in_url(host)}:{port}/")
        server.socket_address = (host, port)
        space = AddressSpace(server, self._site, self._feed)
        await space.build()
        try:
            await server.start()
        except OSError as error:
            raise cannot_listen("opcua", host, port, error) from error
        self._server = server
        self._machines = {m.name for m in self._site.file.machines}
        self._feed.subscribe(self._see)
        self._changed.set()
        self._writer = asyncio.get_running_loop().create_task(self._write_changes(space))
        self._writer.add_done_callback(self._writer_ended)
        if not _is_loopback(host):
            log.warning("opc ua is served without encryption beyond this computer", host=host)
        log.info("serving opc ua", host=host, port=port)

    async def stop(self) -> None:
        """Stops serving, closes all sessions and frees the port."""
        if self._writer is not None:
            self._feed.unsubscribe(self._see)
            self._writer.cancel()
            await asyncio.wait([self._writer])  # how it ended is told by _writer_ended
            self._writer = None
        if self._server is not None:
            server, self._server = self._server, None
            await server.stop()

    def _see(self, machine: str) -> None:
        self._machines.add(machine)
        self._changed.set()

    async def _write_changes(self, space: AddressSpace) -> None:
        while True:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_LOOK_EVERY_S):
                    await self._changed.wait()
            self._changed.clear()
            machines, self._machines = self._machines, set()
            for machine in machines:
                await space.show(machine)
            await space.show_service_level()

    def _writer_ended(self, task: asyncio.Task[None]) -> None:
        # Values that stand still must not look good: rather no server than one that lies.
        if task.cancelled() or self._server is None or self._server.bserver is None:
            return
        log.error("opc ua is no longer served: values cannot be written", why=str(task.exception()))
        self._server.iserver.max_connections = 0
        for client in tuple(self._server.bserver.clients):
            if client.transport is not None:
                client.transport.abort()


async def _name_server(server: GuardedServer, site: Site, endpoint: str) -> None:
    server.set_endpoint(endpoint)
    server.name = f"{_NAME} {site.name}"
    server.product_uri = _PRODUCT_URI
    server.manufacturer_name = _NAME
    server.application_type = ua.ApplicationType.Server
    await server.set_application_uri(application_uri(site))
    await server.set_build_info(_PRODUCT_URI, _NAME, _NAME, __version__, __version__, _UNKNOWN_DATE)


def _is_loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _in_url(host: str) -> str:
    return f"[{host}]" if ":" in host else host
