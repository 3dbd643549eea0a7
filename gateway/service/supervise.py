"""The supervisor: forks one process a role, restarts what dies or hangs, ends everything together.

It has one thread and no event loop, so that forking is safe; the roles share the site as it was
checked, whatever becomes of its file. Refuses a state directory that another gateway uses, to
give up on a role that keeps dying, and to leave a process behind.
"""

import fcntl
import os
import selectors
import signal
import socket
import time
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from types import FrameType
from typing import Final

import structlog

from gateway.service.clock import now
from gateway.service.lifeline import Lifeline, run_async
from gateway.service.role import Process, Role, fork
from gateway.service.systemd import notify, watchdog_period_s

__all__ = ["Lifeline", "Role", "StateBusy", "run_async", "state_lock", "supervise"]

# Common practice, no source: a plant side is back at once, a broken one does not eat the machine.
_RESTART_FIRST_S: Final = 0.1
_RESTART_MOST_S: Final = 5.0
_DEATHS_WITHIN_S: Final = 60.0
_DEATHS_MOST: Final = 10
_REPAIR_S: Final = 30.0
_STARTED_WITHIN_S: Final = 60.0
_PROVEN_WITHIN_S: Final = 5.0
_SILENT_MOST_S: Final = 10.0
_LOOK_EVERY_S: Final = 0.5
_LATE_S: Final = 3.0
_TERM_SHARE: Final = 0.75  # of the time to stop; the rest is for SIGKILL
_LOCK_WITHIN_S: Final = 3.0  # the processes of a killed supervisor are gone in two
_STOPPING_SIGNALS: Final = frozenset((signal.SIGTERM, signal.SIGINT))

_log = structlog.stdlib.get_logger("gateway.service")


class StateBusy(Exception):
    """The state directory cannot be taken. The text says why and what to do."""


def supervise(
    roles: Sequence[Role], *, state_dir: Path = Path(), stop_within_s: float = 2.0
) -> int:
    """Run all roles until SIGTERM or SIGINT (then 0) or the end of a role that is not restarted
    (then its exit code, 128 + signal if it was killed).

    Keeps a file ROLE.pid for each running role in `state_dir`, by default the working directory.
    When it returns all processes are gone, within `stop_within_s`. A role must prove within a
    minute that it has started and then every ten seconds that it is alive, or it is killed and
    restarted; `run_async` does that.
    """
    with _signals() as signals, selectors.DefaultSelector() as selector:
        selector.register(signals, selectors.EVENT_READ)
        supervisor = _Supervisor(roles, state_dir, selector)
        try:
            while (code := supervisor.turn()) is None:
                if _STOPPING_SIGNALS & _wait(signals, selector, supervisor.idle_s):
                    return 0
            return code
        finally:
            notify("STOPPING=1")
            supervisor.stop(signals, stop_within_s)


