"""Serving the plant: reads Frames and nothing else, and refuses to show an old value as good.

The outlets there are stand in `OUTLETS`, each under its name in the site file's `outputs`.
"""

from collections.abc import Callable
from typing import Final

from gateway.serve.outlet import Feed, Outlet, TakeOrder
from gateway.site.installed import Site

Build = Callable[[Site, Feed, TakeOrder], Outlet]


# Each is imported when it is built: the OPC UA library alone takes most of a second to load,
# and the command line reads the register map without it.
def _modbus(site: Site, feed: Feed, order: TakeOrder) -> Outlet:
    from gateway.serve.modbus import ModbusOutlet

    return ModbusOutlet(site, feed, order)


def _opcua(site: Site, feed: Feed, order: TakeOrder) -> Outlet:
    from gateway.serve.opcua import OpcUaOutlet

    return OpcUaOutlet(site, feed, order)


def _http(site: Site, feed: Feed, order: TakeOrder) -> Outlet:
    from gateway.serve.http import HttpOutlet

    return HttpOutlet(site, feed, order)


OUTLETS: Final[tuple[tuple[str, Build], ...]] = (
    ("modbus", _modbus),
    ("opcua", _opcua),
    ("http", _http),
)


def outlets(site: Site, feed: Feed, order: TakeOrder) -> list[Outlet]:
    """The outlets that the site file configures, built and not yet started.

    Raises ValueError when what the site has does not fit an outlet.
    """
    served = site.file.outputs.served
    return [build(site, feed, order) for name, build in OUTLETS if name in served]
