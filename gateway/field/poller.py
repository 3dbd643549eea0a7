"""One worker for each TCP device and each serial line, which asks what is due and delivers it.

A lane never has two requests under way, so a device on its own lane can neither delay nor be
delayed by another. On a shared line the round with the earliest deadline goes first, request by
request. Refuses to wait for a device that is known to be silent: its rounds are left out.
"""

import asyncio
import time
from collections.abc import Callable, Mapping, Sequence

from gateway.field.link import Reach
from gateway.field.modbus import Master
from gateway.field.rounds import Round, most_urgent
from gateway.field.station import Station, failed
from gateway.tags import Instant, Reading

Deliver = Callable[[Sequence[Reading]], None]


class Lane:
    """A connection or line, its devices, and their rounds."""

    def __init__(
        self,
        master: Master,
        stations: Mapping[str, Station],
        rounds: Sequence[Round],
        now: Callable[[], Instant],
        deliver: Deliver,
    ) -> None:
        self._master = master
        self._stations = stations
        self._rounds = rounds
        self._now = now
        self._deliver = deliver

    async def run(self) -> None:
        """Poll until cancelled; the connection is closed then."""
        rounds = self._rounds
        try:
            while True:
                now_s = time.monotonic()
                next_round = most_urgent(rounds, now_s)
                if next_round.due_s > now_s:
                    await asyncio.sleep(next_round.due_s - now_s)
                else:
                    await self._step(next_round, now_s)
        finally:
            self._master.close()

    async def _step(self, r: Round, now_s: float) -> None:
        station = self._stations[r.device]
        if r.at == 0 and (missed := r.catch_up(now_s)):
            station.skip(missed * len(r.queries))
        if now_s < station.contact.not_before_s:
            self._leave_out(r, station)
            return
        if r.at == 0:
            station.begin(now_s - r.due_s, r.period_s)
        readings = await station.read(r.queries[r.at])
        r.told[r.at] = readings[0].status
        self._deliver(readings)
        r.at += 1
        if station.silent:
            if station.contact.reach is Reach.UNREACHABLE and not self._master.shared:
                self._master.close()  # a half-open connection would never come back to life
            self._leave_out(r, station)
        elif r.at == len(r.queries):
            r.finish()

    def _leave_out(self, r: Round, station: Station) -> None:
        """Skip the rest of a round. That nothing came is delivered once, not every time."""
        station.skip(len(r.queries) - r.at)
        at = self._now()
        for i in range(r.at, len(r.queries)):
            if r.told[i] != station.status:
                r.told[i] = station.status
                self._deliver(failed(r.queries[i], station.status, at))
        r.finish()
