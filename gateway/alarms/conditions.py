"""What a Sample says of an alarm's condition: true, false or unknown.

The deadband makes two limits of one: between them a Sample says that what was, still is.
"""

from enum import StrEnum

from gateway.tags import Limit, Sample


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
