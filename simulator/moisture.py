"""Moisture on a winding: taken up from humid air at standstill, dried by warmth and by running.

An own simple law (no source; the figures are chosen so that a night in humid air leaves tens of
kohm and a warm day brings the megohms back). The wetness w goes from 0 (dry) to 1 (a film of
water) and follows its end value h * 2^(-(T - 25) / 12) by a first-order lag, h being the relative
humidity of the air at 25 degC and T the winding's temperature: warm copper makes the air beside it
dry. The lag is 12 h at 25 degC, half of that for each 25 K more, and half again while the machine
turns. The insulation is what it would be dry, less two and a half decades for a wetness of 1.

It refuses to begin by itself: a winding is dry until a scenario sets its `moisture`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

_AIR_C = 25.0
_HALF_AS_HUMID_K = 12.0
_LAG_S = 12 * 3600.0
_HALF_THE_LAG_K = 25.0
_TURNS_ABOVE = 0.1
_DECADES = 2.5
# Conditions are taken as constant for so long, counted from the scenario's start.
_GRID_S = 600.0


@dataclass(frozen=True, slots=True)
class Air:
    """What a winding is exposed to: its temperature, the air's relative humidity, the speed."""

    temperature_c: float
    humidity: float
    speed: float


@dataclass(slots=True)
class Wetness:
    """The wetness over scenario time; asked for rising times.

    `told` gives (time, wetness) that the scenario has set last by a time, `air` the conditions.
    """

    told: Callable[[float], tuple[float, float] | None]
    air: Callable[[float], Air]
    at_s: float = 0.0
    wetness: float = 0.0

    def at(self, time_s: float) -> float:
        """Return the wetness at a time in seconds."""
        next_s = (self.at_s // _GRID_S + 1) * _GRID_S
        while next_s <= time_s:
            self.wetness, self.at_s = self._follow(next_s), next_s
            next_s += _GRID_S
        return self._follow(max(time_s, self.at_s))

    def _follow(self, until_s: float) -> float:
        begin_s, wetness, told = self.at_s, self.wetness, self.told(until_s)
        if told is not None and (told[0] > begin_s or begin_s == 0.0):
            begin_s, wetness = max(told[0], begin_s), told[1]
        return followed(wetness, self.air(begin_s), until_s - begin_s)


def followed(wetness: float, air: Air, duration_s: float) -> float:
    """Return the wetness after a duration in seconds in this air."""
    warmer_k = air.temperature_c - _AIR_C
    end = min(air.humidity * math.pow(2.0, -warmer_k / _HALF_AS_HUMID_K), 1.0)
    lag_s = _LAG_S * math.pow(2.0, -warmer_k / _HALF_THE_LAG_K)
    lag_s /= 2.0 if air.speed > _TURNS_ABOVE else 1.0
    return end + (wetness - end) * math.exp(-duration_s / lag_s)


def insulation_ohm(dry_ohm: float, wetness: float) -> float:
    """Return the insulation resistance in ohms of a winding with this wetness."""
    return dry_ohm * math.pow(10.0, -_DECADES * wetness)
