"""The door of the physics: Samples of a machine in, its computed Samples out.

Status and time are carried over from the inputs: the worst status, the oldest time. What the
numbers cannot tell is said as `telling` has it; a place that cannot be told is Uncertain over the
whole winding.
"""

from collections.abc import Mapping

from gateway.rotor import telling
from gateway.rotor.measured import Measured
from gateway.rotor.pulse_injection import HalfCycles, Solution, Source, solve
from gateway.site.model import PulseInjection
from gateway.site.units import Unit
from gateway.tags import UNCERTAIN_SENSOR_NOT_ACCURATE, Limit, Sample, Status


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
            Measured.within(settings.amplitude, settings.amplitude_accuracy),
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


def _source_resistance(settings: PulseInjection) -> Measured:
    return Measured.within(settings.source_resistance, settings.source_resistance_accuracy)


def _si(sample: Sample, unit: Unit) -> Measured:
    factor = float(unit.factor)
    return Measured(float(sample.value or 0.0) * factor, (sample.uncertainty or 0.0) * factor)


def _resistance(
    settings: PulseInjection, solution: Solution, carried: Status, time_ns: int
) -> Sample:
    tag, unit = settings.fault_resistance.tag, settings.fault_resistance.unit
    told = telling.resistance(
        solution.loop_conductance_s, solution.fault_resistance_ohm, _source_resistance(settings)
    )
    if told.value is None:
        return Sample(tag, None, carried.worst(told.status), time_ns)
    value, factor = told.value / float(unit.factor), float(unit.factor)
    if told.status.limit is Limit.HIGH:
        # No more is promised than the tag's range can show.
        value = min(value, max(q.in_unit(unit) for q in settings.fault_resistance.range))
    status = carried.worst(told.status.code).with_limit(told.status.limit)
    return Sample(tag, value, status, time_ns, None if told.u is None else told.u / factor)


def _location(
    settings: PulseInjection, solution: Solution, carried: Status, time_ns: int
) -> Sample:
    tag, factor = settings.fault_location.tag, float(settings.fault_location.unit.factor)
    told = telling.location(solution.loop_conductance_s, solution.fault_location_pu)
    status = carried.worst(told.status)
    if told.value is not None and told.u is not None:
        return Sample(tag, told.value / factor, status, time_ns, told.u / factor)
    if told.status.is_bad:
        return Sample(tag, None, status, time_ns)
    anywhere = telling.ANYWHERE
    return Sample(tag, anywhere.value / factor, status, time_ns, anywhere.u / factor)
