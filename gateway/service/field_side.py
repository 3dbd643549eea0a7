"""The field side: polls, steps every machine's chain, writes each Frame to disk, hands it over.

It listens on no network port and waits for nobody on the plant side. A scan begins when it is
due; what the disk or a reader does can not make it late. Refuses to show a Frame that is not on
disk, unless the disk itself refuses it, which is counted and said; a refused one in which an alarm
moved is written later, so that the journal misses nothing.
"""

import asyncio
import contextlib
from collections import deque
from collections.abc import Mapping, Sequence
from math import inf
from pathlib import Path
from typing import Final

import structlog

from gateway.archive.layout import StoreError
from gateway.archive.store import Store
from gateway.chain import Chain
from gateway.field import Field
from gateway.service.clock import ClockWatch, now
from gateway.service.surroundings import Surroundings
from gateway.service.wall import WALL, WallServer
from gateway.site.installed import Site
from gateway.tags import (
    LATE_SHARE,
    Command,
    FieldReport,
    Frame,
    GatewayCondition,
    Instant,
    Reading,
)

log = structlog.get_logger("gateway.service")

ARCHIVE: Final = "archive.db"

# Readings kept for one step: a thousand points at ten polls a scan. Beyond it the oldest go.
_INBOX: Final = 10_000
# Frames waiting for the disk before a scan has to wait, too: minutes of a stalled disk.
_WAITING_FRAMES: Final = 500
# Steps whose alarms moved and that the disk refused: some megabytes until it is well again.
_REFUSED_STEPS: Final = 500
_REPORT_PERIOD_S: Final = 1.0  # common practice, no source
_LATE_STEPS: Final = 60  # that `late_share` looks back on; common practice, no source
_ORDERS: Final = 64  # of one machine, waiting for one step; common practice, no source
_TOLD_AGAIN_AFTER_S: Final = 60.0  # common practice, no source
_NOT_TAKEN: Final = "the step that should have taken the order failed; the log tells why"


class _OnceAMinute:
    """Keeps what happens at every step from filling the log."""

    def __init__(self) -> None:
        self._again_s = -inf

    def due(self) -> bool:
        """Whether it is to be told now; then not again for a minute."""
        now_s = asyncio.get_running_loop().time()
        if now_s < self._again_s:
            return False
        self._again_s = now_s + _TOLD_AGAIN_AFTER_S
        return True


