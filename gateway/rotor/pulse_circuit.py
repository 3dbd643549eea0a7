"""The circuit's answer to a square pulse and a moving field voltage, and its fit to samples.

With the winding's capacitance C spread evenly over it, e the source's and U the field's voltage,
kappa = R0/(R0 + Rf) and tau = C R0 Rf/(R0 + Rf), Kirchhoff's laws give for the source current i

    i R0 = HP[e] + kappa LP[e] - (beta - 1/2) HP[U] + kappa (alpha - beta) LP[U] + w exp(-t/tau)

LP is a first-order low pass with the time constant tau, HP = 1 - LP is its complement, and w is
what the winding was charged to before the stretch began. Settled (HP = 0), these are the two
currents of the method with settled half-cycles. Voltages are counted in amplitudes of the source.

HP of what moves in steps is a sum of exponentials, one a step; U counts as constant over a bin. The
coefficient of HP[U] is left free: it is 1/2 - beta for evenly spread capacitance, and zero for
noise in the measurement of U, of which the current knows nothing.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from gateway.rotor.pulse_bins import Bins, Samples, in_bins
from gateway.rotor.pulse_record import Floats, Ints
from gateway.rotor.separable import Curve, Fit, fit

# The order of the linear parameters; those behind CHARGE are there where they can be told.
LOSS: Final = 0  # kappa
LEVEL: Final = 1  # kappa (alpha - beta) times the field voltage's unit, in amplitudes
CHARGE: Final = 2  # w
MOVING: Final = 3  # coefficient of HP[U]; without samples of U, its linear drift over the stretch

# Steps of the field voltage that stand out of its usual ones by this factor begin a bin.
_STEP: Final = 8.0
_MOST_STEPS: Final = 40
# No steps of the fit beyond a thousandth of a standard deviation.
_TOLERANCE: Final = 1e-3
_STARTS: Final = 12


@dataclass(frozen=True, slots=True, eq=False)
class Circuit:
    """The curve of one stretch, in bins weighted with the square root of their samples."""

    samples: Samples
    bins: Bins
    weight: Floats
    since_s: Floats  # (bins, instants), from the instant to the bin's first sample; inf before it
    steps: Floats  # of the source, at all instants but the first
    field: Floats  # field voltage in units of `field_unit_v`; 1 where it is not sampled
    field_unit_v: float
    moved: Floats | None  # steps of the field, where it is sampled and moves
    since_moved_s: Floats
    drift: Floats | None
    free_gain: bool

    def __call__(self, nonlinear: Floats) -> Curve:
        """The curve at the natural logarithm of tau in seconds."""
        tau_s = float(np.exp(nonlinear[0]))
        weight, n, h = self.weight, self.bins.count, self.samples.interval_s / tau_s
        # The mean of exp(-t/tau) over n samples from the first one on; derivatives by ln(tau).
        one, all_n = -np.expm1(-h), -np.expm1(-h * n)
        mean = weight * all_n / (n * one)
        d_mean = weight * h * (all_n * np.exp(-h) / (n * one) - np.exp(-h * n)) / one
        left, d_left = _decay(self.since_s, tau_s)
        answer, d_answer = left[:, 1:] @ self.steps, d_left[:, 1:] @ self.steps
        high, d_high = mean * answer, mean * d_answer + d_mean * answer
        zero = np.zeros_like(high)
        level, d_level = weight * self.field, zero
        charge, d_charge = mean * left[:, 0], mean * d_left[:, 0] + d_mean * left[:, 0]
        columns, d_columns = [], []
        if self.moved is not None:
            left, d_left = _decay(self.since_moved_s, tau_s)
            answer, d_answer = left @ self.moved, d_left @ self.moved
            high_u, d_high_u = mean * answer, mean * d_answer + d_mean * answer
            level, d_level = level - high_u, -d_high_u
            columns.append(high_u)
            d_columns.append(d_high_u)
        elif self.drift is not None:
            columns.append(weight * self.drift)
            d_columns.append(zero)
        if self.free_gain:
            columns.append(high)
            d_columns.append(d_high)
        columns = [weight * self.bins.polarity - high, level, charge, *columns]
        d_columns = [-d_high, d_level, d_charge, *d_columns]
        return Curve(high, np.array(columns), d_high[None], np.array(d_columns)[None])

    def at_samples(self, found: Fit) -> Floats:
        """The fitted current at each sample of its stretch."""
        tau_s = float(np.exp(found.nonlinear[0]))
        loss, level, charge = found.linear[:3]
        gain = found.linear[-1] if self.free_gain else 0.0
        left = np.exp(-self.since_s / tau_s)
        decaying = (1 + gain - loss) * (left[:, 1:] @ self.steps) + charge * left[:, 0]
        settled = loss * self.bins.polarity + level * self.field
        slope = np.zeros_like(settled)
        if self.moved is not None:
            moving = found.linear[MOVING]
            decaying += (moving - level) * (np.exp(-self.since_moved_s / tau_s) @ self.moved)
        elif self.drift is not None:
            settled += found.linear[MOVING] * self.drift
        count, since_s = self.bins.count, self.bins.since_first_s
        values = np.repeat(settled, count)
        values += np.repeat(decaying, count) * np.exp(-since_s / tau_s)
        if self.moved is not None and self.samples.field_v is not None:
            # Within a bin, what drifts has settled and what ripples has not begun to.
            middle_s = since_s - np.repeat((count - 1) * (self.samples.interval_s / 2), count)
            within = self.samples.field_v / self.field_unit_v - np.repeat(self.field, count)
            squares = np.add.reduceat(middle_s * middle_s, self.bins.first)
            slope = np.add.reduceat(within * middle_s, self.bins.first)
            slope = slope / np.maximum(squares, self.samples.interval_s**2)
            drifting = np.repeat(slope, count) * middle_s
            values += level * drifting + moving * (within - drifting)
        return values


def circuit(samples: Samples, field_unit_v: float, free_gain: bool = False) -> Circuit:
    """The circuit that is to explain these samples; `field_unit_v` is any scale of its voltage."""
    field_v = samples.field_v
    bins = in_bins(samples, _cuts(field_v))
    moved = None
    if bins.field_v is not None:
        steps = np.diff(bins.field_v, prepend=bins.field_v[0]) / field_unit_v
        moved = steps if float(np.abs(steps).max()) > 1e-9 else None
    reversals_s = samples.reversals_s
    instants_s = np.concatenate(([samples.begin_s], reversals_s))
    signs = 1.0 - 2.0 * (np.arange(len(reversals_s)) % 2)
    drift = None
    if bins.field_v is None and len(reversals_s) > 1:
        middle_s = bins.first_s + (bins.count - 1) * (samples.interval_s / 2)
        drift = (middle_s - samples.begin_s) / (samples.end_s - samples.begin_s) - 0.5
    return Circuit(
        samples,
        bins,
        np.sqrt(bins.count),
        _since(bins.first_s, instants_s),
        -2.0 * samples.polarity * signs,
        np.ones(len(bins.count)) if bins.field_v is None else bins.field_v / field_unit_v,
        field_unit_v,
        moved,
        _since(bins.first_s, bins.begins_s) if moved is not None else np.empty((0, 0)),
        drift,
        free_gain,
    )


def fit_circuit(circuit: Circuit, start_tau_s: float | None = None) -> Fit:
    """The best fit; from the best of a ladder of time constants where no start is given."""
    y = circuit.bins.current * circuit.weight
    shortest_s, longest_s = _reach_s(circuit)
    start = np.array([np.log(start_tau_s or _best_start(circuit, y))])
    bounds = (float(np.log(shortest_s)), float(np.log(longest_s)))
    return fit(circuit, start, y, bounds=bounds, tolerance=_TOLERANCE)


def _best_start(circuit: Circuit, y: Floats) -> float:
    """The best of a ladder of time constants, from below a sample to beyond the stretch."""
    shortest_s, longest_s = _reach_s(circuit)
    ladder = np.geomspace(10 * shortest_s, longest_s / 10, _STARTS)
    left: list[float] = []
    for tau_s in ladder:
        curve = circuit(np.array([np.log(tau_s)]))
        target = y - curve.offset
        linear = np.linalg.lstsq(curve.columns.T, target, rcond=None)[0]
        residual = target - linear @ curve.columns
        left.append(float(residual @ residual))
    return float(ladder[int(np.argmin(left))])


def _reach_s(circuit: Circuit) -> tuple[float, float]:
    """Shorter time constants than the first leave no trace, longer ones than the second no end."""
    first_s = float(circuit.since_s[:, 1:].min(initial=circuit.samples.interval_s))
    return first_s / 30, 20 * (circuit.samples.end_s - circuit.samples.begin_s)


def _decay(since_s: Floats, tau_s: float) -> tuple[Floats, Floats]:
    """exp(-t/tau) and its derivative by ln(tau); both 0 before the instant."""
    left = np.exp(-since_s / tau_s)
    return left, left * np.where(np.isinf(since_s), 0.0, since_s / tau_s)


def _since(first_s: Floats, instants_s: Floats) -> Floats:
    since_s = first_s[:, None] - instants_s
    since_s[since_s < 0] = np.inf
    return since_s


def _cuts(field_v: Floats | None) -> Ints:
    """Where the field voltage steps, a bin must begin, so that it is constant over bins."""
    if field_v is None:
        return np.empty(0, dtype=np.int64)
    moves = np.abs(np.diff(field_v))
    usual = float(np.median(moves))
    steps = np.flatnonzero(moves > max(_STEP * usual, 1e-9)) + 1
    return steps if len(steps) <= _MOST_STEPS else steps[:0]
