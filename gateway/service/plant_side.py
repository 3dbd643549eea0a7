"""The plant side: every server that faces the plant network. Reads Frames over the wall.

An outlet that cannot start (its port is taken) is tried again and does not stop the others.
"""

import asyncio
import contextlib
from pathlib import Path
from typing import Final

import structlog

from gateway.serve import outlets
from gateway.serve.outlet import Feed, Outlet
from gateway.service.clock import now
from gateway.service.wall import WALL, WallClient
from gateway.site.installed import Site

log = structlog.get_logger("gateway.service")

# Common practice, no source: a port is mostly held by a predecessor that is about to end.
_RETRY_FIRST_S: Final = 1.0
_RETRY_MOST_S: Final = 30.0


async def plant_side(site: Site, state_dir: Path, stop: asyncio.Event) -> None:
    """All outlets of a site, until `stop` is set."""
    feed = Feed(site, now)
    wall = WallClient(state_dir / WALL)
    running = [asyncio.create_task(wall.run(feed.take, feed.take_report))]
    served = outlets(site, feed, wall.order)
    running += [asyncio.create_task(_started(outlet)) for outlet in served]
    stopping = asyncio.create_task(stop.wait())
    try:
        # None of them ends by itself, unless by a fault of ours: that must end the process.
        await asyncio.wait((stopping, *running), return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in (stopping, *running):
            task.cancel()
        results = await asyncio.gather(*running, return_exceptions=True)
        await asyncio.gather(*(outlet.stop() for outlet in served), return_exceptions=True)
    for result in results:
        if isinstance(result, Exception):
            raise result


async def _started(outlet: Outlet) -> None:
    wait_s = _RETRY_FIRST_S
    while True:
        try:
            await outlet.start()
            break
        except OSError as error:
            log.error("output not served", reason=error.strerror or str(error), retry_s=wait_s)
            with contextlib.suppress(OSError):
                await outlet.stop()
            await asyncio.sleep(wait_s)
            wait_s = min(2 * wait_s, _RETRY_MOST_S)
    await asyncio.Event().wait()
