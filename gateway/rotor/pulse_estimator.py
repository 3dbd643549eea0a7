"""Fault resistance, location and winding capacitance from one sampled record of a square pulse.

All half-cycles are fitted together with the circuit of `pulse_circuit`, settled or not. In normal
noise that is the maximum-likelihood estimate, whose spread is the Cramer-Rao bound. What does not
belong to the circuit is found and said: it is left out, or what it makes of the result is told.

`estimate` is the door. It refuses, with RecordError, what is no record of a pulse.
"""

from dataclasses import replace
from math import hypot
from typing import Final

import numpy as np

from gateway.rotor import telling
from gateway.rotor.measured import Estimate, Measured
from gateway.rotor.pulse_answer import Answer
from gateway.rotor.pulse_bins import Samples
from gateway.rotor.pulse_circuit import Known
from gateway.rotor.pulse_disturbances import saturated, two_valued
from gateway.rotor.pulse_fit import State
from gateway.rotor.pulse_history import history_of
from gateway.rotor.pulse_injection import NO_FIELD_V, Source
from gateway.rotor.pulse_reading import FEWEST, RecordError, samples_of
from gateway.rotor.pulse_record import Flag, FlagKind, PulseEstimate, PulseRecord
from gateway.tags import (
    BAD_CONFIGURATION_ERROR,
    BAD_OUT_OF_RANGE,
    GOOD,
    UNCERTAIN,
    UNCERTAIN_CONFIGURATION_ERROR,
    UNCERTAIN_SENSOR_NOT_ACCURATE,
    Status,
)

__all__ = ["RecordError", "estimate"]

_MOST_F: Final = 30e-6  # six times the capacitance of the largest windings (common practice)
_SETTLED: Final = 4.6  # time constants until 1 % is left
_MOVED: Final = 0.02  # of the field voltage: a movement worth saying


def estimate(record: PulseRecord, source: Source) -> PulseEstimate:
    """What the record says of the fault, with standard uncertainties.

    The uncertainty holds the noise of the record, as estimated from it, and that of `source` and of
    the field voltage.
    Raises RecordError where the record is none of a pulse circuit.
    """
    samples, usable, exact, flags = samples_of(record, source)
    worst = GOOD
    if two_valued(samples):
        worst = UNCERTAIN_SENSOR_NOT_ACCURATE
        text = "nearly all samples have one of two values: at the ends of the range, or too coarse"
        flags += (Flag(FlagKind.SATURATED, text),)
    else:
        clipped = saturated(samples)
        usable &= ~clipped
        if clipped.any():
            worst = UNCERTAIN_SENSOR_NOT_ACCURATE
            where = " at an end of the range"
            kind = FlagKind.SATURATED
            flags += (Flag.of_samples(kind, clipped, samples.time_s, "left out", where),)
    if int(usable.sum()) < FEWEST:
        raise RecordError(
            f"only {int(usable.sum())} samples are within the range of the converter; record again "
            "with a larger range"
        )
    field_v = _field_voltage(record, samples)
    unit_v = 1.0 if field_v is None or abs(field_v.value) <= NO_FIELD_V else field_v.value
    known = Known(
        unit_v,
        (0.5 - source.tap_pu) * unit_v / source.amplitude_v.value,
        _MOST_F * source.source_resistance_ohm.value,
    )
    gain_u = hypot(
        source.amplitude_v.u / source.amplitude_v.value,
        source.source_resistance_ohm.u / source.source_resistance_ohm.value,
    )
    history = history_of(samples, usable, known, not exact, gain_u)
    worst = history.status.worst(worst)
    flags += history.flags
    return _told(record, source, history.state, worst, field_v, unit_v, flags)


def _field_voltage(record: PulseRecord, samples: Samples) -> Measured | None:
    if samples.field_v is not None:
        mean_v = float(samples.field_v.mean())
        return Measured(mean_v, abs(mean_v) * record.field_scale_u)
    return record.field_voltage_v if isinstance(record.field_voltage_v, Measured) else None


def _told(
    record: PulseRecord,
    source: Source,
    state: State,
    worst: Status,
    field_v: Measured | None,
    unit_v: float,
    flags: tuple[Flag, ...],
) -> PulseEstimate:
    answer = Answer(state, source, field_v, unit_v)
    conductance_s = answer.conductance_s()
    resistance = telling.resistance(
        conductance_s, answer.fault_resistance_ohm(), source.source_resistance_ohm
    )
    location = telling.location(conductance_s, answer.fault_location_pu())
    time_constant, capacitance = answer.capacitance()
    currents_a = [answer.settled_current_a(polarity) for polarity in (1.0, -1.0)]
    positive, negative = (Estimate(GOOD, current.value, current.u) for current in currents_a)
    amps = source.amplitude_v.value / source.source_resistance_ohm.value
    fitted_a = np.full(len(record.time_s), np.nan)
    fitted_a[state.samples.index] = state.fitted * amps
    used = np.zeros(len(record.time_s), dtype=bool)
    used[state.samples.index[state.used]] = True
    return PulseEstimate(
        _doubtful(resistance, worst),
        _doubtful(location, worst),
        _doubtful(capacitance, worst),
        _mean_field(record, state, field_v),
        _doubtful(time_constant, worst),
        _doubtful(positive, worst),
        _doubtful(negative, worst),
        state.noise * amps,
        flags + _remarks(state, answer, field_v, resistance, location, time_constant),
        fitted_a,
        used,
        tuple(state.samples.reversals_s.tolist()),
    )


def _mean_field(record: PulseRecord, state: State, field_v: Measured | None) -> Estimate:
    """Of the stretch that is told."""
    if field_v is None:
        return Estimate(UNCERTAIN)
    told = _field_voltage(record, state.samples) or field_v
    return Estimate(GOOD, told.value, told.u)


def _doubtful(told: Estimate, status: Status) -> Estimate:
    worst = told.status.worst(status)
    if worst.is_bad:
        return Estimate(worst)
    return replace(told, status=worst.with_limit(told.status.limit))


def _remarks(
    state: State,
    answer: Answer,
    field_v: Measured | None,
    resistance: Estimate,
    location: Estimate,
    time_constant: Estimate,
) -> tuple[Flag, ...]:
    flags: list[Flag] = []
    taus = state.circuit.samples.longest_half_s / answer.time_constant_s
    if taus < _SETTLED and time_constant.u is not None:
        text = f"a half-cycle lasts {taus:.2g} time constants; the end is extrapolated"
        flags.append(Flag(FlagKind.NOT_SETTLED, text))
    if state.circuit.lines is not None and field_v is not None:
        values_v = state.circuit.lines.values_v
        low, high = float(values_v.min()), float(values_v.max())
        if high - low > _MOVED * abs(field_v.value):
            text = f"between {low:.4g} and {high:.4g} V; corrected"
            flags.append(Flag(FlagKind.FIELD_MOVED, text))
    drift = answer.drift()
    if drift is not None:
        text = f"its share of the current drifts by {abs(drift):.2%}; corrected"
        flags.append(Flag(FlagKind.FIELD_MOVED, text))
    if location.status.code == BAD_OUT_OF_RANGE:
        text = "check tap, field voltage and its polarity, or look for a second path"
        flags.append(Flag(FlagKind.OUTSIDE, text))
    if resistance.status.code in (UNCERTAIN_CONFIGURATION_ERROR, BAD_CONFIGURATION_ERROR):
        text = "check source resistance, amplitude and the order of the half-cycles"
        flags.append(Flag(FlagKind.CONTRADICTION, text))
    return tuple(flags)
