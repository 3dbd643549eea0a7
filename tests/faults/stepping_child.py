"""Step a machine's chain with alarm traffic and archive each Frame, until killed.

Imported by a process server, so that a child begins at once and can be killed anywhere.
"""

import asyncio
import random
from itertools import count
from pathlib import Path
from typing import Protocol

from gateway.archive.store import Store
from gateway.chain import Chain
from gateway.tags import Command, GatewayCondition, Instant, Order, Reading
from tests.rotor.plant import NOON_NS, SECOND, SITE, module, monitor, silence

MACHINE_OF = {"G1": "mon", "G2": "mon2"}
ALARMS = tuple(a.name for a in SITE.file.alarms)


class Told(Protocol):
    """Where the child says what is on disk."""

    def send_bytes(self, said: bytes, /) -> None: ...


def readings(chance: random.Random, machine: str, at: Instant) -> list[Reading]:
    """A fault that comes and goes within seconds, or no answer."""
    seed = f"{machine} {at.utc_ns // (6 * SECOND)}"  # one fault for six steps
    rf_ohm = random.Random(seed).choice((2e3, 4e3, 12e3, 15e3, 1e6, 0.0))
    if rf_ohm == 0.0:
        return silence(at) if machine == "G1" else []
    said = monitor(at, rf_ohm * chance.uniform(0.95, 1.0), device=MACHINE_OF[machine])
    if machine == "G1":
        said += module(at, chance.uniform(4.0, 20.0), chance.random() < 0.8)
    return said


def orders(chance: random.Random) -> list[Command]:
    if chance.random() < 0.6:
        return []
    return [
        Command(chance.choice((Order.ACKNOWLEDGE, Order.RESET)), chance.choice(ALARMS), "Ida Holm")
        for _ in range(chance.randint(1, 3))
    ]


async def step_on(store: Store, machine: str, told: Told) -> None:
    chance = random.Random()
    begin = store.sequences().get(machine, 0)
    chain = Chain.resumed(SITE, machine, store.parts().get(machine, {}), begin)
    if chain.lost:
        told.send_bytes(f"lost {chain.lost}".encode())
    for sequence in count(begin + 1):
        # A restart in between takes a second or so, as steps do: intervals stay plain.
        at = Instant(NOON_NS + sequence * SECOND, 1_000 * SECOND + sequence * SECOND)
        given = orders(chance) if machine == "G1" else []
        condition = GatewayCondition(late_share=round(chance.random(), 1))
        frame = chain.step(readings(chance, machine, at), at, given, condition)
        await store.write([(frame, chain.save())])
        told.send_bytes(f"{machine} {sequence}".encode())


async def step_all(path: Path, most_bytes: int, told: Told) -> None:
    store = await Store.open(path, max_size_bytes=most_bytes)
    async with asyncio.TaskGroup() as tasks:
        for machine in MACHINE_OF:
            tasks.create_task(step_on(store, machine, told))


def run(path: Path, most_bytes: int, told: Told) -> None:
    asyncio.run(step_all(path, most_bytes, told))
