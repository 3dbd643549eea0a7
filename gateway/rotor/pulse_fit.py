"""The fit of one circuit to a stretch, without what does not belong to it, and how good it is."""

from dataclasses import dataclass, replace
from math import sqrt
from typing import Final

import numpy as np

from gateway.rotor.pulse_bins import Samples
from gateway.rotor.pulse_circuit import Circuit, Known, circuit, fit_circuit
from gateway.rotor.pulse_disturbances import noise_of, outliers, ripple
from gateway.rotor.pulse_field import Lines
from gateway.rotor.pulse_record import Booleans, Floats
from gateway.rotor.separable import Fit

# What the circuit leaves out (copper, edges of the pulse), in amplitudes over R0 (our choice): no
# record is believed to be better than this.
_FLOOR: Final = 3e-6
_UNIFORM: Final = 12**-0.5  # a step's standard deviation (GUM F.2.2.1)
_ROUNDS: Final = 16
# Squares beyond the expected, in standard deviations of chi-square: from the first on the
# uncertainty is widened, from the second on the circuit is called a misfit (our choice).
_WIDE: Final = 3.0
MISFIT: Final = 6.0


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """The fit of one circuit.

    `samples` are all of the stretch, with any ripple taken off, `used` marks those that count,
    `dropped` is how many of the usable ones do not. `fitted` has the circuit's current at each.
    `noise` is that of one sample, `quick_noise` what changes of it from one to the next. `misfit`
    is in standard deviations, `field_squares` how much of the sum of squares the noise of a sampled
    field voltage explains, in variances. `covariance` is that of the fit's parameters, linear ones
    first. `lines_hz` are the frequencies of the ripple.
    """

    samples: Samples
    used: Booleans
    dropped: int
    circuit: Circuit
    fit: Fit
    fitted: Floats
    noise: float
    quick_noise: float
    misfit: float
    field_squares: float
    lines_hz: tuple[float, ...]
    covariance: Floats

    @property
    def is_clean(self) -> bool:
        """Whether there is nothing that another circuit could explain."""
        return self.misfit <= MISFIT and not self.dropped and not self.lines_hz

    @property
    def variance(self) -> float:
        """Of the noise of one sample, by what a misfit raises least."""
        return min(self.noise, self.quick_noise) ** 2

    def squares(self) -> float:
        """Of the residuals of all samples that count."""
        residual = (self.samples.current - self.fitted)[self.used]
        return float(residual @ residual)


def fit_state(
    samples: Samples,
    usable: Booleans,
    known: Known,
    free_gain: bool,
    *,
    calm: bool = True,
    lines_v: Lines | None = None,
) -> State:
    """The fit, without outliers and ripple; not `calm`, without lonely outliers alone.

    `lines_v` are those of the field voltage, where they are known already.
    """
    whole = circuit(samples, known, free_gain, lines_v)

    def on(used: Booleans) -> Circuit:
        if used.all():
            return whole
        left = None if whole.lines is None else whole.lines.only(used)
        return circuit(samples.only(used), known, free_gain, left)

    used, tau_s = usable, None
    lines: tuple[float, ...] = ()
    for _ in range(_ROUNDS):
        here = on(used)
        found = fit_circuit(here, tau_s)
        tau_s = float(np.exp(found.nonlinear[0]))
        fitted = whole.at_samples(found)
        residual = samples.current - fitted
        noise = noise_of(residual[used])
        least = max(_FLOOR, samples.resolution * _UNIFORM)
        drop = outliers(np.where(usable, residual, 0.0), max(noise, least), bursts=calm)
        again = usable & ~drop
        if not (again == used).all():
            used = again
            continue
        if not calm:
            break
        waves = ripple(samples, residual, used, max(_FLOOR, samples.resolution))
        if not waves.lines:
            break
        apart_hz = 2 / (samples.end_s - samples.begin_s)
        for line_hz, _ in waves.lines:
            if all(abs(line_hz - other_hz) > apart_hz for other_hz in lines):
                lines += (line_hz,)
        samples = replace(samples, current=samples.current - waves.values)
        whole, used = circuit(samples, known, free_gain, whole.lines), usable
    else:  # as far as it has come
        here = on(used)
        found = fit_circuit(here, tau_s)
        fitted = whole.at_samples(found)
    return _judged(samples, usable, used, here, found, fitted, lines)


def _judged(
    samples: Samples,
    usable: Booleans,
    used: Booleans,
    here: Circuit,
    found: Fit,
    fitted: Floats,
    lines_hz: tuple[float, ...],
) -> State:
    residual = (samples.current - fitted)[used]
    parameters = len(found.linear) + len(found.nonlinear)
    freedom = max(len(here.bins.first) - parameters, 1)
    noise = sqrt(float(residual @ residual) / max(len(residual) - parameters, 1))
    # Noise from one sample to the next: a circuit that does not fit moves it less.
    quick = sqrt(float(np.mean(np.diff(residual) ** 2)) / 2)
    least = samples.resolution * _UNIFORM
    if quick < samples.resolution / 2:
        # Nothing shakes the samples over the steps: their errors are all the same, and stay.
        least *= sqrt(len(residual) / 2)
    noise, quick = max(noise, least, _FLOOR), max(quick, least, _FLOOR)
    excess = found.squares / min(noise, quick) ** 2
    errors = here.field_errors(found)
    shifts = found.unscaled_covariance @ (found.slopes @ errors.T)
    left = errors - shifts.T @ found.slopes
    field_squares = float((left * left).sum()) / min(noise, quick) ** 2
    expected = freedom + field_squares
    misfit = (excess - expected) / sqrt(2 * freedom + 2 * field_squares**2 / max(len(errors), 1))
    variance = noise**2 * (max(excess / expected, 1.0) if misfit > _WIDE else 1.0)
    return State(
        samples,
        used,
        int((usable & ~used).sum()),
        here,
        found,
        fitted,
        noise,
        quick,
        misfit,
        field_squares,
        lines_hz,
        variance * found.unscaled_covariance + shifts @ shifts.T,
    )
