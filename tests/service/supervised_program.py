"""A small gateway: python supervised_program.py STATE ROLE... Tells on stdout what happens.

Run as a program, so that it can be killed as a whole and in parts.
"""

import asyncio
import os
import signal
import sys
import time
from pathlib import Path

from gateway.service import supervise as supervisor
from gateway.service.logs import set_up_logs
from gateway.service.supervise import Lifeline, Role, StateBusy, run_async, state_lock, supervise


def tell(*words: object) -> None:
    # One write a line: several processes share the pipe.
    os.write(1, (" ".join(map(str, words)) + "\n").encode())


def good(name: str) -> Role:
    """Runs until it is told to stop."""

    async def main(stop: asyncio.Event) -> None:
        tell(name, "up", os.getpid())
        await stop.wait()
        tell(name, "stopped", os.getpid())

    return Role(name, lambda lifeline: run_async(main, lifeline), restart=True)


def deaf(name: str) -> Role:
    """Ignores the stop."""

    async def main(stop: asyncio.Event) -> None:
        tell(name, "up", os.getpid())
        await asyncio.sleep(60)

    return Role(name, lambda lifeline: run_async(main, lifeline), restart=True)


def stubborn(name: str) -> Role:
    """Ignores SIGTERM altogether."""

    def run(lifeline: Lifeline) -> None:
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
        tell(name, "up", os.getpid())
        while True:
            time.sleep(1)

    return Role(name, run, restart=True)


def hung(name: str) -> Role:
    """Proves for a while that it is alive, then blocks its loop for ever."""

    async def main(stop: asyncio.Event) -> None:
        tell(name, "up", os.getpid())
        await asyncio.sleep(1.5)
        tell(name, "hangs", os.getpid())
        while True:
            time.sleep(1)  # noqa: ASYNC251

    return Role(name, lambda lifeline: run_async(main, lifeline), restart=True)


def short(name: str) -> Role:
    """Ends by itself, and with it everything."""

    async def main(stop: asyncio.Event) -> int:
        await asyncio.sleep(0.3)
        return 3

    return Role(name, lambda lifeline: run_async(main, lifeline), restart=False)


def failing(name: str) -> Role:
    """Fails as soon as it is up."""

    async def main(stop: asyncio.Event) -> None:
        tell(name, "up", os.getpid())
        raise ZeroDivisionError("a bug")

    return Role(name, lambda lifeline: run_async(main, lifeline), restart=True)


ROLES = {f.__name__: f for f in (good, deaf, stubborn, hung, short, failing)}


def main() -> int:
    directory = Path(sys.argv[1])
    # The same rules in less time.
    for name, text in (pair.split("=") for pair in os.environ.get("RULES", "").split()):
        setattr(supervisor, name, float(text))
    set_up_logs()
    try:
        with state_lock(directory):
            roles = [ROLES[word.split("-")[0]](word) for word in sys.argv[2:]]
            return supervise(roles, state_dir=directory)
    except StateBusy as error:
        print(error, file=sys.stderr)
        return 1


if __name__ == "__main__":
    raise SystemExit(main())
