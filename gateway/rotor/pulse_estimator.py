"""Fault resistance, location and winding capacitance from one sampled record of a square pulse.

All half-cycles are fitted together with the circuit of `pulse_circuit`, settled or not. In normal
noise that is the maximum-likelihood estimate, whose spread is the Cramer-Rao bound. What does not
belong to the circuit is found and said: it is left out, or what it makes of the result is told.

`estimate` is the door. It refuses, with RecordError, what is no record of a pulse.
"""

from dataclasses import dataclass, replace
from math import exp, hypot, inf, isinf, log, sqrt
from typing import Final

import numpy as np

from gateway.rotor import telling
from gateway.rotor.measured import Estimate, Measured
from gateway.rotor.pulse_bins import Samples
from gateway.rotor.pulse_circuit import DRIFT, LEVEL, LOSS, FieldScale
from gateway.rotor.pulse_disturbances import saturated, two_valued
from gateway.rotor.pulse_fit import State, fit_state
from gateway.rotor.pulse_injection import Source
from gateway.rotor.pulse_reading import FEWEST, RecordError, samples_of
from gateway.rotor.pulse_record import Flag, FlagKind, Floats, PulseEstimate, PulseRecord
from gateway.tags import (
    BAD_CONFIGURATION_ERROR,
    BAD_OUT_OF_RANGE,
    GOOD,
    UNCERTAIN,
    UNCERTAIN_CONFIGURATION_ERROR,
    UNCERTAIN_SENSOR_NOT_ACCURATE,
    Limit,
    Status,
)

__all__ = ["RecordError", "estimate"]

_K: Final = 2.0  # coverage of 'at most' and 'at least'
_SETTLED: Final = 4.6  # time constants until 1 % is left
_NO_FIELD_V: Final = 1e-3  # far below what any device resolves
_MOVED: Final = 0.02  # of the field voltage: a movement worth saying
_DRIFT: Final = 4.0  # standard deviations of a drift worth saying
_KNOWN: Final = 0.25  # largest relative uncertainty of a capacitance that is a number


def estimate(record: PulseRecord, source: Source) -> PulseEstimate:
    """What the record says of the fault, with standard uncertainties.

    The uncertainty holds the noise of the record, as estimated from it, and that of `source`.
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
            first_s = samples.time_s[clipped][0]
            text = (
                f"{int(clipped.sum())} samples at an end of the range, the first at {first_s:.6g} s"
            )
            flags += (Flag(FlagKind.SATURATED, f"{text}; left out"),)
    if int(usable.sum()) < FEWEST:
        raise RecordError(
            f"only {int(usable.sum())} samples are within the range of the converter; record again "
            "with a larger range"
        )
    field_v = _field_voltage(record, samples)
    unit_v = 1.0 if field_v is None or abs(field_v.value) <= _NO_FIELD_V else field_v.value
    field = FieldScale(unit_v, (0.5 - source.tap_pu) * unit_v / source.amplitude_v.value)
    state = fit_state(samples, usable, field, free_gain=not exact)
    state = replace(state, status=state.status.worst(worst))
    return _told(record, source, state, field_v, unit_v, flags + state.flags)


def _field_voltage(record: PulseRecord, samples: Samples) -> Measured | None:
    if samples.field_v is not None:
        mean_v = float(samples.field_v.mean())
        return Measured(mean_v, abs(mean_v) * record.field_scale_u)
    return record.field_voltage_v if isinstance(record.field_voltage_v, Measured) else None


@dataclass(frozen=True, slots=True)
class _Propagation:
    """From the fit's parameters, E and R0 to the uncertainty of what depends on them (GUM 5.1)."""

    covariance: Floats
    moves: Floats  # of each parameter, by ln(R0/E), which scales all samples
    u_e: float  # relative
    u_r0: float

    def u(self, slopes: dict[int, float], by_e: float, by_r0: float, other: float = 0.0) -> float:
        """Of what depends on parameters by these slopes, and on ln(E) and ln(R0) besides."""
        a = np.zeros(len(self.covariance))
        a[list(slopes)] = list(slopes.values())
        moves = float(a @ self.moves)
        noise = sqrt(max(float(a @ self.covariance @ a), 0.0))
        return hypot(noise, (by_e - moves) * self.u_e, (by_r0 + moves) * self.u_r0, other)


