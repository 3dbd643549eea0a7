"""What the OPC UA tests share: an outlet with its Feed and clock, and what a client hears."""

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from asyncua import Client, ua

from gateway.serve.opcua import OpcUaOutlet
from gateway.serve.outlet import Feed
from gateway.tags import GOOD, AlarmState, Sample, Status
from tests.serve.sites import Clock, make_frame


@dataclass
class Plant:
    """The outlet under test, with the Feed and the clock behind it."""

    port: int
    feed: Feed
    clock: Clock
    outlet: OpcUaOutlet
    frames: int = 0
    held: dict[str, Sample] = field(default_factory=dict)

    @property
    def url(self) -> str:
        return f"opc.tcp://127.0.0.1:{self.port}/"

    async def show(
        self,
        tag: str,
        value: float | bool | None,
        status: Status = GOOD,
        uncertainty: float | None = None,
        alarms: Sequence[tuple[str, AlarmState]] = (),
        judged: bool = True,
    ) -> Sample:
        """A Frame of G1 with this sample (and those shown before), until it is written."""
        self.clock.advance(1)
        sample = Sample(tag, value, status, self.clock.utc_ns, uncertainty)
        self.held[tag] = sample
        self.feed.take(make_frame("G1", self.clock, tuple(self.held.values()), alarms, judged))
        await asyncio.sleep(0.02)  # the outlet writes in its own task
        return sample


class Heard:
    """Keeps what a subscription hears."""

    def __init__(self) -> None:
        self.values: list[ua.DataValue] = []
        self.wake = asyncio.Event()

    def datachange_notification(self, node: Any, val: Any, data: Any) -> None:
        self.values.append(data.monitored_item.Value)
        self.wake.set()

    async def settle(self, count: int) -> list[tuple[Any, int]]:
        """(value, StatusCode) of all so far, once `count` came and two more cycles passed."""
        async with asyncio.timeout(5):
            while len(self.values) < count:
                self.wake.clear()
                await self.wake.wait()
        await asyncio.sleep(0.25)
        return [(v.Value.Value, v.StatusCode.value) for v in self.values]


def tag(client: Client, name: str) -> Any:
    return client.get_node(f"ns=2;s={name}")


async def code_of(action: Any) -> str:
    """Name of the StatusCode with which the server refuses this; 'Good' if it does not."""
    try:
        await action
    except ua.UaStatusCodeError as error:
        return ua.StatusCode(ua.UInt32(error.code)).name
    return "Good"
