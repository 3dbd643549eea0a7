"""A circuit that becomes another one inside the record: found, and never averaged over."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from gateway.rotor.pulse_circuit import LEVEL, LOSS, Known, circuit, fit_circuit
from gateway.rotor.pulse_fit import State
from gateway.rotor.separable import Fit

_EDGE: Final = 6  # samples that a state has at least
_CLOSE: Final = 4  # samples, to which the instant of a change is found
_PARTS: Final = 8
_STEPS: Final = 8  # of a fit that is only compared
_PLACES: Final = 32  # that are tried besides the bins


@dataclass(frozen=True, slots=True)
class Change:
    """The end of the old state (its last sample + 1), and the first sample of the new one."""

    old_end: int
    new_first: int


def suspicion(found: Fit, variance: float) -> float:
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
    clean, lines = state.samples.only(state.used), state.circuit.lines
    n = len(clean.time_s)
    number = np.arange(n)
    tau_s: list[float | None] = [None, None]

    def squares(at: int) -> float:
        total = 0.0
        for k, (first, end) in enumerate(((0, at), (at, n))):
            # The field voltage is what it was: its lines are not to explain the change.
            left = None if lines is None else lines.only((first <= number) & (number < end))
            there = circuit(clean.between(first, end), known, lines=left)
            # From place to place the time constants hardly move.
            found = fit_circuit(there, tau_s[k], _STEPS)
            tau_s[k] = float(np.exp(found.nonlinear[0]))
            total += found.squares
        return total

    places = np.union1d(state.circuit.bins.first, np.arange(0, n, max(n // _PLACES, 1)))
    places = places[(places >= _EDGE) & (places <= n - _EDGE)]
    if not len(places):
        return None
    best = int(np.argmin([squares(int(at)) for at in places]))
    low, high = int(places[max(best - 1, 0)]), int(places[min(best + 1, len(places) - 1)])
    while high - low > _CLOSE:
        step = max((high - low) // _PARTS, 1)
        closer = list(range(low, high + 1, step))
        middle = closer[int(np.argmin([squares(at) for at in closer]))]
        low, high = max(middle - step, low), min(middle + step, high)
    at = np.flatnonzero(state.used)
    return Change(int(at[low]), int(at[min(high + 1, n - 1)]))
