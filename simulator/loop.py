"""Current loops and relay contacts as a transmitter, a wire and a relay make them.

It refuses to know what the gateway makes of a current: here a resistance or a light level becomes
milliamperes, a defect replaces them, and an input module counts them.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from types import MappingProxyType

from simulator.plant import Loop

# NAMUR NE 43: a transmitter saturates at 3.8 and 20.5 mA and tells its own failure outside 3.6 and
# 21.0 mA. A short across the transmitter leaves the input's own current limit, in practice 23 mA
# and above. NaN: the transmitter measures. A negative current is none: the output stands still.
STUCK_MA = -1.0
STATES_MA: Mapping[str, float] = MappingProxyType(
    {
        "healthy": math.nan,
        "wire break": 0.0,
        "short": 24.0,
        "failure high": 21.5,
        "failure low": 3.5,
        "stuck": STUCK_MA,
    }
)
_LOWEST_MA, _HIGHEST_MA = 3.8, 20.5
UPDATE_S = 0.1
_COUNTS_PER_MA = 27648 / 16
_BOUNCE_TICK_S = 0.001


def transmitted_ma(loop: Loop, value: float) -> float:
    """Return the current in mA for a value in the base unit of the loop's quantity."""
    if loop.law == "logarithmic":
        above = math.log(value) - math.log(loop.at_4_ma) if value > 0 else -math.inf
        part = above / (math.log(loop.at_20_ma) - math.log(loop.at_4_ma))
    else:
        part = (value - loop.at_4_ma) / (loop.at_20_ma - loop.at_4_ma)
    return min(max(4.0 + 16.0 * part, _LOWEST_MA), _HIGHEST_MA)


def noisy_ma(loop: Loop, wanted_ma: float, seed: int, time_s: float) -> float:
    """Return the current in mA on the wire at a time, with the noise of the loop."""
    if wanted_ma == 0.0 or loop.noise_ma == 0.0:
        return wanted_ma
    update = math.floor(max(time_s, 0.0) / UPDATE_S)
    noise = random.Random(f"{seed}/loop/{loop.name}/{update}").gauss(0.0, loop.noise_ma)
    return max(wanted_ma + noise, 0.0)


def input_count(current_ma: float) -> int:
    """Return what the input module counts, 0 at 4 mA and 27648 at 20 mA, at most 32767."""
    return min(max(round((current_ma - 4.0) * _COUNTS_PER_MA), -32768), 32767)


def circuit_closed(
    *, opened: bool, changed_s: float, bounce_s: float, name: str, seed: int, time_s: float
) -> bool:
    """Return whether a contact's circuit is closed, bouncing for `bounce_s` after a change."""
    since_s = time_s - changed_s
    if 0.0 <= since_s < bounce_s:
        tick = math.floor(since_s / _BOUNCE_TICK_S)
        return random.Random(f"{seed}/contact/{name}/{changed_s!r}/{tick}").random() < 0.5
    return not opened


def bounces_closed(name: str, seed: int, time_s: float) -> bool:
    """Return whether a bouncing contact's circuit is closed at a time."""
    tick = math.floor(time_s / _BOUNCE_TICK_S)
    return random.Random(f"{seed}/contact/{name}/{tick}").random() < 0.5