def _told(
    record: PulseRecord,
    source: Source,
    state: State,
    field_v: Measured | None,
    unit_v: float,
    flags: tuple[Flag, ...],
) -> PulseEstimate:
    found = state.fit
    e_v, r0_ohm = source.amplitude_v.value, source.source_resistance_ohm.value
    y = state.circuit.bins.current * state.circuit.weight
    by = _Propagation(
        state.covariance,
        found.unscaled_covariance @ (found.slopes @ y),
        source.amplitude_v.u / e_v,
        source.source_resistance_ohm.u / r0_ohm,
    )
    loss, level = float(found.linear[LOSS]), float(found.linear[LEVEL])
    conductance_s = Measured(loss / r0_ohm, by.u({LOSS: 1 / r0_ohm}, 0.0, -loss / r0_ohm))
    fault_ohm = Measured(inf, inf)
    if loss > 0.0:
        value_ohm = r0_ohm / loss - r0_ohm
        fault_ohm = Measured(value_ohm, by.u({LOSS: -r0_ohm / loss**2}, 0.0, value_ohm))
    place = None
    if loss > 0.0 and field_v is not None and abs(field_v.value) > _NO_FIELD_V:
        volts = e_v / unit_v
        lag = _lag(state, source.tap_pu, e_v / unit_v)
        apart = (
            (level + lag * float(found.linear[DRIFT])) / loss * volts
            if lag
            else level / loss * volts
        )
        u_field = apart * field_v.u / field_v.value
        slopes = {LEVEL: volts / loss, LOSS: -apart / loss}
        if lag:
            slopes[DRIFT] = lag * volts / loss
        place = Measured(source.tap_pu + apart, by.u(slopes, apart, 0.0, u_field))
    resistance = telling.resistance(conductance_s, fault_ohm, source.source_resistance_ohm)
    location = telling.location(conductance_s, place)
    time_constant, capacitance = _capacitance(state, by, loss, r0_ohm)
    amps = e_v / r0_ohm
    mean = float(state.circuit.field @ state.circuit.bins.count) / len(state.circuit.samples.time_s)
    settled = [
        Estimate(
            GOOD,
            amps * (sign * loss + mean * level),
            by.u(
                {LOSS: sign * amps, LEVEL: mean * amps}, 0.0, -amps * (sign * loss + mean * level)
            ),
        )
        for sign in (1.0, -1.0)
    ]
    more = _remarks(state, resistance, location, float(np.exp(found.nonlinear[0])), field_v)
    fitted_a = np.full(len(record.time_s), np.nan)
    fitted_a[state.samples.index] = state.fitted * amps
    used = np.zeros(len(record.time_s), dtype=bool)
    used[state.samples.index[state.used]] = True
    return PulseEstimate(
        _doubtful(resistance, state.status),
        _doubtful(location, state.status),
        _doubtful(capacitance, state.status),
        Estimate(UNCERTAIN) if field_v is None else Estimate(GOOD, field_v.value, field_v.u),
        _doubtful(time_constant, state.status),
        _doubtful(settled[0], state.status),
        _doubtful(settled[1], state.status),
        state.noise * amps,
        flags + more,
        fitted_a,
        used,
        tuple(state.samples.reversals_s.tolist()),
    )


def _lag(state: State, tap_pu: float, volts: float) -> float:
    """What a drift, where it is only seen in the current, takes from the level at its middle.

    The drifting voltage charges the winding all the time, and is felt with a delay of tau.
    """
    level = float(state.fit.linear[LEVEL])
    if not _drifts(state) or level == 0.0:
        return 0.0
    delay = float(np.exp(state.fit.nonlinear[0])) / (state.samples.end_s - state.samples.begin_s)
    return delay * (1 + (tap_pu - 0.5) / (level * volts))


