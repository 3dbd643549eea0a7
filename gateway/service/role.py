"""One role of the gateway and the process that plays it, seen from the supervisor.

Forks, listens for proofs of life, notices the end. Decides nothing: that is `supervise`'s part.
"""

import os
import selectors
import signal
import socket
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn, Protocol

import structlog

from gateway.service.clock import now
from gateway.service.lifeline import Lifeline

_log = structlog.stdlib.get_logger("gateway.service")


@dataclass(frozen=True, slots=True)
class Role:
    """What one process does. `run` returns its exit code, None for 0.

    The end of a role that is not restarted ends all of them.
    """

    name: str
    run: Callable[[Lifeline], int | None]
    restart: bool


class Closable(Protocol):
    """What a forked process must let go of."""

    def close(self) -> None: ...


class Process:
    """The process that plays a role. Made by `fork`."""

    def __init__(self, role: Role, pid: int, connection: socket.socket, pid_file: Path) -> None:
        self.role = role
        self.started = False  # it has proved once that it is alive
        self.connection = connection
        self._pid = pid
        self._pid_file = pid_file
        self._heard_ns = now().monotonic_ns

    @property
    def silent_s(self) -> float:
        """How long it has not proved that it is alive."""
        return (now().monotonic_ns - self._heard_ns) / 1e9

    def hear(self, selector: selectors.BaseSelector) -> None:
        """Take the proofs of life that have come."""
        try:
            heard = self.connection.recv(4096)
        except OSError:
            heard = b""
        if heard:
            self.started = True
            self.excuse()
        else:
            selector.unregister(self.connection)  # it is about to end

    def excuse(self) -> None:
        """Count its silence from now."""
        self._heard_ns = now().monotonic_ns

    def signal(self, number: signal.Signals) -> None:
        """Send it a signal. It has not been reaped, so the number is still its own."""
        os.kill(self._pid, number)

    def reap(self, selector: selectors.BaseSelector) -> int | None:
        """Its exit code if it has ended, minus the signal that killed it; None while it runs."""
        pid, status = os.waitpid(self._pid, os.WNOHANG)
        if pid == 0:
            return None
        with suppress(KeyError):
            selector.unregister(self.connection)
        self.connection.close()
        with suppress(OSError):
            self._pid_file.unlink()
        return os.waitstatus_to_exitcode(status)


def fork(role: Role, state_dir: Path, inherited: Sequence[Closable]) -> Process:
    """Start the process of a role. Raises OSError.

    `inherited` is what the supervisor has open: were it left open in the child, the others would
    not notice the end of the supervisor. The caller has one thread.
    """
    if threading.active_count() > 1:
        raise RuntimeError("a process with threads must not fork")
    ours, theirs = socket.socketpair()
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError, ValueError):
            stream.flush()  # or the child would print it again
    # Blocked until the child has handlers of its own: a signal must not get lost in ours.
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, (signal.SIGTERM, signal.SIGINT))
    try:
        pid = os.fork()
        if pid == 0:
            _play(role, theirs, (ours, *inherited), mask)
    except OSError:
        ours.close()
        raise
    finally:
        theirs.close()
        signal.pthread_sigmask(signal.SIG_SETMASK, mask)
    ours.setblocking(False)
    pid_file = state_dir / f"{role.name}.pid"
    try:
        fresh = pid_file.with_suffix(".new")
        fresh.write_text(f"{pid}\n")
        fresh.replace(pid_file)
    except OSError as error:
        _log.warning("no pid file", path=str(pid_file), reason=str(error))
    return Process(role, pid, ours, pid_file)


def _play(
    role: Role,
    connection: socket.socket,
    inherited: Sequence[Closable],
    mask: set[int | signal.Signals],
) -> NoReturn:
    """Be the child: never returns into the supervisor's code, whatever happens."""
    code = 1
    try:
        signal.set_wakeup_fd(-1)
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        signal.signal(signal.SIGCHLD, signal.SIG_DFL)
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches all; the supervisor decides
        for thing in inherited:
            thing.close()
        signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        code = role.run(Lifeline(connection)) or 0
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else int(end.code is not None)
    except BaseException:
        _log.exception("role failed", role=role.name)
    finally:
        for stream in (sys.stdout, sys.stderr):
            with suppress(OSError, ValueError):
                stream.flush()
        os._exit(code & 0xFF)
