"""From the fit of a record to what it says of the fault, with uncertainties (GUM 5.1)."""

from math import copysign, exp, hypot, inf, isinf, log, sqrt
from typing import Final

import numpy as np

from gateway.rotor.measured import Estimate, Measured
from gateway.rotor.pulse_circuit import DRIFT, LEVEL, LOSS
from gateway.rotor.pulse_fit import State
from gateway.rotor.pulse_injection import NO_FIELD_V, Source
from gateway.tags import GOOD, UNCERTAIN, Limit

_K: Final = 2.0  # coverage of 'at most'
_DRIFT: Final = 4.0  # standard deviations of a drift worth saying
_APART: Final = 0.1  # relative distance of two roots
_ALONE: Final = 0.9  # share of the information on the time constant
_KNOWN: Final = 0.25  # largest relative uncertainty of a capacitance that is a number


class Answer:
    """What a state of the circuit says; `field_unit_v` is the unit of its field voltage."""

    def __init__(
        self, state: State, source: Source, field_v: Measured | None, field_unit_v: float
    ) -> None:
        found = state.fit
        self._state, self._source, self._field_v = state, source, field_v
        self._r0_ohm = source.source_resistance_ohm.value
        self._amplitudes = source.amplitude_v.value / field_unit_v  # of the source, in that unit
        self._u_e = source.amplitude_v.u / source.amplitude_v.value
        self._u_r0 = source.source_resistance_ohm.u / self._r0_ohm
        self._loss, self._level = float(found.linear[LOSS]), float(found.linear[LEVEL])
        self.time_constant_s = float(np.exp(found.nonlinear[0]))
        # The samples are scaled with R0/E: how far each parameter moves with its logarithm.
        y = state.circuit.bins.current * state.circuit.weight
        self._moves = found.unscaled_covariance @ (found.slopes @ y)

    def conductance_s(self) -> Measured:
        """Of the whole loop, R0 + Rf."""
        value_s = self._loss / self._r0_ohm
        return Measured(value_s, self._u({LOSS: 1 / self._r0_ohm}, 0.0, -value_s))

    def fault_resistance_ohm(self) -> Measured:
        """Infinite where no current is lost at all."""
        if self._loss <= 0.0:
            return Measured(inf, inf)
        value_ohm = self._r0_ohm / self._loss - self._r0_ohm
        slope = -self._r0_ohm / self._loss**2
        return Measured(value_ohm, self._u({LOSS: slope}, 0.0, value_ohm))

    def fault_location_pu(self) -> Measured | None:
        """None where it has no influence, for want of a field voltage or a current."""
        field_v = self._field_v
        if self._loss <= 0.0 or field_v is None or abs(field_v.value) <= NO_FIELD_V:
            return None
        scale, undelayed = self._amplitudes / self._loss, self._undelayed_level()
        if undelayed is None:
            return None
        level, slopes = undelayed
        apart = level * scale
        slopes = {parameter: slope * scale for parameter, slope in slopes.items()}
        slopes[LOSS] = -apart / self._loss
        u_field = apart * field_v.u / field_v.value
        return Measured(self._source.tap_pu + apart, self._u(slopes, apart, 0.0, u_field))

    def settled_current_a(self, polarity: float) -> Measured:
        """At the mean field voltage of the record."""
        circuit = self._state.circuit
        mean = float(circuit.field @ circuit.bins.count) / len(circuit.samples.time_s)
        amps = self._source.amplitude_v.value / self._r0_ohm
        value_a = amps * (polarity * self._loss + mean * self._level)
        slopes = {LOSS: polarity * amps, LEVEL: mean * amps}
        return Measured(value_a, self._u(slopes, value_a, -value_a))

    def drift(self) -> float | None:
        """Of the field's share over the record, where nobody sampled it and the current shows it.

        Relative to that share.
        """
        if self._state.circuit.drift is None:
            return None
        drift = float(self._state.fit.linear[DRIFT])
        if abs(drift) <= _DRIFT * sqrt(float(self._state.covariance[DRIFT, DRIFT])):
            return None
        return drift / self._level if self._level else inf

    def capacitance(self) -> tuple[Estimate, Estimate]:
        """Time constant in s and winding capacitance in F: C = tau/(R0 (1 - kappa))."""
        log_tau, left, tau_s = len(self._state.fit.linear), 1.0 - self._loss, self.time_constant_s
        if left <= 0.0:
            return Estimate(UNCERTAIN), Estimate(UNCERTAIN)
        value_f = tau_s / (self._r0_ohm * left)
        u_tau = self._u({log_tau: 1.0}, 0.0, 0.0)
        u = self._u({log_tau: 1.0, LOSS: 1.0 / left}, 0.0, -1.0)
        # What the first samples after the reversals see of it, and how surely.
        turns = len(self._state.samples.reversals_s)
        first_s = float(self._state.circuit.since_s[:, 1 : turns + 1].min(initial=inf))
        steep = max(first_s / tau_s, 1.0)
        if max(u, u_tau * steep) < _KNOWN:
            status = UNCERTAIN if self._one_sample_tells_tau() else GOOD
            return Estimate(status, tau_s, tau_s * u_tau), Estimate(status, value_f, value_f * u)
        seen = exp(-steep) * (1 + _K * u_tau * steep)
        seen = max(seen, _K * self._state.noise / (2 * left * sqrt(turns)))
        if seen >= exp(-1.0) or isinf(first_s):
            return Estimate(UNCERTAIN), Estimate(UNCERTAIN)
        most_s = first_s / -log(seen)
        at_most = GOOD.with_limit(Limit.LOW)
        return Estimate(at_most, most_s), Estimate(at_most, most_s / (self._r0_ohm * left))

    def _one_sample_tells_tau(self) -> bool:
        """Whether there would be no time constant without one sample, which may be a wrong one."""
        told = self._state.fit.slopes[-1] ** 2
        alone = told[self._state.circuit.bins.count == 1]
        return bool(alone.max(initial=0.0) > _ALONE * told.sum())

    def _u(self, slopes: dict[int, float], by_e: float, by_r0: float, other: float = 0.0) -> float:
        """Of what depends on parameters by these slopes, and on ln(E) and ln(R0) besides."""
        a = np.zeros(len(self._moves))
        a[list(slopes)] = list(slopes.values())
        moves = float(a @ self._moves)
        noise = sqrt(max(float(a @ self._state.covariance @ a), 0.0))
        return hypot(noise, (by_e - moves) * self._u_e, (by_r0 + moves) * self._u_r0, other)

    def _undelayed_level(self) -> tuple[float, dict[int, float]] | None:
        """The level as the field voltage alone makes it, and its slopes by parameters.

        A drift that is only seen in the current charges the winding all the time, and is felt with
        a delay of tau: measured level = L - q D (1 - k/L), with q = tau over the stretch, D the
        drift of the level and k the share of HP[U] in the level. None where that has no root, or
        two that are too close to choose from.
        """
        drift = self.drift()
        if drift is None or self._level == 0.0:
            return self._level, {LEVEL: 1.0}
        samples = self._state.samples
        q = self.time_constant_s / (samples.end_s - samples.begin_s)
        k = (0.5 - self._source.tap_pu) / self._amplitudes
        moved = drift * self._level
        middle = (self._level + q * moved) / 2
        root = middle**2 - q * moved * k
        if root <= (_APART * middle) ** 2:
            return None
        level = middle + copysign(sqrt(root), middle)
        steep = 2 * (level - middle)
        return level, {LEVEL: level / steep, DRIFT: q * (level - k) / steep}
