"""Sends on a serial line only after the silence that RTU frames must be parted by.

The event loop's timers are up to 1 ms late, a tenth of a short exchange at 115200 baud, and a
busy loop later still. So a thread waits out the silence and writes by itself. Refuses to send
while bytes keep coming: such a request is dropped, and shows as one without a good answer.
"""

import fcntl
import os
import termios
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress


class Sender:
    """The sending half of one open port; `heard` must be told of all that comes in."""

    def __init__(self, name: str, port: int, silence_s: float, patience_s: float) -> None:
        # A handle of its own: the number of a port that is lost meanwhile may soon be another
        # file's.
        self._port = os.dup(port)
        self._closed = False
        self._lock = threading.Lock()
        self._thread = ThreadPoolExecutor(1, f"silence of {name}")
        self._silence_s = silence_s
        self._patience_s = patience_s
        self._heard_s = time.monotonic()  # what came before is unknown
        self.sent = False  # whether the last request is on the line

    def heard(self) -> None:
        """Bytes have come in."""
        self._heard_s = time.monotonic()

    def send(self, data: bytes) -> None:
        """Write as soon as the line has been silent for long enough. Returns at once."""
        self.sent = False
        self._thread.submit(self._send, data)

    def close(self) -> None:
        """Send no more, not even what still waits for its silence."""
        with self._lock:
            if not self._closed:
                self._closed = True
                os.close(self._port)
        self._thread.shutdown(wait=False, cancel_futures=True)

    def _send(self, data: bytes) -> None:
        give_up_s = time.monotonic() + self._patience_s
        # A port that is lost shows itself to the one who reads it; here there is nothing to say.
        with suppress(OSError):
            while not self._write_if_silent(data) and time.monotonic() < give_up_s:
                rest_s = self._heard_s + self._silence_s - time.monotonic()
                time.sleep(rest_s if rest_s > 0 else self._silence_s)

    def _write_if_silent(self, data: bytes) -> bool:
        """Whether nothing is left to do."""
        with self._lock:
            if self._closed:
                return True
            # Bytes that the loop has not come to take yet break the silence too.
            waiting = int.from_bytes(fcntl.ioctl(self._port, termios.FIONREAD, b"\0" * 4), "little")
            if waiting or time.monotonic() < self._heard_s + self._silence_s:
                return False
            self.sent = True
            os.write(self._port, data)
            return True
