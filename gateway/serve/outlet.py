"""What every outlet is built from: the newest Frame of each machine, and what an outlet is.

The Feed holds one Frame a machine and never a queue: a slow outlet sees the newest values, not
all of them. It refuses to show a value as good once the Frames of its machine stand still: the
last value stays, its status says that nobody measures any more.
"""

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from math import inf
from typing import Final, Protocol

import structlog

from gateway.site.installed import Site
from gateway.site.model import Machine
from gateway.tags import (
    BAD_WAITING_FOR_INITIAL_DATA,
    UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE,
    AlarmRecord,
    AlarmState,
    Command,
    FieldReport,
    Frame,
    Instant,
    Sample,
)

log = structlog.get_logger("gateway.serve")

# Common practice, no source: one missed scan is jitter, three are a stop; under three seconds
# a restart of the field side would flash through every display of the plant.
SCANS_MISSED: Final = 3
LOST_AT_LEAST_S: Final = 3.0

TakeOrder = Callable[[Command], Awaitable[str]]
"""Takes a person's order through the wall: "" when accepted, else why it was refused."""


class Outlet(Protocol):
    """One way of serving the plant, built from `(site, feed, order)`, `order` being a TakeOrder."""

    async def start(self) -> None:
        """Begins to serve. Raises OSError that names the setting if it cannot listen."""

    async def stop(self) -> None:
        """Stops serving and frees the port; may be called when `start` failed."""


def lost_after_s(machine: Machine) -> float:
    """Seconds without a Frame after which the field side counts as lost for this machine."""
    return max(SCANS_MISSED * machine.scan, LOST_AT_LEAST_S)


def cannot_listen(setting: str, host: str, port: int, error: OSError) -> OSError:
    """The same error in the words of the site file."""
    why = error.strerror or str(error)
    return OSError(
        error.errno,
        f"outputs.{setting}: cannot listen on {host}:{port} ({why}); "
        f"give outputs.{setting}.host and .port an address of this computer that is free",
    )


@dataclass(frozen=True, slots=True)
class _Newest:
    frame: Frame
    arrived: Instant
    samples: dict[str, Sample]
    alarms: dict[str, AlarmRecord]


class Feed:
    """The newest Frame of each machine and the newest FieldReport, for all outlets together.

    `now` is the clock that all outlets use.
    """

    def __init__(self, site: Site, now: Callable[[], Instant]) -> None:
        self.now = now
        self._machine_of = {t.tag: t.machine for t in site.tags}
        self._lost_after_ns = {m.name: int(lost_after_s(m) * 1e9) for m in site.file.machines}
        self._alarms_of = {
            m.name: tuple(a.name for a in site.file.alarms if a.machine == m.name)
            for m in site.file.machines
        }
        self._newest: dict[str, _Newest] = {}
        self._told_lost: set[str] = set()
        self._subscribers: list[Callable[[str], None]] = []
        self._timers: dict[str, asyncio.TimerHandle] = {}
        self._report: FieldReport | None = None
        self._frames = 0

    @property
    def report(self) -> FieldReport | None:
        """The newest report of the field side; None before the first."""
        return self._report

    @property
    def frames(self) -> int:
        """Frames taken since the start, of all machines: it stands still when the chains do."""
        return self._frames

    def take(self, frame: Frame) -> None:
        """Takes the newest Frame of a machine; one of an unknown machine is logged and dropped."""
        if frame.machine not in self._lost_after_ns:
            log.warning("frame of a machine that the site file does not name", name=frame.machine)
            return
        self._frames += 1
        self._newest[frame.machine] = _Newest(
            frame,
            self.now(),
            {s.tag: s for s in frame.samples},
            {a.alarm: a for a in frame.alarms},
        )
        self._told_lost.discard(frame.machine)
        self._tell(frame.machine)

    def take_report(self, report: FieldReport) -> None:
        """Takes the newest report of the field side."""
        self._report = report

    def subscribe(self, callback: Callable[[str], None]) -> None:
        """Calls `callback(machine)` for each new Frame, and once when the machine goes lost.

        Needs a running event loop: a timer notices the loss.
        """
        self._subscribers.append(callback)
        for machine in self._newest:
            self._watch(machine)

    def unsubscribe(self, callback: Callable[[str], None]) -> None:
        """Ends what `subscribe` began."""
        self._subscribers.remove(callback)
        if not self._subscribers:
            for timer in self._timers.values():
                timer.cancel()
            self._timers.clear()

    def frame(self, machine: str) -> Frame | None:
        """The newest Frame of this machine, however old; None before the first."""
        newest = self._newest.get(machine)
        return None if newest is None else newest.frame

    def alive(self, machine: str) -> bool:
        """Whether Frames of this machine arrive."""
        newest = self._newest.get(machine)
        return newest is not None and self._silent_ns(newest) <= self._lost_after_ns[machine]

    def sample(self, tag: str) -> Sample:
        """The sample as it must be shown now. Raises KeyError for a tag that is not served."""
        machine = self._machine_of[tag]
        newest = self._newest.get(machine)
        sample = None if newest is None else newest.samples.get(tag)
        if sample is None:
            return Sample(tag, None, BAD_WAITING_FOR_INITIAL_DATA, 0)
        if sample.status.is_bad or self.alive(machine):
            return sample
        lost = UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE.with_limit(sample.status.limit)
        return replace(sample, status=lost)

    def age_s(self, tag: str) -> float:
        """Seconds since the measurement; infinite when there was none."""
        newest = self._newest.get(self._machine_of[tag])
        sample = None if newest is None else newest.samples.get(tag)
        if newest is None or sample is None:
            return inf
        # Stamps of the same clock are compared up to the Frame, the monotonic clock from there
        # on, so that a step of the clock ages nothing.
        at_arrival_ns = newest.frame.at.utc_ns - sample.time_ns
        return max(0.0, (at_arrival_ns + self._silent_ns(newest)) / 1e9)

    def alarms(self, machine: str) -> tuple[AlarmRecord, ...]:
        """The machine's alarms in the order of the site file; none is judged by a lost machine."""
        newest = self._newest.get(machine)
        known = {} if newest is None else newest.alarms
        alive = self.alive(machine)
        return tuple(
            replace(known[a], judged=known[a].judged and alive)
            if a in known
            else AlarmRecord(a, AlarmState.NORMAL, judged=False, since_ns=0)
            for a in self._alarms_of[machine]
        )

    def _silent_ns(self, newest: _Newest) -> int:
        return self.now().monotonic_ns - newest.arrived.monotonic_ns

    def _tell(self, machine: str) -> None:
        if self._subscribers:
            self._watch(machine)
            for callback in tuple(self._subscribers):
                callback(machine)

    def _watch(self, machine: str) -> None:
        if machine in self._timers:
            self._timers[machine].cancel()
        left_ns = self._lost_after_ns[machine] - self._silent_ns(self._newest[machine])
        self._timers[machine] = asyncio.get_running_loop().call_later(
            max(left_ns / 1e9, 0.0) + 0.01, self._look, machine
        )

    def _look(self, machine: str) -> None:
        if self.alive(machine):
            self._watch(machine)
        elif machine not in self._told_lost:
            self._told_lost.add(machine)
            del self._timers[machine]
            log.warning("no frames from the field side", machine=machine)
            for callback in tuple(self._subscribers):
                callback(machine)
