"""What ties a role's process to its supervisor: each notices when the other is gone or hangs.

A role proves that it is alive by a byte now and then; the first one means that it has started.
When the supervisor is gone, the role ends itself: SIGTERM first, SIGKILL if that does not do it.
"""

import asyncio
import os
import signal
import socket
import threading
import time
from collections.abc import Callable, Coroutine
from contextlib import suppress
from typing import Any, Final

import structlog

PROOF_PERIOD_S: Final = 1.0  # a tenth of what the supervisor allows
# Together under the two seconds within which everything has to be gone.
_STOP_ITSELF_WITHIN_S: Final = 1.0
_KILL_ITSELF_AFTER_S: Final = 1.5

_log = structlog.stdlib.get_logger("gateway.service")


class Lifeline:
    """The role's end."""

    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection
        threading.Thread(target=self._watch, name="lifeline", daemon=True).start()

    def alive(self) -> None:
        """Prove that the role works. Call it every second from what must not hang."""
        with suppress(OSError):  # full: the supervisor hangs; broken: `_watch` knows
            self._connection.send(b".", socket.MSG_DONTWAIT | socket.MSG_NOSIGNAL)

    def _watch(self) -> None:
        # A thread, so that a role whose loop is stuck ends, too.
        with suppress(OSError):
            while self._connection.recv(64):
                pass
        os.kill(os.getpid(), signal.SIGTERM)
        time.sleep(_KILL_ITSELF_AFTER_S)
        os.kill(os.getpid(), signal.SIGKILL)


def run_async(
    main: Callable[[asyncio.Event], Coroutine[Any, Any, int | None]], lifeline: Lifeline
) -> int:
    """Run a role's coroutine on an event loop of its own until it ends; its exit code.

    SIGTERM sets the event that `main` gets; a `main` that has not ended a second later is
    cancelled. As long as the loop turns, the role counts as alive.
    """

    async def governed() -> int:
        stop = asyncio.Event()
        asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)
        work = asyncio.create_task(main(stop))
        stopping = asyncio.create_task(stop.wait())
        proving = asyncio.create_task(_prove(lifeline))
        await asyncio.wait((work, stopping), return_when=asyncio.FIRST_COMPLETED)
        await asyncio.wait((work,), timeout=_STOP_ITSELF_WITHIN_S)
        proving.cancel()
        stopping.cancel()
        if work.done():
            return await work or 0
        _log.warning("cancelled, because it did not stop", within_s=_STOP_ITSELF_WITHIN_S)
        work.cancel()
        with suppress(asyncio.CancelledError):
            await work
        return 0

    return asyncio.run(governed())


async def _prove(lifeline: Lifeline) -> None:
    while True:
        await asyncio.sleep(PROOF_PERIOD_S)
        lifeline.alive()
