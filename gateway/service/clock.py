"""The only file that reads the time, and the watch that sees a clock being set.

Refuses nothing; a step of the clock is reported, never corrected.
"""

import time
from typing import Final

from gateway.tags import Instant

# A clock that is disciplined well stays within this; event order needs 100 ms (common practice).
STEP_S: Final = 0.1


def now() -> Instant:
    """This moment on both clocks."""
    return Instant(time.time_ns(), time.monotonic_ns())


class ClockWatch:
    """Sees the UTC clock being set, by comparing it with the monotonic one.

    Time that the machine spent asleep shows as a step forward: the monotonic clock stood still.
    """

    def __init__(self) -> None:
        self._last: Instant | None = None

    def check(self, instant: Instant) -> float:
        """The step of the UTC clock since the last check, in seconds, forward positive.

        0.0 for less than 0.1 s and at the first check. Call it at every step: a clock that is
        slewed differs little between two checks, however much it does in the end.
        """
        last, self._last = self._last, instant
        if last is None:
            return 0.0
        went_ns = instant.utc_ns - last.utc_ns
        step_s = (went_ns - (instant.monotonic_ns - last.monotonic_ns)) / 1e9
        return step_s if abs(step_s) >= STEP_S else 0.0
