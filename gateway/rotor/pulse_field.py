"""The sampled field voltage as straight lines, as few as its noise allows.

What drifts and what steps acts on the fault's current; noise of the measurement does not, and must
not be taken for a movement.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from gateway.rotor.pulse_bins import Samples
from gateway.rotor.pulse_record import Booleans, Floats, Ints

# Steps that stand out of the usual ones by this factor begin a line.
_STEP: Final = 8.0
_MOST_STEPS: Final = 12
# Lines a half-cycle that are tried, after one from step to step.
_SPLITS: Final = (1, 8)
_FIT: Final = 5.0  # squares beyond the expected, in standard deviations, that call for more lines
_SHORT: Final = 4  # samples; a shorter line has no slope
_EXACT: Final = 1e-7  # of the voltage: no converter resolves more


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """Straight lines, one behind the other; arrays have one entry a line, but the last.

    `first` is the first sample of a line, from `begins_s` on. There the voltage is `begin_v` and
    rises by `slope_v_s`. `stepped` marks the lines that begin with a step, at an instant that is
    known to a sample only. `values_v` has the line's voltage at each sample, `noise_v` the standard
    deviation of the samples about them.
    """

    first: Ints
    begins_s: Floats
    begin_v: Floats
    slope_v_s: Floats
    stepped: Booleans
    values_v: Floats
    noise_v: float

    def only(self, keep: Booleans) -> "Lines":
        """The same lines at a choice of the samples; some may have none left."""
        if keep.all():
            return self
        before = np.concatenate(([0], np.cumsum(keep)))
        return replace(self, first=before[self.first], values_v=self.values_v[keep])


def lines_of(samples: Samples, field_v: Floats) -> Lines:
    """The fewest lines that the voltage's noise allows."""
    steps = _steps(field_v)
    exact_v = max(_EXACT * float(np.abs(field_v).max()), 1e-9)
    finest = _edges(samples, steps, _SPLITS[-1])
    counts = np.diff(finest, append=len(field_v))
    for splits in (0, *_SPLITS):
        found = _lines(samples, field_v, _edges(samples, steps, splits), steps)
        residual = field_v - found.values_v
        noise_v = max(float(np.sqrt(np.mean(np.diff(residual) ** 2) / 2)), exact_v)
        squares = float((np.add.reduceat(residual, finest) ** 2 / counts).sum()) / noise_v**2
        freedom = max(len(finest) - 2 * len(found.first), 1)
        if squares < freedom + _FIT * (2 * freedom) ** 0.5:
            break
    return replace(found, noise_v=noise_v)


def _edges(samples: Samples, steps: Ints, splits: int) -> Ints:
    """Where lines begin: at the beginning, at steps, and so many times in a half-cycle."""
    edges = [np.zeros(1, dtype=np.int64), steps]
    if splits:
        turns_s = samples.bounds_s
        parts = turns_s[:-1, None] + np.diff(turns_s)[:, None] * (np.arange(splits) / splits)
        edges.append(np.searchsorted(samples.time_s, parts.ravel()))
    every = np.unique(np.concatenate(edges))
    return every[every < len(samples.time_s)]


def _lines(samples: Samples, field_v: Floats, first: Ints, steps: Ints) -> Lines:
    time_s, count = samples.time_s, np.diff(first, append=len(field_v))
    middle_s = np.add.reduceat(time_s, first) / count
    middle_v = np.add.reduceat(field_v, first) / count
    apart_s = time_s - np.repeat(middle_s, count)
    squares = np.add.reduceat(apart_s * apart_s, first)
    slope_v_s = np.add.reduceat(apart_s * field_v, first) / np.maximum(squares, 1e-300)
    slope_v_s[count < _SHORT] = 0.0
    begins_s = time_s[first] - samples.interval_s / 2
    values_v = np.repeat(middle_v, count) + np.repeat(slope_v_s, count) * apart_s
    begin_v = middle_v - slope_v_s * (middle_s - begins_s)
    return Lines(first, begins_s, begin_v, slope_v_s, np.isin(first, steps), values_v, 0.0)


def _steps(field_v: Floats) -> Ints:
    moves = np.abs(np.diff(field_v))
    middle = len(moves) // 2
    usual = float(np.partition(moves, middle)[middle])
    least = max(_STEP * usual, 1e-3 * float(np.abs(field_v).max()))
    steps = np.flatnonzero(moves > least) + 1
    return steps if len(steps) <= _MOST_STEPS else steps[:0]
