"""The circuit's answer to a square pulse and a moving field voltage, and its fit to samples.

With the winding's capacitance C spread evenly over it, e the source's and U the field's voltage,
kappa = R0/(R0 + Rf) and tau = C R0 Rf/(R0 + Rf), Kirchhoff's laws give for the source current i

    i R0 = HP[e] + kappa LP[e] - (beta - 1/2) HP[U] + kappa (alpha - beta) LP[U] + w exp(-t/tau)

LP is a first-order low pass with the time constant tau, HP = 1 - LP is its complement, and w is
what the winding was charged to before the stretch began. Settled (HP = 0), these are the two
currents of the method with settled half-cycles. Voltages are counted in amplitudes of the source.

HP of what moves in steps is a sum of exponentials, one a step, and HP of a slope s settles at
s tau. U counts as a few straight lines (`pulse_field`).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from gateway.rotor.pulse_bins import Bins, Samples, in_bins
from gateway.rotor.pulse_field import Lines, lines_of
from gateway.rotor.pulse_record import Floats
from gateway.rotor.separable import Curve, Fit, fit

# The order of the linear parameters; those behind CHARGE are there where they can be told.
LOSS: Final = 0  # kappa
LEVEL: Final = 1  # kappa (alpha - beta) times the field voltage's unit, in amplitudes
CHARGE: Final = 2  # w
DRIFT: Final = 3  # of the level over the stretch where U is not sampled, else U's steps from here

# What moves at an instant: the source, the charge found at the beginning, and the field voltage;
# behind these, each step of the field voltage has a transient of its own, whose size is left free
# because nobody knows when between two samples it stepped.
_SOURCE: Final = 0
_CHARGED: Final = 1
_JUMPS: Final = 2
_BENDS: Final = 3
_STEPS: Final = 4
# A last step of this many standard deviations leaves an error of its square.
_TOLERANCE: Final = 2e-2
_SETTLED: Final = 5.0  # time constants
_DEAD: Final = 0.99  # loss, from which on a fault may have no transient at all
_ENOUGH: Final = 20  # steps to tell
_ALIKE: Final = 6.0  # squares in variances: 2.4 standard deviations
_STARTS: Final = 12
_RUNGS: Final = np.linspace(0.0, 1.0, _STARTS)


@dataclass(frozen=True, slots=True, eq=False)
class Circuit:
    """The curve of one stretch, in bins weighted with the square root of their samples."""

    samples: Samples
    bins: Bins
    weight: Floats
    since_s: Floats  # (bins, instants), from the instant to the bin's first sample; inf before it
    since_or_0_s: Floats  # the same with 0 before the instant
    moves: Floats  # (instants, 2, or 4 and the field's steps): what moves then, columns as above
    base: Floats  # (parameters, bins): the columns without what decays
    field: Floats  # field voltage in units of `field_unit_v`; 1 where it is not sampled
    field_unit_v: float
    lines: Lines | None  # of the field voltage, where it is sampled
    moving: float  # coefficient of HP[U], for evenly spread capacitance
    longest_s: float
    slopes: Floats  # of the field over each bin, per second
    steps: int  # of the field
    drift: Floats | None  # without samples of the field: -1/2 to 1/2 over the stretch
    free_gain: bool

    def __call__(self, nonlinear: Floats) -> Curve:
        """The curve at the natural logarithm of tau in seconds."""
        curves = self.curves(np.exp(nonlinear))
        return Curve(curves.offset[0], curves.columns[0], curves.d_offset, curves.d_columns)

    def curves(self, tau_s: Floats) -> Curve:
        """The curves of many time constants (m); m is the first axis of all that is returned.

        The derivatives are by the natural logarithm of tau.
        """
        tau = tau_s[:, None]
        n, h = self.bins.count, self.samples.interval_s / tau
        # The mean of exp(-t/tau) over n samples from the first one on.
        one, all_n = -np.expm1(-h), -np.expm1(-h * n)
        mean = self.weight * all_n / (n * one)
        d_mean = self.weight * h * (all_n * (1 - one) / (n * one) - (1 - all_n)) / one
        left = np.exp(self.since_s / -tau[:, :, None])
        d_left = left * self.since_or_0_s
        sums, d_sums = left @ self.moves, d_left @ self.moves / tau[:, :, None]
        d_sums = mean[:, :, None] * d_sums + d_mean[:, :, None] * sums
        sums = mean[:, :, None] * sums
        high, d_high = sums[:, :, _SOURCE], d_sums[:, :, _SOURCE]
        columns = np.repeat(self.base[None], len(tau_s), axis=0)
        d_columns = np.zeros_like(columns)
        columns[:, LOSS] -= high
        d_columns[:, LOSS] = -d_high
        columns[:, CHARGE] = sums[:, :, _CHARGED]
        d_columns[:, CHARGE] = d_sums[:, :, _CHARGED]
        offset, d_offset = high, d_high
        if self.lines is not None:
            bent, d_bent = tau * sums[:, :, _BENDS], tau * (sums + d_sums)[:, :, _BENDS]
            settled = tau * (self.weight * self.slopes)
            high_u = sums[:, :, _JUMPS] - bent + settled
            d_high_u = d_sums[:, :, _JUMPS] - d_bent + settled
            columns[:, LEVEL] -= high_u
            d_columns[:, LEVEL] = -d_high_u
            offset, d_offset = high + self.moving * high_u, d_high + self.moving * d_high_u
            free = slice(_STEPS, None)
            columns[:, DRIFT : DRIFT + self.steps] = sums[:, :, free].transpose(0, 2, 1)
            d_columns[:, DRIFT : DRIFT + self.steps] = d_sums[:, :, free].transpose(0, 2, 1)
        if self.free_gain:
            columns[:, -1], d_columns[:, -1] = high, d_high
        return Curve(offset, columns, d_offset, d_columns)

    def field_errors(self, found: Fit) -> Floats:
        """What the field voltage's noise, through its lines, makes of the curve (2 x lines, bins).

        Rows are independent: a standard deviation of each line's mean, then of each line's slope.
        """
        if self.lines is None:
            return np.zeros((0, len(self.weight)))
        line = np.searchsorted(self.lines.first, self.bins.first, side="right") - 1
        rows, count = np.arange(len(line)), self.bins.count
        middle_s = self.bins.first_s + (count - 1) * (self.samples.interval_s / 2)
        share = self.weight * (float(found.linear[LEVEL]) * self.lines.noise_v / self.field_unit_v)
        errors = np.zeros((2, len(self.lines.first), len(line)))
        total = np.maximum(np.bincount(line, count, len(self.lines.first)), 1.0)
        apart_s = middle_s - (np.bincount(line, count * middle_s, len(total)) / total)[line]
        squares = np.bincount(line, count * apart_s**2, len(total))
        errors[0, line, rows] = share / np.sqrt(total)[line]
        errors[1, line, rows] = share * apart_s / np.sqrt(np.maximum(squares, 1e-300))[line]
        return errors.reshape(-1, len(line))

    def at_samples(self, found: Fit) -> Floats:
        """The fitted current at each sample of its stretch."""
        tau_s = float(np.exp(found.nonlinear[0]))
        loss, level, charge = found.linear[:3]
        gain = found.linear[-1] if self.free_gain else 0.0
        sums = np.exp(self.since_s / -tau_s) @ self.moves
        decaying = (1 + gain - loss) * sums[:, _SOURCE] + charge * sums[:, _CHARGED]
        settled = loss * self.bins.polarity + level * self.field
        count, since_s = self.bins.count, self.bins.since_first_s
        within: Floats | float = 0.0
        if self.lines is not None:
            decaying += (self.moving - level) * (sums[:, _JUMPS] - tau_s * sums[:, _BENDS])
            decaying += sums[:, _STEPS:] @ found.linear[DRIFT : DRIFT + self.steps]
            settled = settled + (self.moving - level) * tau_s * self.slopes
            within = level * (
                self.lines.values_v / self.field_unit_v - np.repeat(self.field, count)
            )
        elif self.drift is not None:
            settled = settled + found.linear[DRIFT] * self.drift
            middle_s = np.repeat((count - 1) * (self.samples.interval_s / 2), count)
            span_s = self.samples.end_s - self.samples.begin_s
            within = (found.linear[DRIFT] / span_s) * (since_s - middle_s)
        values = np.repeat(settled, count) + within
        values += np.repeat(decaying, count) * np.exp(-since_s / tau_s)
        return values


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of the circuit beforehand.

    `unit_v` is the unit in which the field voltage is counted, `moving` what HP[U] is multiplied
    with, `longest_s` the time constant that no winding exceeds.
    """

    unit_v: float
    moving: float
    longest_s: float


