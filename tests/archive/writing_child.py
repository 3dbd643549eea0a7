"""Write Frames until killed: python writing_child.py PATH MAX_BYTES. Prints what is on disk.

Run as a program, so that it can be killed at any moment.
"""

import asyncio
import sys
from pathlib import Path

from gateway.archive.store import Store
from gateway.tags import GOOD, AlarmState, Frame, Instant, Sample, Transition


def step(machine: str, sequence: int) -> Frame:
    time_ns = 1_790_000_000_000_000_000 + sequence * 1_000_000_000
    samples = tuple(
        Sample(f"{machine}.t{i}", sequence * 0.1 + i, GOOD, time_ns, 0.5) for i in range(20)
    )
    changed = Transition("fault", "occur", AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED)
    return Frame(machine, sequence, Instant(time_ns, sequence), (), (), samples, (), (changed,))


async def write_on(store: Store, machine: str) -> None:
    sequence = store.sequences().get(machine, 0)
    while True:
        sequence += 1
        await store.write([(step(machine, sequence), {"alarms": b"after %d" % sequence})])
        print(machine, sequence, flush=True)


async def main() -> None:
    store = await Store.open(Path(sys.argv[1]), max_size_bytes=int(sys.argv[2]))
    print("open", 0, flush=True)
    await asyncio.gather(write_on(store, "G1"), write_on(store, "G2"))


if __name__ == "__main__":
    asyncio.run(main())
