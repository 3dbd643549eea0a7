"""What a running gateway says right now: the newest Frame of each machine, over the wall."""

import asyncio
from pathlib import Path
from typing import Final

from gateway.service.wall import WallClient
from gateway.site.installed import Site
from gateway.tags import Frame

WAIT_S: Final = 3.0  # for Frames that the field side has already; common practice, no source


def not_running(wall: Path) -> str:
    """What to say where nobody answers at the wall."""
    return (
        f"no gateway runs with the state directory {wall.parent}; start it, or name the "
        "directory of the one that runs with --state"
    )


def no_word(missing: list[str], wall: Path) -> str:
    """What to say of machines whose Frame did not come in time."""
    return f"no word of {', '.join(missing)} within {WAIT_S:.0f} s: {not_running(wall)}"


def newest_frames(site: Site, wall: Path) -> dict[str, Frame]:
    """The newest Frame of each machine that the field side has, within `WAIT_S`, in site order."""
    return asyncio.run(_newest(site, wall))


async def _newest(site: Site, wall: Path) -> dict[str, Frame]:
    frames: dict[str, Frame] = {}
    complete = asyncio.Event()

    def take(frame: Frame) -> None:
        frames[frame.machine] = frame
        if len(frames) == len(site.file.machines):
            complete.set()

    running = asyncio.create_task(WallClient(wall).run(take, lambda report: None))
    try:
        await asyncio.wait_for(complete.wait(), WAIT_S)
    except TimeoutError:
        pass
    finally:
        running.cancel()
    order = [m.name for m in site.file.machines if m.name in frames]
    return {name: frames[name] for name in order}
