"""What an uncertain measurement tells of a fault, and what it does not.

A resistance that cannot be told from infinity is 'at least', one that cannot be told from zero is
'at most'; a place that cannot be told has no value. Below zero by more than its uncertainty, a
resistance contradicts the settings; it is still told as 'at most zero', because a dead fault behind
a wrong R0 must raise its alarm. A negative conductance contradicts them too (swapped half-cycles),
and nothing can be told then.
"""

from math import hypot, inf, isinf, sqrt
from typing import Final

from gateway.rotor.measured import Estimate, Measured
from gateway.tags import (
    BAD_CONFIGURATION_ERROR,
    BAD_OUT_OF_RANGE,
    GOOD,
    UNCERTAIN,
    UNCERTAIN_CONFIGURATION_ERROR,
    UNCERTAIN_SENSOR_NOT_ACCURATE,
    Limit,
)

# Coverage factor of 'at least' and 'at most' (about 95 %, GUM 6.2 and G.6.6).
_K: Final = 2.0
# Negative by more than this many standard uncertainties, a conductance is no noise: 0.1 % of a
# normal distribution, and beyond the difference of two largest permissible errors (2.45 u).
_NO_NOISE: Final = 3.0
# A place not known at all: the middle of the winding, rectangular over it (GUM 4.3.7).
ANYWHERE: Final = Measured(0.5, 1 / sqrt(12))
# A third of the winding with k = 2: beyond this a place points to no coil group (our choice).
_VAGUE_PU: Final = 0.08
# A place divides by the conductance: one that noise has made too large draws it to the tap, and
# sharply. Five standard uncertainties of conductance leave that no room (our choice).
_TOLD: Final = 5.0
_BEYOND_PU: Final = 0.05  # places this far outside the winding are still noise (common practice)


def resistance(
    conductance_s: Measured, fault_resistance_ohm: Measured, source_resistance_ohm: Measured
) -> Estimate:
    """Fault resistance in ohm, or what the interval of the loop's conductance leaves of it.

    The interval is carried through 1/G itself: a slope says nothing of the far end of a
    conductance that is barely known. Limit bits high: at least (infinity where no current flowed
    at all); low: at most.
    """
    if conductance_s.value < -_NO_NOISE * conductance_s.u:
        return Estimate(BAD_CONFIGURATION_ERROR)
    r0_ohm, reach_ohm = source_resistance_ohm.value, _K * source_resistance_ohm.u
    least_s = conductance_s.value - _K * conductance_s.u
    most_s = max(conductance_s.value, 0.0) + _K * conductance_s.u
    if least_s <= 0 or isinf(fault_resistance_ohm.value):
        # Not to be told from an open loop.
        lowest_ohm = 1 / most_s - r0_ohm - reach_ohm if most_s > 0 else inf
        # 'At least nothing' is no news of a winding but of a measurement drowned in noise.
        status = UNCERTAIN_SENSOR_NOT_ACCURATE if lowest_ohm <= 0 else GOOD
        return Estimate(status.with_limit(Limit.HIGH), max(lowest_ohm, 0.0))
    loop_ohm = 1 / conductance_s.value
    if fault_resistance_ohm.value <= hypot(loop_ohm - 1 / most_s, reach_ohm):
        highest_ohm = fault_resistance_ohm.value + hypot(1 / least_s - loop_ohm, reach_ohm)
        status = UNCERTAIN_CONFIGURATION_ERROR if highest_ohm < 0 else GOOD
        return Estimate(status.with_limit(Limit.LOW), max(highest_ohm, 0.0))
    # Terms of higher order of 1/G (GUM 5.1.2, note): they count where G is barely known.
    relative = conductance_s.u / conductance_s.value
    u_ohm = hypot(fault_resistance_ohm.u, sqrt(8) * relative**2 * loop_ohm)
    return Estimate(GOOD, fault_resistance_ohm.value, u_ohm)


def location(conductance_s: Measured, place_pu: Measured | None) -> Estimate:
    """Fault location from the negative end, 0 to 1; Uncertain without a value if it is not told.

    BadOutOfRange without a value if it lies outside the winding by more than its uncertainty.
    """
    told = conductance_s.value > _TOLD * conductance_s.u
    if place_pu is None or not told or place_pu.u > ANYWHERE.u:
        return Estimate(UNCERTAIN)
    outside = max(-place_pu.value, place_pu.value - 1.0, 0.0)
    if outside > hypot(_BEYOND_PU, _K * place_pu.u):
        return Estimate(BAD_OUT_OF_RANGE)
    return Estimate(GOOD if place_pu.u <= _VAGUE_PU else UNCERTAIN, place_pu.value, place_pu.u)