class _MachineSide:
    """One machine's chain, its inbox and its scan."""

    def __init__(
        self, chain: Chain, outbox: "asyncio.Queue[_Step]", surroundings: Surroundings
    ) -> None:
        self.chain = chain
        self.unarchived = 0  # Frames that the disk refused since the last step
        self.inbox: deque[Reading] = deque(maxlen=_INBOX)
        self.orders: deque[tuple[Command, asyncio.Future[str]]] = deque()
        self.steps = 0
        self.late = 0
        self.failed = 0
        self._failure_told = _OnceAMinute()
        self._outbox = outbox
        self._surroundings = surroundings
        self._clock = ClockWatch()
        self._lately_late: deque[bool] = deque(maxlen=_LATE_STEPS)

    async def scan(self) -> None:
        """Step when due, on absolute deadlines; a scan that was missed is not made up for."""
        loop = asyncio.get_running_loop()
        period_s = self.chain.machine.scan
        due_s = loop.time() + period_s
        while True:
            await asyncio.sleep(max(0.0, due_s - loop.time()))
            late_s = loop.time() - due_s
            self._lately_late.append(late_s > LATE_SHARE * period_s)
            self.late += self._lately_late[-1]
            due_s += period_s * (1 + max(0, int(late_s // period_s)))
            if (step := self._step()) is not None:
                await self._outbox.put(step)

    def _step(self) -> "_Step | None":
        """One step; None if it failed. That costs this machine its Frame and the others nothing."""
        readings = list(self.inbox)
        self.inbox.clear()
        orders = list(self.orders)
        self.orders.clear()
        answers = [answer for _, answer in orders]
        try:
            moment = now()
            commands = [command for command, _ in orders]
            frame = self.chain.step(readings, moment, commands, self._condition(moment))
            frame.encode()  # what cannot be encoded fails here, and only this machine
            step = _Step(frame, self.chain.save(), answers)
        except Exception:
            # What nobody is told of must not have happened, or an alarm would come unannounced.
            self.chain.undo()
            self._tell_of_failure()
            for answer in answers:
                if not answer.done():
                    answer.set_result(_NOT_TAKEN)
            return None
        self.steps += 1
        self.unarchived -= frame.gateway.unarchived_frames
        return step

    def _condition(self, moment: Instant) -> GatewayCondition:
        return GatewayCondition(
            self._surroundings.archive_room,
            self.unarchived,
            # Steps that were not made yet count as in time: one late start is not half of them.
            round(sum(self._lately_late) / _LATE_STEPS, 3),
            round(self._clock.check(moment), 3),
            self._surroundings.configuration_changed,
        )

    def _tell_of_failure(self) -> None:
        self.failed += 1
        if self._failure_told.due():
            log.exception("step failed", machine=self.chain.machine.name, failed_steps=self.failed)


class _Step:
    """A Frame on its way to the disk, and those who wait for what became of their orders."""

    def __init__(
        self, frame: Frame, parts: Mapping[str, bytes], answers: list[asyncio.Future[str]]
    ) -> None:
        self.frame = frame
        self.parts = parts
        self.answers = answers

    def tell(self) -> None:
        # Orders are judged before conditions, so their journal entries come first, in order.
        for answer, entry in zip(self.answers, self.frame.transitions, strict=False):
            if not answer.done():
                answer.set_result(entry.refusal)


class FieldSide:
    """All machines of a site on one event loop."""

    def __init__(self, site: Site, store: Store) -> None:
        self._site = site
        self._store = store
        self._wall = WallServer(self._order)
        self._outbox: asyncio.Queue[_Step] = asyncio.Queue(_WAITING_FRAMES)
        self._surroundings = Surroundings(site, store)
        self._machines = {
            m.name: _MachineSide(_chain(site, m.name, store), self._outbox, self._surroundings)
            for m in site.file.machines
        }
        self._machine_of = {a.name: a.machine for a in site.file.alarms}
        self._field = Field(site, now, self._deliver)
        self._unwritten = 0
        self._refused: deque[_Step] = deque(maxlen=_REFUSED_STEPS)
        self._unwritten_told = _OnceAMinute()

    async def run(self, wall_path: Path) -> None:
        """Until cancelled. Ends with everything that was stepped on disk."""
        await self._wall.start(wall_path)
        self._surroundings.start()
        try:
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(self._field.run())
                tasks.create_task(self._publish())
                tasks.create_task(self._report())
                for side in self._machines.values():
                    tasks.create_task(side.scan())
        finally:
            self._surroundings.stop()
            await self._wall.stop()
            await self._write(self._waiting())

    def _deliver(self, readings: Sequence[Reading]) -> None:
        for side in self._machines.values():
            points = side.chain.points
            side.inbox.extend(r for r in readings if r.point in points)

    async def _publish(self) -> None:
        """Disk first; whatever waits is written together."""
        while True:
            steps = [await self._outbox.get(), *self._waiting()]
            await self._write(steps)
            for step in steps:
                self._wall.publish_frame(step.frame)
                step.tell()

    def _waiting(self) -> "list[_Step]":
        return [self._outbox.get_nowait() for _ in range(self._outbox.qsize())]

    async def _write(self, steps: "Sequence[_Step]") -> None:
        if not steps:
            return
        try:
            await self._archive(steps)
        except StoreError as error:
            self._unwritten += len(steps)
            for step in steps:
                self._machines[step.frame.machine].unarchived += 1
            if self._unwritten_told.due():
                log.error("frames not archived", reason=str(error), frames=self._unwritten)
            # The journal must not miss what happened to an alarm because the disk was full then.
            self._refused.extend(step for step in steps if step.frame.transitions)

    async def _archive(self, steps: "Sequence[_Step]") -> None:
        """Write steps, and before them those that the disk refused. Raises StoreError."""
        refused = list(self._refused)
        if refused:
            with contextlib.suppress(StoreError):
                await self._store.write([(s.frame, s.parts) for s in (*refused, *steps)])
                self._refused.clear()
                return
        await self._store.write([(s.frame, s.parts) for s in steps])
        # The disk is well and takes these alone: the others are there already, or never fit.
        self._refused.clear()

    async def _report(self) -> None:
        watch = ClockWatch()
        while True:
            moment = now()
            if step_s := watch.check(moment):
                log.warning("the clock was set", step_s=round(step_s, 3))
            sides = self._machines.values()
            self._wall.publish_report(
                FieldReport(
                    moment.utc_ns,
                    self._field.reports(),
                    sum(s.steps for s in sides),
                    sum(s.late for s in sides),
                    self._store.bytes_on_disk,
                    self._store.frames_written,
                )
            )
            await asyncio.sleep(_REPORT_PERIOD_S)

    async def _order(self, command: Command) -> str:
        """'' once the order is taken, on disk, and in the Frame; else why it was refused."""
        machine = self._machine_of.get(command.alarm)
        if machine is None:
            return f"there is no alarm {command.alarm!r}"
        side = self._machines[machine]
        if len(side.orders) >= _ORDERS:
            return "too many orders are waiting; try again"
        answer: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        side.orders.append((command, answer))
        return await answer


def _chain(site: Site, machine: str, store: Store) -> Chain:
    # The steps go on counting whatever is lost: the archive takes no number twice.
    sequence = store.sequences().get(machine, 0)
    chain = Chain.resumed(site, machine, store.parts().get(machine, {}), sequence)
    for text in chain.lost:
        log.error("state of the last run lost", machine=machine, reason=text)
    return chain


async def field_side(site: Site, state_dir: Path, stop: asyncio.Event) -> None:
    """The whole field side of a site, until `stop` is set."""
    size_bytes = site.file.archive.max_size_MiB * 2**20
    store = await Store.open(state_dir / ARCHIVE, max_size_bytes=size_bytes)
    try:
        running = asyncio.create_task(FieldSide(site, store).run(state_dir / WALL))
        stopping = asyncio.create_task(stop.wait())
        await asyncio.wait((running, stopping), return_when=asyncio.FIRST_COMPLETED)
        stopping.cancel()
        running.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await running
    finally:
        await store.close()
