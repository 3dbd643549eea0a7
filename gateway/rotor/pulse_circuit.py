"""The circuit's answer to a square pulse and a moving field voltage, and its fit to samples.

With the winding's capacitance C spread evenly over it, e the source's and U the field's voltage,
kappa = R0/(R0 + Rf) and tau = C R0 Rf/(R0 + Rf), Kirchhoff's laws give for the source current i

    i R0 = HP[e] + kappa LP[e] - (beta - 1/2) HP[U] + kappa (alpha - beta) LP[U] + w exp(-t/tau)

LP is a first-order low pass with the time constant tau, HP = 1 - LP is its complement, and w is
what the winding was charged to before the stretch began. Settled (HP = 0), these are the two
currents of the method with settled half-cycles. Voltages are counted in amplitudes of the source.

HP of what moves in steps is a sum of exponentials, one a step, and HP of a slope s settles at
s tau. U counts as a straight line over each bin. The coefficient of HP[U] is left free: it is
1/2 - beta for evenly spread capacitance, and zero for noise in the measurement of U, of which the
current knows nothing.
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
_LINE: Final = 6  # samples; a shorter bin has no slope of its own
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
    path: "_Path | None"  # of the field, where it is sampled and moves
    drift: Floats | None  # without samples of the field: -1/2 to 1/2 over the stretch
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
        if self.path is not None:
            left, d_left = _decay(self.path.since_s, tau_s)
            moved, d_moved = self.path.jumps - tau_s * self.path.bends, -tau_s * self.path.bends
            answer, d_answer = left @ moved, d_left @ moved + left @ d_moved
            high_u = mean * answer + weight * tau_s * self.path.slopes
            d_high_u = mean * d_answer + d_mean * answer + weight * tau_s * self.path.slopes
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
        count, since_s = self.bins.count, self.bins.since_first_s
        within = np.zeros_like(since_s)
        if self.path is not None:
            moving, path = found.linear[MOVING] - level, self.path
            decaying += moving * (np.exp(-path.since_s / tau_s) @ (path.jumps - tau_s * path.bends))
            settled = settled + moving * tau_s * path.slopes
            # The line over the bin has settled, what ripples about it has not begun to.
            within = level * path.lines + found.linear[MOVING] * path.ripple
        elif self.drift is not None:
            settled = settled + found.linear[MOVING] * self.drift
            middle_s = np.repeat((count - 1) * (self.samples.interval_s / 2), count)
            span_s = self.samples.end_s - self.samples.begin_s
            within = (found.linear[MOVING] / span_s) * (since_s - middle_s)
        values = np.repeat(settled, count) + within
        values += np.repeat(decaying, count) * np.exp(-since_s / tau_s)
        return values


@dataclass(frozen=True, slots=True, eq=False)
class _Path:
    """The field voltage, in its unit, as one straight line a bin.

    At the beginning of each bin it jumps by `jumps` and its slope bends by `bends` per second.
    `lines` is each sample's place on its line, counted from the bin's mean, `ripple` the rest.
    """

    since_s: Floats  # (bins, bins), from the beginning of one to the first sample of the other
    slopes: Floats
    jumps: Floats
    bends: Floats
    lines: Floats
    ripple: Floats


def _path(
    samples: Samples, bins: Bins, field: Floats, field_unit_v: float, cuts: Ints
) -> _Path | None:
    """None where the voltage does not move at all."""
    if samples.field_v is None or float(np.ptp(samples.field_v)) <= 1e-9 * abs(field_unit_v):
        return None
    count, h = bins.count, samples.interval_s
    middle_s = bins.since_first_s - np.repeat((count - 1) * (h / 2), count)
    apart = samples.field_v / field_unit_v - np.repeat(field, count)
    squares = np.add.reduceat(middle_s * middle_s, bins.first)
    slopes = np.add.reduceat(apart * middle_s, bins.first) / np.maximum(squares, h * h)
    short = count < _LINE
    slopes[short] = _trends(bins, field, h, cuts)[short]
    lines = np.repeat(slopes, count) * middle_s
    halves = slopes * (count * (h / 2))
    jumps = np.zeros_like(field)
    jumps[1:] = np.diff(field) - halves[1:] - halves[:-1]
    since_s = _since(bins.first_s, bins.begins_s)
    return _Path(since_s, slopes, jumps, np.diff(slopes, prepend=slopes[0]), lines, apart - lines)


def _trends(bins: Bins, field: Floats, h: float, cuts: Ints) -> Floats:
    """The slope of the field voltage from one of its steps to the next, for each bin."""
    first = np.concatenate(([0], np.searchsorted(bins.first, cuts)))
    middle_s = bins.first_s + (bins.count - 1) * (h / 2)
    sums = [
        np.add.reduceat(bins.count * of, first) for of in (np.ones_like(field), middle_s, field)
    ]
    stretch = np.repeat(np.arange(len(first)), np.diff(first, append=len(field)))
    apart_s = middle_s - (sums[1] / sums[0])[stretch]
    apart = field - (sums[2] / sums[0])[stretch]
    squares = np.add.reduceat(bins.count * apart_s * apart_s, first)
    return (np.add.reduceat(bins.count * apart_s * apart, first) / np.maximum(squares, h * h))[
        stretch
    ]


def circuit(samples: Samples, field_unit_v: float, free_gain: bool = False) -> Circuit:
    """The circuit that is to explain these samples; `field_unit_v` is any scale of its voltage."""
    field_v = samples.field_v
    cuts = _cuts(field_v)
    bins = in_bins(samples, cuts)
    field = np.ones(len(bins.count)) if bins.field_v is None else bins.field_v / field_unit_v
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
        field,
        field_unit_v,
        _path(samples, bins, field, field_unit_v, cuts),
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
    since_s, h = circuit.since_s[:, 1:], circuit.samples.interval_s
    first_s = float(since_s.min(initial=h, where=since_s > 0.01 * h))
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
