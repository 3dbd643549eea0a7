"""Talks to the devices of a site and yields Readings: raw words with a time and a status.

It knows protocols and nothing of rotors or scaling. Refuses to write to any device, to guess at
a reply that does not fit its request, and to let a dead device delay a live one.
"""

import asyncio
import time
from collections import defaultdict
from collections.abc import Callable, Collection, Sequence
from secrets import SystemRandom

from gateway.field.link import Patience
from gateway.field.modbus import Master, RtuMaster, TcpMaster
from gateway.field.poller import Lane
from gateway.field.rounds import Query, Round, queries_of, spread
from gateway.field.station import Station, failed
from gateway.site.installed import Site
from gateway.site.model import Device, ModbusRtuLink
from gateway.site.profile import Point
from gateway.tags import BAD_CONFIGURATION_ERROR, DeviceReport, Instant, Reading


class Field:
    """All devices of a site.

    Raises ValueError if a point of the site cannot be read within its profile's own limits.
    """

    def __init__(
        self,
        site: Site,
        now: Callable[[], Instant],
        deliver: Callable[[Sequence[Reading]], None],
    ) -> None:
        self._site = site
        self._now = now
        self._links = {link.name: link for link in site.file.links}
        self._devices = {device.name: device for device in site.file.devices}
        self._masters: dict[str, Master] = {}  # by device
        self._stations: dict[str, Station] = {}
        self._groups: list[list[list[Round]]] = []  # lanes that are spread together
        self._lanes: list[Lane] = []
        self._running = False
        chance = SystemRandom().random
        lines = {
            link.name: RtuMaster(link, now)
            for link in site.file.links
            if isinstance(link, ModbusRtuLink)
        }
        by_master: dict[Master, list[list[Round]]] = defaultdict(list)
        for device in site.file.devices:
            link = self._links[device.link]
            master = lines[link.name] if isinstance(link, ModbusRtuLink) else TcpMaster(link, now)
            share = link.dead_device_share if master.shared else 1.0
            patience = Patience(link.backoff_first, link.backoff_most, min(1.0, share))
            self._masters[device.name] = master
            self._stations[device.name] = Station(device.name, master, patience, now, chance)
            if rounds := self._rounds_of(device):
                by_master[master].append(rounds)
        self._groups = [devices for m, devices in by_master.items() if m.shared]
        self._groups.append(
            [d for m, devices in by_master.items() if not m.shared for d in devices]
        )
        self._lanes = [
            Lane(master, self._stations, [r for d in devices for r in d], now, deliver)
            for master, devices in by_master.items()
        ]

    async def run(self) -> None:
        """Poll every device until cancelled; cancelling closes every connection within a second."""
        for devices in self._groups:
            spread(devices, time.monotonic())
        self._running = True
        try:
            async with asyncio.TaskGroup() as lanes:
                for lane in self._lanes:
                    lanes.create_task(lane.run())
        finally:
            self._running = False

    async def read_once(self, points: Collection[str]) -> list[Reading]:
        """Read each "device.point" once; whatever goes wrong is told by the readings' status."""
        wanted: dict[str, list[Point]] = defaultdict(list)
        unknown: list[str] = []
        for name in dict.fromkeys(points):
            device_name, _, point_name = name.partition(".")
            device = self._devices.get(device_name)
            point = self._site.profile_of(device).point(point_name) if device else None
            if point is None:
                unknown.append(name)
            else:
                wanted[device_name].append(point)
        by_master: dict[Master, list[str]] = defaultdict(list)
        for device_name in wanted:
            by_master[self._masters[device_name]].append(device_name)
        readings = {
            name: Reading(name, (), BAD_CONFIGURATION_ERROR, self._now()) for name in unknown
        }
        try:
            async with asyncio.TaskGroup() as lanes:
                tasks = [
                    lanes.create_task(self._read_lane(names, wanted))
                    for names in by_master.values()
                ]
        finally:
            if not self._running:
                for master in by_master:
                    master.close()
        readings.update((r.point, r) for task in tasks for r in task.result())
        return [readings[name] for name in dict.fromkeys(points)]

    def reports(self) -> tuple[DeviceReport, ...]:
        """How the polling of each device goes, in the order of the site file."""
        return tuple(station.report() for station in self._stations.values())

    def _rounds_of(self, device: Device) -> list[Round]:
        profile, link = self._site.profile_of(device), self._links[device.link]
        classes: dict[str, list[Point]] = defaultdict(list)
        for point in self._site.points_read(device):
            classes[point.poll].append(point)
        return [
            Round(
                device.name,
                self._site.poll_period_s(device, points[0]),
                queries_of(device, profile, link, points),
            )
            for points in classes.values()
        ]

    async def _read_lane(
        self, devices: Sequence[str], wanted: dict[str, list[Point]]
    ) -> list[Reading]:
        readings: list[Reading] = []
        for name in devices:
            device, station = self._devices[name], self._stations[name]
            profile, link = self._site.profile_of(device), self._links[device.link]
            try:
                queries: Sequence[Query] = queries_of(device, profile, link, wanted[name])
            except ValueError:
                readings += [
                    Reading(f"{name}.{p.name}", (), BAD_CONFIGURATION_ERROR, self._now())
                    for p in wanted[name]
                ]
                continue
            silent = False
            for query in queries:
                if silent:
                    station.skip(1)
                    readings += failed(query, station.status, self._now())
                else:
                    readings += await station.read(query)
                    silent = station.silent
        return readings
