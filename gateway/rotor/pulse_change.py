"""A circuit that becomes another one inside the record: found, and never averaged over."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from gateway.rotor.pulse_bins import Samples
from gateway.rotor.pulse_circuit import LEVEL, LOSS, Circuit, FieldScale, circuit, fit_circuit
from gateway.rotor.separable import Fit

# Squares that a second circuit must save, in variances of the noise: with its four parameters and
# its instant, by chance once in some ten thousand records (calibrated by simulation).
PROVEN: Final = 35.0
_EDGE_BINS: Final = 3


@dataclass(frozen=True, slots=True)
class Change:
    """The first sample of the new state, the last of the old one + 1, and the squares saved."""

    old_end: int
    new_first: int
    saved: float


def suspicion(here: Circuit, found: Fit, variance: float) -> float:
    """The largest cumulated score of a change, in squared standard deviations.

    Page's idea (Biometrika 41 (1954) 100) for what two parameters would change: residuals times
    their columns are summed up; without a change, the sum is a bridge that comes back to zero.
    """
    largest = 0.0
    for column in (LOSS, LEVEL):
        score = found.curve.columns[column]
        total = np.cumsum(score * score)
        spread = total * (1 - total / total[-1])
        moved = np.cumsum(score * found.residual)
        inside = spread > 0.02 * total[-1]
        if inside.any():
            largest = max(largest, float((moved[inside] ** 2 / spread[inside]).max()) / variance)
    return largest


def change(
    samples: Samples, here: Circuit, found: Fit, variance: float, field: FieldScale
) -> Change | None:
    """Where two circuits explain the samples so much better than one that noise cannot be it.

    The bin in which the change happened belongs to neither state.
    """
    first = here.bins.first
    best: Change | None = None
    tau_s = float(np.exp(found.nonlinear[0]))
    for k in range(_EDGE_BINS, len(first) - _EDGE_BINS - 1):
        end, begin = int(first[k]), int(first[k + 1])
        squares = found.squares - float(found.residual[k] ** 2)
        for part in (slice(0, end), slice(begin, len(samples.time_s))):
            squares -= _squares(samples, part, field, tau_s)
        if best is None or squares > best.saved * variance:
            best = Change(end, begin, squares / variance)
    return best if best is not None and best.saved > PROVEN else None


def _squares(samples: Samples, part: slice, field: FieldScale, tau_s: float) -> float:
    stretch = samples.between(part.start, part.stop)
    return fit_circuit(circuit(stretch, field), tau_s).squares
