"""The field side as a whole, on devices that nobody plays."""

import asyncio
import time
from pathlib import Path

from gateway.archive.history import frames
from gateway.archive.store import Store
from gateway.service.field_side import ARCHIVE, field_side
from gateway.site.installed import Site
from gateway.site.read import read
from gateway.tags import Frame, Instant

CONFIG = Path(__file__).parents[2] / "config"


def site_in(directory: Path) -> Site:
    (directory / "profiles").symlink_to(CONFIG / "profiles")
    path = directory / "site.yaml"
    path.write_text((CONFIG / "demo.yaml").read_text().replace("scan: 500 ms", "scan: 100 ms"))
    return read(path)[0]


async def run_for(site: Site, state: Path, seconds: float) -> None:
    stop = asyncio.Event()
    running = asyncio.create_task(field_side(site, state, stop))
    await asyncio.sleep(seconds)
    stop.set()
    await asyncio.wait_for(running, 5.0)


async def test_unreadable_chain_state_costs_the_state_and_no_frame(tmp_path: Path) -> None:
    """After an upgrade or damage the chain begins anew, and its Frames are archived."""
    site = site_in(tmp_path)
    store = await Store.open(tmp_path / ARCHIVE, max_size_bytes=2**24)
    moment = Instant(time.time_ns(), time.monotonic_ns())
    last = Frame("U1", 41, moment, (), (), (), (), ())
    await store.write([(last, b'{"of": "another version"}')])
    await store.close()
    await run_for(site, tmp_path, 1.5)
    found = [f.sequence for f in frames(tmp_path / ARCHIVE, "U1", 0, time.time_ns() + 10**9)]
    assert list(range(41, 41 + len(found))) == found
    assert len(found) > 5


async def test_everything_that_was_stepped_is_on_disk_after_a_stop(tmp_path: Path) -> None:
    """A second run goes on with the number after the last one of the first run."""
    site = site_in(tmp_path)
    for _ in range(2):
        await run_for(site, tmp_path, 1.0)
    for machine in ("U1", "U2", "U3"):
        found = [f.sequence for f in frames(tmp_path / ARCHIVE, machine, 0, time.time_ns() + 10**9)]
        assert list(range(1, 1 + len(found))) == found
        assert len(found) > 10