def _drifts(state: State) -> bool:
    """Whether the current shows a drift that nobody sampled."""
    if state.circuit.drift is None:
        return False
    drift, variance = state.fit.linear[DRIFT], state.covariance[DRIFT, DRIFT]
    return abs(float(drift)) > _DRIFT * sqrt(float(variance))


def _doubtful(told: Estimate, status: Status) -> Estimate:
    worst = told.status.worst(status)
    if worst.is_bad:
        return Estimate(worst)
    return replace(told, status=worst.with_limit(told.status.limit))


def _capacitance(
    state: State, by: _Propagation, loss: float, r0_ohm: float
) -> tuple[Estimate, Estimate]:
    """Time constant and winding capacitance: C = tau/(R0 (1 - kappa))."""
    found = state.fit
    log_tau = len(found.linear)
    tau_s, left = float(np.exp(found.nonlinear[0])), 1.0 - loss
    u_tau = by.u({log_tau: 1.0}, 0.0, 0.0)
    if left <= 0.0:
        return Estimate(UNCERTAIN), Estimate(UNCERTAIN)
    value_f = tau_s / (r0_ohm * left)
    u = by.u({log_tau: 1.0, LOSS: 1.0 / left}, 0.0, -1.0)
    # What the first samples after the reversals see of it, and how surely.
    since_s = state.circuit.since_s[:, 1 : len(state.samples.reversals_s) + 1]
    first_s = float(since_s.min(initial=inf))
    steep = max(first_s / tau_s, 1.0)
    if max(u, u_tau * steep) < _KNOWN:
        return Estimate(GOOD, tau_s, tau_s * u_tau), Estimate(GOOD, value_f, value_f * u)
    seen = exp(-steep) * (1 + _K * u_tau * steep)
    seen = max(seen, _K * state.noise / (2 * left * sqrt(len(state.samples.reversals_s))))
    if seen >= exp(-1.0) or isinf(first_s):
        return Estimate(UNCERTAIN), Estimate(UNCERTAIN)
    most_s = first_s / -log(seen)
    at_most = GOOD.with_limit(Limit.LOW)
    return Estimate(at_most, most_s), Estimate(at_most, most_s / (r0_ohm * left))


def _remarks(
    state: State, resistance: Estimate, location: Estimate, tau_s: float, field_v: Measured | None
) -> tuple[Flag, ...]:
    flags: list[Flag] = []
    samples, bins = state.samples, state.circuit.bins
    bounds_s = np.concatenate(([samples.begin_s], samples.reversals_s, [samples.end_s]))
    longest_s = float(np.diff(bounds_s).max())
    if longest_s < _SETTLED * tau_s:
        text = f"a half-cycle lasts {longest_s / tau_s:.2g} time constants; the end is extrapolated"
        flags.append(Flag(FlagKind.NOT_SETTLED, text))
    if bins.field_v is not None and field_v is not None:
        low, high = float(bins.field_v.min()), float(bins.field_v.max())
        if high - low > _MOVED * abs(field_v.value):
            text = f"between {low:.4g} and {high:.4g} V; corrected"
            flags.append(Flag(FlagKind.FIELD_MOVED, text))
    elif state.circuit.drift is not None:
        drift, level = float(state.fit.linear[DRIFT]), float(state.fit.linear[LEVEL])
        if _drifts(state):
            share = abs(drift / level) if level else inf
            text = f"the current drifts with it, by {share:.2%} of its share; corrected"
            flags.append(Flag(FlagKind.FIELD_MOVED, text))
    if location.status.code == BAD_OUT_OF_RANGE:
        text = "check tap, field voltage and its polarity, or look for a second path"
        flags.append(Flag(FlagKind.OUTSIDE, text))
    if resistance.status.code in (UNCERTAIN_CONFIGURATION_ERROR, BAD_CONFIGURATION_ERROR):
        text = "check source resistance, amplitude and the order of the half-cycles"
        flags.append(Flag(FlagKind.CONTRADICTION, text))
    return tuple(flags)
