"""4-20 mA: the NAMUR NE 43 class of a current, with hysteresis and hold times.

The limits are the recommendation's: 3.8 to 20.5 mA is measurement, at or below 3.6 mA and at or
above 21.0 mA is failure information, and the gaps between belong to neither. A change of class is
believed only after it has lasted; until then the last class stands.
"""

from dataclasses import dataclass
from enum import StrEnum

from gateway.site.model import Ne43


class Band(StrEnum):
    """Where a loop current lies (NAMUR NE 43:2003)."""

    FAILURE_LOW = "failure low"
    GAP_LOW = "gap low"
    UNDER_RANGE = "under-range"
    NOMINAL = "nominal"
    OVER_RANGE = "over-range"
    GAP_HIGH = "gap high"
    FAILURE_HIGH = "failure high"


_UPWARD = tuple(Band)
FAILURES = (Band.FAILURE_LOW, Band.FAILURE_HIGH)
GAPS = (Band.GAP_LOW, Band.GAP_HIGH)


def band(current_a: float, limits: Ne43, previous: Band | None = None) -> Band:
    """The band of a current [A]; a band once entered is left only by more than the hysteresis.

    The currents on the limits themselves count as in NE 43: 3.6 mA and 21.0 mA are failure, 3.8,
    4.0, 20.0 and 20.5 mA are measurement. Failure is entered at its limit, whatever was before.
    """
    plain = _band(current_a, limits)
    if previous is None or plain is previous or plain in FAILURES:
        return plain
    # Left by less than the hysteresis: moved back by it, the current is in the old band or beyond.
    if _UPWARD.index(plain) < _UPWARD.index(previous):
        moved = _band(current_a + limits.hysteresis, limits)
        stays = _UPWARD.index(moved) >= _UPWARD.index(previous)
    else:
        moved = _band(current_a - limits.hysteresis, limits)
        stays = _UPWARD.index(moved) <= _UPWARD.index(previous)
    if stays:
        return previous
    # A transmitter saturates at the very edge of measurement; its noise is no gap (NE 43).
    edge = plain in GAPS and not {previous, moved} & {*GAPS, *FAILURES}
    return moved if edge else plain


def _band(current_a: float, limits: Ne43) -> Band:
    if current_a <= limits.failure_low:
        return Band.FAILURE_LOW
    if current_a < limits.measurement_low:
        return Band.GAP_LOW
    if current_a < 0.004:
        return Band.UNDER_RANGE
    if current_a <= 0.020:
        return Band.NOMINAL
    if current_a <= limits.measurement_high:
        return Band.OVER_RANGE
    if current_a < limits.failure_high:
        return Band.GAP_HIGH
    return Band.FAILURE_HIGH


@dataclass(frozen=True, slots=True)
class LoopState:
    """What is remembered of a loop between two currents."""

    band: Band | None = None  # of the last current
    believed: Band | None = None  # after the hold times; never a gap band
    held_ns: int | None = None  # how long measurement or failure has been contradicted


def judge(state: LoopState, current_a: float, elapsed_ns: int, limits: Ne43) -> LoopState:
    """The state after one more current, `elapsed_ns` after the last one.

    Measurement to failure takes `failure_hold`; failure to measurement takes `return_hold` in
    the measurement bands without a break. A gap band is never believed: it lets the failure hold
    run, and it breaks a return.
    """
    now = band(current_a, limits, state.band)
    failed = state.believed in FAILURES
    if state.believed is None:
        return LoopState(now, None if now in GAPS else now)
    if failed and now in GAPS:
        return LoopState(now, state.believed)
    if now not in GAPS and failed == (now in FAILURES):
        return LoopState(now, now)
    held_ns = 0 if state.held_ns is None else state.held_ns + elapsed_ns
    hold_s = limits.return_hold if failed else limits.failure_hold
    if now not in GAPS and held_ns >= hold_s * 1e9:
        return LoopState(now, now)
    return LoopState(now, state.believed, held_ns)
