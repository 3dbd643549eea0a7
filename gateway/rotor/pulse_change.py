"""A circuit that becomes another one inside the record: found, and never averaged over."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from gateway.rotor.pulse_bins import Samples
from gateway.rotor.pulse_circuit import LEVEL, LOSS, Circuit, Known, circuit, fit_circuit
from gateway.rotor.pulse_fit import State
from gateway.rotor.separable import Fit

_EDGE: Final = 6  # samples that a state has at least
_CLOSE: Final = 4  # samples, to which the instant of a change is found
_PARTS: Final = 8


@dataclass(frozen=True, slots=True)
class Change:
    """The first sample of the new state, and the last of the old one + 1."""

    old_end: int
    new_first: int


def suspicion(here: Circuit, found: Fit, variance: float) -> float:
    """The largest cumulated score of a change, in squared standard deviations.

    Page's idea (Biometrika 41 (1954) 100) for what two parameters would change: residuals times
    their columns are summed up; without a change, the sum is a bridge that comes back to zero.
    """
    largest = 0.0
    for column in (LOSS, LEVEL):
        score = found.curve.columns[column]
        total = np.cumsum(score * score)
        if not total[-1] > 0:
            continue
        spread = total * (1 - total / total[-1])
        moved = np.cumsum(score * found.residual)
        inside = spread > 0.02 * total[-1]
        if inside.any():
            largest = max(largest, float((moved[inside] ** 2 / spread[inside]).max()) / variance)
    return largest


def best_change(state: State, known: Known) -> Change | None:
    """Where two circuits explain the samples best, whether or not better than one.

    `state` is the fit of one circuit. The samples next to the change belong to neither state.
    """
    tau_s = float(np.exp(state.fit.nonlinear[0]))
    clean = state.samples.only(state.used)
    n = len(clean.time_s)

    def squares(at: int) -> float:
        return _squares(clean, 0, at, known, tau_s) + _squares(clean, at, n, known, tau_s)

    places = [int(k) for k in state.circuit.bins.first if _EDGE <= k <= n - _EDGE]
    if not places:
        return None
    best = min(places, key=squares)
    # Bins are wide late in a half-cycle: closer in, between the neighbours.
    low = max((k for k in places if k < best), default=_EDGE)
    high = min((k for k in places if k > best), default=n - _EDGE)
    while high - low > _CLOSE:
        step = max((high - low) // _PARTS, 1)
        best = min(range(low, high + 1, step), key=squares)
        low, high = max(best - step, low), min(best + step, high)
    at = np.flatnonzero(state.used)
    return Change(int(at[low]), int(at[min(high + 1, n - 1)]))


def _squares(samples: Samples, first: int, end: int, known: Known, tau_s: float) -> float:
    return fit_circuit(circuit(samples.between(first, end), known), tau_s).squares
