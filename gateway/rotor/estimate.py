"""The door of the physics: Samples of a machine in, its computed Samples out.

Status and time are carried over from the inputs: the worst status, the oldest time. What the
numbers cannot tell is said: a resistance that cannot be told from infinity is 'at least', one that
cannot be told from zero is 'at most', a place that cannot be told is Uncertain over the whole
winding. Below zero by more than its uncertainty, a resistance contradicts the settings; it is
still shown as 'at most zero', because a dead fault behind a wrong R0 must raise its alarm.
"""

from collections.abc import Mapping
from math import hypot, sqrt
from typing import Final

from gateway.rotor.pulse_injection import HalfCycles, Measured, Solution, Source, solve
from gateway.site.model import PulseInjection
from gateway.site.units import Unit
from gateway.tags import (
    BAD_OUT_OF_RANGE,
    UNCERTAIN,
    UNCERTAIN_CONFIGURATION_ERROR,
    Limit,
    Sample,
    Status,
)

# Coverage factor of 'at least' and 'at most' (about 95 %, GUM 6.2 and G.6.6).
_K: Final = 2.0
# A place not known at all: the middle of the winding, rectangular over it (GUM 4.3.7).
_ANYWHERE: Final = Measured(0.5, 1 / sqrt(12))
# A third of the winding with k = 2: beyond this a place points to no coil group (our choice).
_VAGUE_PU: Final = 0.08
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
    status = inputs[0].status.worst(*(s.status for s in inputs[1:]))
    time_ns = min(s.time_ns for s in inputs)
    if status.is_bad:
        return (
            Sample(settings.fault_resistance.tag, None, status, time_ns),
            Sample(settings.fault_location.tag, None, status, time_ns),
        )
    solution = solve(
        HalfCycles(*(_si(s, units[s.tag]) for s in inputs)),
        Source(
            Measured(
                settings.amplitude, settings.amplitude * settings.amplitude_accuracy / sqrt(3)
            ),
            Measured(
                settings.source_resistance,
                settings.source_resistance * settings.source_resistance_accuracy / sqrt(3),
            ),
            settings.tap,
        ),
    )
    # The inputs' own limit bits say nothing of the result.
    carried = status.code
    return (
        _resistance(settings, solution, carried, time_ns),
        _location(settings, solution, carried, time_ns),
    )


def _within(value: float, accuracy: float) -> Measured:
    """A setting known to a share of itself at worst: rectangular (GUM 4.3.7)."""
    return Measured(value, value * accuracy / sqrt(3))


def _si(sample: Sample, unit: Unit) -> Measured:
    factor = float(unit.factor)
    return Measured(float(sample.value or 0.0) * factor, (sample.uncertainty or 0.0) * factor)


def _resistance(
    settings: PulseInjection, solution: Solution, carried: Status, time_ns: int
) -> Sample:
    tag, factor = settings.fault_resistance.tag, float(settings.fault_resistance.unit.factor)
    conductance, resistance = solution.loop_conductance_s, solution.fault_resistance_ohm
    floor_s = conductance.value - _K * conductance.u
    if floor_s <= 0:
        # Not to be told from an open loop: the smallest resistance that the currents allow.
        most_s = max(conductance.value + _K * conductance.u, 1e-12)
        least_ohm = 1 / most_s - settings.source_resistance
        status = carried.with_limit(Limit.HIGH)
        return Sample(tag, max(least_ohm, 0.0) / factor, status, time_ns)
    if resistance.value <= _K * resistance.u:
        contradicted = resistance.value < -_K * resistance.u
        status = carried.worst(UNCERTAIN_CONFIGURATION_ERROR) if contradicted else carried
        most_ohm = max(resistance.value + _K * resistance.u, 0.0)
        return Sample(tag, most_ohm / factor, status.with_limit(Limit.LOW), time_ns)
    return Sample(tag, resistance.value / factor, carried, time_ns, resistance.u / factor)


def _location(
    settings: PulseInjection, solution: Solution, carried: Status, time_ns: int
) -> Sample:
    tag, factor = settings.fault_location.tag, float(settings.fault_location.unit.factor)
    conductance, place = solution.loop_conductance_s, solution.fault_location_pu
    told = conductance.value > _K * conductance.u
    if place is None or not told or place.u > _ANYWHERE.u:
        status = carried.worst(UNCERTAIN)
        return Sample(tag, _ANYWHERE.value / factor, status, time_ns, _ANYWHERE.u / factor)
    outside = max(-place.value, place.value - 1.0, 0.0)
    if outside > hypot(_BEYOND_PU, _K * place.u):
        return Sample(tag, None, BAD_OUT_OF_RANGE, time_ns)
    status = carried if place.u <= _VAGUE_PU else carried.worst(UNCERTAIN)
    return Sample(tag, place.value / factor, status, time_ns, place.u / factor)