@contextmanager
def state_lock(directory: Path) -> Iterator[None]:
    """Hold the state directory, for this process and all that it forks. Raises StateBusy."""
    try:
        lock = os.open(directory / "lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
    except OSError as error:
        raise StateBusy(
            f"cannot use the state directory {directory}: {error.strerror}. Check that it exists "
            "and that this user may write there."
        ) from error
    try:
        deadline_s = _monotonic_s() + _LOCK_WITHIN_S
        while not _locked(lock):
            holder = os.pread(lock, 20, 0).decode("ascii", "replace").strip()
            if _runs(holder) or _monotonic_s() > deadline_s:
                raise StateBusy(
                    f"the state directory {directory} is used by a running gateway (process "
                    f"{holder}). Stop that one, or choose another state directory."
                )
            time.sleep(0.05)
        os.ftruncate(lock, 0)
        os.pwrite(lock, f"{os.getpid()}\n".encode(), 0)
        yield
    finally:
        os.close(lock)


def restart_delay_s(deaths: int) -> float:
    """How long to wait after so many deaths within a minute, the last one counted."""
    if deaths > _DEATHS_MOST:
        return _REPAIR_S
    return 0.0 if deaths <= 1 else min(_RESTART_FIRST_S * 2.0 ** (deaths - 2), _RESTART_MOST_S)


class _Supervisor:
    """The roles with their processes; one `turn` does what is due and never waits."""

    def __init__(
        self, roles: Sequence[Role], state_dir: Path, selector: selectors.BaseSelector
    ) -> None:
        self._state_dir = state_dir
        self._selector = selector
        self._due_s = {role: 0.0 for role in roles}  # roles without a process: when it is to start
        self._processes: list[Process] = []
        self._deaths: dict[str, deque[float]] = {
            role.name: deque(maxlen=_DEATHS_MOST + 1) for role in roles
        }
        self._ready = False
        self._watchdog_s = watchdog_period_s()
        self._stroke_s = 0.0
        self._turn_s = _monotonic_s()

    def turn(self) -> int | None:
        """Listen, bury, kill, start. The exit code of all once a role has ended for good."""
        last_s, self._turn_s = self._turn_s, _monotonic_s()
        for key, _ in self._selector.select(0):
            if isinstance(key.data, Process):
                key.data.hear(self._selector)
        code = self._bury()
        if code is not None:
            return code
        for process in self._processes:
            if self._turn_s - last_s > _LATE_S:
                process.excuse()  # we were stopped, and so perhaps were they
            if process.silent_s > (_SILENT_MOST_S if process.started else _STARTED_WITHIN_S):
                _log.error("role hangs, killing it", role=process.role.name)
                process.signal(signal.SIGKILL)
        for role, due_s in list(self._due_s.items()):
            if due_s <= self._turn_s:
                self._start(role)
        self._tell()
        return None

    @property
    def idle_s(self) -> float:
        """How long nothing will be due, unless something happens."""
        due_s = min(self._due_s.values(), default=self._turn_s + _LOOK_EVERY_S)
        return min(max(0.0, due_s - self._turn_s), _LOOK_EVERY_S)

    def stop(self, signals: socket.socket, within_s: float) -> None:
        """End all processes: SIGTERM, and SIGKILL for what is left."""
        begin_s = _monotonic_s()
        for number, share in ((signal.SIGTERM, _TERM_SHARE), (signal.SIGKILL, 1.0)):
            for process in self._processes:
                process.signal(number)
            while self._processes and (left_s := begin_s + share * within_s - _monotonic_s()) > 0:
                _wait(signals, self._selector, min(left_s, 0.02))
                self._processes = [p for p in self._processes if p.reap(self._selector) is None]
        for process in self._processes:  # not even SIGKILL ends what sleeps in the kernel
            _log.error("role left behind: the system does not end it", role=process.role.name)

    def _start(self, role: Role) -> None:
        connections = [p.connection for p in self._processes]
        try:
            process = fork(role, self._state_dir, (self._selector, *connections))
        except OSError as error:
            self._plan(role, f"cannot be started: {error.strerror}")
            return
        del self._due_s[role]
        self._processes.append(process)
        self._selector.register(process.connection, selectors.EVENT_READ, process)

    def _bury(self) -> int | None:
        ended = [(p, code) for p in self._processes if (code := p.reap(self._selector)) is not None]
        self._processes = [p for p in self._processes if p not in {dead for dead, _ in ended}]
        for process, code in ended:
            if not process.role.restart:
                return code if code >= 0 else 128 - code
            how = f"ended with code {code}" if code >= 0 else f"killed, {_signal_name(-code)}"
            self._plan(process.role, how)
        return None

    def _plan(self, role: Role, how: str) -> None:
        deaths = self._deaths[role.name]
        deaths.append(self._turn_s)
        recent = sum(self._turn_s - death_s <= _DEATHS_WITHIN_S for death_s in deaths)
        delay_s = restart_delay_s(recent)
        self._due_s[role] = self._turn_s + delay_s
        _log.error("role lost", role=role.name, how=how, deaths=recent, again_in_s=delay_s)

    def _tell(self) -> None:
        """READY=1 once all have started; WATCHDOG=1 while all that run prove that they are alive.

        A role that is being restarted is our own business: the field side must not be ended
        because of the plant side. So the time of the watchdog should be 20 s or more: longer than
        it takes to find a role silent and to kill it.
        """
        if not self._ready and not self._due_s and all(p.started for p in self._processes):
            self._ready = True
            notify("READY=1")
        due = self._watchdog_s is not None and self._turn_s >= self._stroke_s + self._watchdog_s
        if due and all(p.silent_s <= _PROVEN_WITHIN_S for p in self._processes if p.started):
            self._stroke_s = self._turn_s
            notify("WATCHDOG=1")


def _monotonic_s() -> float:
    return now().monotonic_ns / 1e9


def _locked(lock: int) -> bool:
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _runs(pid: str) -> bool:
    try:
        os.kill(int(pid), 0)
    except (ValueError, ProcessLookupError):
        return False
    except PermissionError:
        pass
    return True


def _signal_name(number: int) -> str:
    with suppress(ValueError):
        return signal.Signals(number).name
    return f"signal {number}"


@contextmanager
def _signals() -> Iterator[socket.socket]:
    """A socket on which the numbers of the signals that arrive can be read."""
    receiver, sender = socket.socketpair()
    with closing(receiver), closing(sender):
        receiver.setblocking(False)
        sender.setblocking(False)
        old_wakeup = signal.set_wakeup_fd(sender.fileno(), warn_on_full_buffer=False)
        old = {
            number: signal.signal(number, _noted) for number in (*_STOPPING_SIGNALS, signal.SIGCHLD)
        }
        try:
            yield receiver
        finally:
            for number, handler in old.items():
                signal.signal(number, handler)
            signal.set_wakeup_fd(old_wakeup)


def _noted(number: int, frame: FrameType | None) -> None:
    """There must be a handler, or the number is not written to the socket."""


def _wait(
    signals: socket.socket, selector: selectors.BaseSelector, within_s: float
) -> frozenset[int]:
    """Wait until something happens; the signals that came."""
    selector.select(within_s)
    with suppress(BlockingIOError):
        return frozenset(signals.recv(4096))
    return frozenset()