def circuit(
    samples: Samples, known: Known, free_gain: bool = False, lines: Lines | None = None
) -> Circuit:
    """The circuit that is to explain these samples, with lines of the field voltage if known."""
    if lines is None and samples.field_v is not None:
        lines = lines_of(samples, samples.field_v)
    bins = in_bins(samples, np.empty(0, dtype=np.int64) if lines is None else lines.first)
    reversals_s = samples.reversals_s
    instants_s = np.concatenate(([samples.begin_s], reversals_s))
    moves = np.zeros((len(instants_s), 2))
    moves[0, _CHARGED] = 1.0
    moves[1:, _SOURCE] = -2.0 * samples.polarity * (1.0 - 2.0 * (np.arange(len(reversals_s)) % 2))
    level, slopes, drift = np.ones_like(bins.first_s), np.zeros_like(bins.first_s), None
    if lines is not None:
        level = np.add.reduceat(lines.values_v, bins.first) / bins.count / known.unit_v
        rates = lines.slope_v_s / known.unit_v
        slopes = rates[np.searchsorted(lines.first, bins.first, side="right") - 1]
        before_v = lines.begin_v[:-1] + lines.slope_v_s[:-1] * np.diff(lines.begins_s)
        jumps = (lines.begin_v[1:] - before_v) / known.unit_v
        stepped = np.flatnonzero(lines.stepped[1:])
        jumps[stepped] = 0.0
        instants_s = np.concatenate((instants_s, lines.begins_s[1:]))
        free = np.zeros((len(jumps), len(stepped)))
        free[stepped, np.arange(len(stepped))] = 1.0
        moves = np.pad(moves, ((0, len(jumps)), (0, 2 + len(stepped))))
        moves[len(moves) - len(jumps) :, _JUMPS:] = np.column_stack((jumps, np.diff(rates), free))
    rows = [bins.polarity, level, np.zeros_like(level)]
    steps = 0 if lines is None else int(lines.stepped[1:].sum())
    rows += [np.zeros_like(level)] * steps
    if lines is None and len(reversals_s) > 1:
        middle_s = bins.first_s + (bins.count - 1) * (samples.interval_s / 2)
        drift = (middle_s - samples.begin_s) / (samples.end_s - samples.begin_s) - 0.5
        rows.append(drift)
    if free_gain:
        rows.append(np.zeros_like(level))
    since_s = bins.first_s[:, None] - instants_s
    after = since_s >= 0
    weight = np.sqrt(bins.count)
    return Circuit(
        samples,
        bins,
        weight,
        np.where(after, since_s, np.inf),
        np.where(after, since_s, 0.0),
        moves,
        weight * np.array(rows),
        level,
        known.unit_v,
        lines,
        known.moving,
        known.longest_s,
        slopes,
        steps,
        drift,
        free_gain,
    )


