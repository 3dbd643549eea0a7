"""The door of the physics: Samples of a machine in, its computed Samples out.

Status and time are carried over from the inputs: the worst status, the oldest time. What the
numbers cannot tell is said: a resistance that cannot be told from infinity is 'at least', one that
cannot be told from zero is 'at most', a place that cannot be told is Uncertain over the whole
winding. Below zero by more than its uncertainty, a resistance contradicts the settings; it is
still shown as 'at most zero', because a dead fault behind a wrong R0 must raise its alarm. A
negative conductance contradicts them too (swapped half-cycles), and nothing can be said then.
"""

from collections.abc import Mapping
from math import hypot, inf, isinf, sqrt
from typing import Final

from gateway.rotor.measured import Measured
from gateway.rotor.pulse_injection import HalfCycles, Solution, Source, solve
from gateway.site.model import PulseInjection
from gateway.site.units import Unit
from gateway.tags import (
    BAD_CONFIGURATION_ERROR,
    BAD_OUT_OF_RANGE,
    UNCERTAIN,
    UNCERTAIN_CONFIGURATION_ERROR,
    UNCERTAIN_SENSOR_NOT_ACCURATE,
    Limit,
    Sample,
    Status,
)

# Coverage factor of 'at least' and 'at most' (about 95 %, GUM 6.2 and G.6.6).
_K: Final = 2.0
# Negative by more than this many standard uncertainties, a conductance is no noise: 0.1 % of a
# normal distribution, and beyond the difference of two largest permissible errors (2.45 u).
_NO_NOISE: Final = 3.0
# A place not known at all: the middle of the winding, rectangular over it (GUM 4.3.7).
_ANYWHERE: Final = Measured(0.5, 1 / sqrt(12))
# A third of the winding with k = 2: beyond this a place points to no coil group (our choice).
_VAGUE_PU: Final = 0.08
# A place divides by the conductance: one that noise has made too large draws it to the tap, and
# sharply. Five standard uncertainties of conductance leave that no room (our choice).
_TOLD: Final = 5.0
_BEYOND_PU: Final = 0.05  # places this far outside the winding are still noise (common practice)


def input_tags(settings: PulseInjection) -> tuple[str, str, str, str]:
    """The tags that the computation needs."""
    return (
        settings.current_positive,
        settings.current_negative,
        settings.field_voltage_positive,
        settings.field_voltage_negative,
    )


def pulse_injection(
    settings: PulseInjection, samples: Mapping[str, Sample], units: Mapping[str, Unit]
) -> tuple[Sample, Sample]:
    """Fault resistance and fault location, in the units of their tags.

    `samples` and `units` have at least the input tags of the settings.
    """
    inputs = [samples[tag] for tag in input_tags(settings)]
    # The inputs' own limit bits say nothing of the result, but a clipped input makes it doubtful.
    carried = _unclipped(inputs[0]).worst(*(_unclipped(s) for s in inputs[1:]))
    time_ns = min(s.time_ns for s in inputs)
    if carried.is_bad:
        return (
            Sample(settings.fault_resistance.tag, None, carried, time_ns),
            Sample(settings.fault_location.tag, None, carried, time_ns),
        )
    solution = solve(
        HalfCycles(*(_si(s, units[s.tag]) for s in inputs)),
        Source(
            _within(settings.amplitude, settings.amplitude_accuracy),
            _source_resistance(settings),
            settings.tap,
        ),
    )
    return (
        _resistance(settings, solution, carried, time_ns),
        _location(settings, solution, carried, time_ns),
    )


def _unclipped(sample: Sample) -> Status:
    """The status without limit bits: at the limit of its sensor a value is not accurate."""
    clipped = sample.status.is_good and sample.status.limit in (Limit.LOW, Limit.HIGH)
    return UNCERTAIN_SENSOR_NOT_ACCURATE if clipped else sample.status.code


def _within(value: float, accuracy: float) -> Measured:
    """A setting known to a share of itself at worst: rectangular (GUM 4.3.7)."""
    return Measured(value, value * accuracy / sqrt(3))


def _source_resistance(settings: PulseInjection) -> Measured:
    return _within(settings.source_resistance, settings.source_resistance_accuracy)


def _si(sample: Sample, unit: Unit) -> Measured:
    factor = float(unit.factor)
    return Measured(float(sample.value or 0.0) * factor, (sample.uncertainty or 0.0) * factor)


def _resistance(
    settings: PulseInjection, solution: Solution, carried: Status, time_ns: int
) -> Sample:
    """The resistance, or what the interval of the conductance leaves of it.

    The interval is carried through 1/G itself: a slope says nothing of the far end of a
    conductance that is barely known.
    """
    tag, factor = settings.fault_resistance.tag, float(settings.fault_resistance.unit.factor)
    conductance, resistance = solution.loop_conductance_s, solution.fault_resistance_ohm
    if conductance.value < -_NO_NOISE * conductance.u:
        return Sample(tag, None, BAD_CONFIGURATION_ERROR, time_ns)
    r0_ohm, reach_ohm = settings.source_resistance, _K * _source_resistance(settings).u
    least_s = conductance.value - _K * conductance.u
    most_s = max(conductance.value, 0.0) + _K * conductance.u
    if least_s <= 0 or isinf(resistance.value):
        # Not to be told from an open loop; no more is promised than the tag's range can show.
        lowest_ohm = 1 / most_s - r0_ohm - reach_ohm if most_s > 0 else inf
        top = max(
            q.in_unit(settings.fault_resistance.unit) for q in settings.fault_resistance.range
        )
        # 'At least nothing' is no news of a winding but of a measurement drowned in noise.
        drowned = lowest_ohm <= 0
        status = carried.worst(UNCERTAIN_SENSOR_NOT_ACCURATE) if drowned else carried
        status = status.with_limit(Limit.HIGH)
        return Sample(tag, min(max(lowest_ohm, 0.0) / factor, top), status, time_ns)
    loop_ohm = 1 / conductance.value
    if resistance.value <= hypot(loop_ohm - 1 / most_s, reach_ohm):
        highest_ohm = resistance.value + hypot(1 / least_s - loop_ohm, reach_ohm)
        contradicted = highest_ohm < 0
        status = carried.worst(UNCERTAIN_CONFIGURATION_ERROR) if contradicted else carried
        return Sample(tag, max(highest_ohm, 0.0) / factor, status.with_limit(Limit.LOW), time_ns)
    # Terms of higher order of 1/G (GUM 5.1.2, note): they count where G is barely known.
    relative = conductance.u / conductance.value
    u_ohm = hypot(resistance.u, sqrt(8) * relative**2 * loop_ohm)
    return Sample(tag, resistance.value / factor, carried, time_ns, u_ohm / factor)


def _location(
    settings: PulseInjection, solution: Solution, carried: Status, time_ns: int
) -> Sample:
    tag, factor = settings.fault_location.tag, float(settings.fault_location.unit.factor)
    conductance, place = solution.loop_conductance_s, solution.fault_location_pu
    told = conductance.value > _TOLD * conductance.u
    if place is None or not told or place.u > _ANYWHERE.u:
        status = carried.worst(UNCERTAIN)
        return Sample(tag, _ANYWHERE.value / factor, status, time_ns, _ANYWHERE.u / factor)
    outside = max(-place.value, place.value - 1.0, 0.0)
    if outside > hypot(_BEYOND_PU, _K * place.u):
        return Sample(tag, None, BAD_OUT_OF_RANGE, time_ns)
    status = carried if place.u <= _VAGUE_PU else carried.worst(UNCERTAIN)
    return Sample(tag, place.value / factor, status, time_ns, place.u / factor)
