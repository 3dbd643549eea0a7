"""Tell the service manager that the gateway is up and alive: sd_notify(3), and nothing else.

Without a NOTIFY_SOCKET in the environment everything here does nothing.
"""

import os
import socket
from contextlib import suppress


def notify(state: str) -> None:
    """Send a state such as READY=1. A manager that does not listen is not our trouble."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return
    if address.startswith("@"):  # abstract namespace, unix(7)
        address = "\0" + address[1:]
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
        sender.setblocking(False)
        sender.sendto(state.encode(), address)


def watchdog_period_s() -> float | None:
    """How often WATCHDOG=1 is to be sent; None if nobody waits for it.

    Half of WATCHDOG_USEC, as sd_watchdog_enabled(3) recommends.
    """
    text = os.environ.get("WATCHDOG_USEC", "")
    if not text.isdecimal() or os.environ.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return None
    return int(text) / 2e6 or None
