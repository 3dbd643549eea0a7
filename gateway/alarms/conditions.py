"""What a Sample says of an alarm's condition: true, false or unknown.

The deadband makes two limits of one: between them a Sample says that what was, still is.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import inf, isnan, nan
from typing import Final

from gateway.tags import Limit, Sample

EXTREMES_MOST: Final = 60  # remembered of one value, however fast it is read


class Truth(StrEnum):
    """Three-valued logic; KEPT is 'inside the deadband', so as it was."""

    FALSE = "false"
    KEPT = "kept"
    UNKNOWN = "unknown"
    TRUE = "true"


def below(sample: Sample, limit: float, deadband: float) -> Truth:
    """Whether a value is below a limit; it is no longer so above limit + deadband.

    A value with limit bits says 'at least' (high) or 'at most' (low): it decides only what
    follows from that.
    """
    return _beyond(sample, limit, limit + deadband, upward=False)


def above(sample: Sample, limit: float, deadband: float) -> Truth:
    """Whether a value is above a limit; it is no longer so below limit - deadband."""
    return _beyond(sample, limit, limit - deadband, upward=True)


def _beyond(sample: Sample, limit: float, clears: float, *, upward: bool) -> Truth:
    value = sample.value
    if value is None or not sample.measured_now:
        return Truth.UNKNOWN
    sign = 1.0 if upward else -1.0
    beyond = sign * (value - limit) > 0
    back = sign * (value - clears) <= 0
    bits = sample.status.limit
    # 'At least' can only prove a value high, 'at most' can only prove it low.
    if bits in (Limit.LOW, Limit.HIGH):
        proves_beyond = (bits is Limit.HIGH) == upward
        if proves_beyond:
            return Truth.TRUE if beyond else Truth.UNKNOWN
        return Truth.FALSE if back else Truth.UNKNOWN
    if beyond:
        return Truth.TRUE
    return Truth.FALSE if back else Truth.KEPT


def actuated(sample: Sample) -> Truth:
    """Whether a contact says what it is there to say."""
    if sample.value is None or not sample.measured_now:
        return Truth.UNKNOWN
    return Truth.TRUE if sample.value else Truth.FALSE


def apart(one: Sample, other: Sample, factor: float, limit: float, deadband: float) -> Truth:
    """Whether two values are further apart than a limit; no longer so below limit - deadband.

    `factor` takes `other` into the unit of `one`, in which limit and deadband are.
    """
    low, high = _bounds(one)
    other_low, other_high = _bounds(other)
    if isnan(low) or isnan(other_low):
        return Truth.UNKNOWN
    rising, falling = low - other_high * factor, other_low * factor - high
    least, most = max(rising, falling, 0.0), -min(rising, falling)
    if least > limit:
        return Truth.TRUE
    if most <= limit - deadband:
        return Truth.FALSE
    return Truth.KEPT if least == most else Truth.UNKNOWN


def _bounds(sample: Sample) -> tuple[float, float]:
    """The lowest and the highest that a value can be; not a number where nothing is known."""
    if sample.value is None or not sample.measured_now:
        return nan, nan
    value, bits = float(sample.value), sample.status.limit
    return (
        -inf if bits is Limit.LOW else value,
        inf if bits is Limit.HIGH else value,
    )


@dataclass(frozen=True, slots=True)
class Extreme:
    """A value that nothing since has been beyond, and the chain's clock when it was seen."""

    clock_ns: int
    value: float


Track = tuple[Extreme, ...]  # of the last `within`, oldest first, each nearer to the newest value


def moved_by(
    sample: Sample,
    track: Track,
    amount: float,
    deadband: float,
    within_ns: int,
    clock_ns: int,
    *,
    upward: bool,
) -> tuple[Truth, Track]:
    """Whether a value is further than an amount from its lowest (upward) or highest in a time.

    It is no longer so below amount - deadband. At most `EXTREMES_MOST` values are remembered, so
    the time looked back over is up to 1/59 shorter than `within_ns`, and never longer. The track
    is the same object where nothing is to be remembered anew.
    """
    value = sample.value
    if value is None or not sample.measured_now:
        return Truth.UNKNOWN, track
    bits = sample.status.limit
    sign = 1.0 if upward else -1.0
    # 'At least' is no low to have risen from, 'at most' is no high to have fallen from.
    if bits not in (Limit.LOW, Limit.HIGH) or (bits is Limit.LOW) == upward:
        track = _tracked(track, float(value), within_ns, clock_ns, sign)
    else:
        track = _recent(track, within_ns, clock_ns)
    distance = sign * (value - track[0].value) if track else 0.0
    beyond, back = distance > amount, distance <= amount - deadband
    if bits in (Limit.LOW, Limit.HIGH):
        if (bits is Limit.HIGH) == upward:
            return (Truth.TRUE if beyond else Truth.UNKNOWN), track
        return (Truth.FALSE if back else Truth.UNKNOWN), track
    if beyond:
        return Truth.TRUE, track
    return (Truth.FALSE if back else Truth.KEPT), track


def _recent(track: Track, within_ns: int, clock_ns: int) -> Track:
    kept = tuple(e for e in track if 0 <= clock_ns - e.clock_ns <= within_ns)
    return track if len(kept) == len(track) else kept


def _tracked(track: Track, value: float, within_ns: int, clock_ns: int, sign: float) -> Track:
    """The track with one more value: what it is beyond needs no more to be remembered."""
    track = _recent(track, within_ns, clock_ns)
    slot_ns = -(-within_ns // (EXTREMES_MOST - 1))
    newest = track[-1] if track else None
    if newest is not None and newest.clock_ns // slot_ns == clock_ns // slot_ns:
        if sign * (value - newest.value) >= 0:
            return track
    kept = list(track)
    while kept and sign * (value - kept[-1].value) <= 0:
        kept.pop()
    return (*kept, Extreme(clock_ns, value))