def fit_circuit(circuit: Circuit, start_tau_s: float | None = None, steps: int = 200) -> Fit:
    """The best fit; from the best of a ladder of time constants where no start is given.

    A few `steps` are enough to compare, not to tell.
    """
    y = circuit.bins.current * circuit.weight
    shortest_s, longest_s = _reach_s(circuit)
    start = np.array([np.log(start_tau_s or _best_start(circuit, y))])
    bounds = (float(np.log(shortest_s)), float(np.log(longest_s)))
    found = fit(circuit, start, y, bounds=bounds, tolerance=_TOLERANCE, most_steps=steps)
    if steps < _ENOUGH:
        return found
    unsettled = found.nonlinear[0] > np.log(circuit.samples.longest_half_s / _SETTLED)
    if unsettled or abs(found.linear[LOSS]) > _DEAD:
        # A dead fault looks like a charge that never ends. Where both are possible it is the fault.
        start = np.array([np.log(10 * shortest_s)])
        dead = fit(circuit, start, y, bounds=bounds, tolerance=_TOLERANCE)
        if dead.squares < found.squares * (1 + _ALIKE / len(y)):
            return dead
    return found


def _best_start(circuit: Circuit, y: Floats) -> float:
    """Between the two best of a ladder of time constants, from below a sample to beyond the end."""
    shortest_s, longest_s = _reach_s(circuit)
    ladder = 10 * shortest_s * (longest_s / shortest_s / 100) ** _RUNGS
    curves = circuit.curves(ladder)
    target, columns = y - curves.offset, curves.columns
    gram = columns @ columns.transpose(0, 2, 1)
    gram += (1e-12 * np.trace(gram, axis1=1, axis2=2).max()) * np.eye(columns.shape[1])
    pull = columns @ target[:, :, None]
    told = (pull * np.linalg.solve(gram, pull)).sum(axis=(1, 2))
    left = np.sqrt(np.maximum((target * target).sum(axis=1) - told, 0.0))
    best = int(np.argmin(left))
    sides = [k for k in (best - 1, best + 1) if 0 <= k < _STARTS]
    next_best = min(sides, key=lambda k: float(left[k]))
    # Far from the minimum the root of the squares grows in proportion to the logarithm.
    share = float(left[best] / max(left[best] + left[next_best], 1e-300))
    return float(ladder[best] * (ladder[next_best] / ladder[best]) ** share)


def _reach_s(circuit: Circuit) -> tuple[float, float]:
    """Shorter time constants than the first leave no trace, longer ones than the second no end."""
    samples = circuit.samples
    since_s, h = circuit.since_s[:, 1 : len(samples.reversals_s) + 1], samples.interval_s
    first_s = float(since_s.min(initial=h, where=since_s > 0.01 * h))
    return first_s / 30, max(min(20 * (samples.end_s - samples.begin_s), circuit.longest_s), h)
