"""The winding as a full network, solved through its Laplace transform: slow, and nobody's relative.

Every element is written down as it is: the field source and the pulse source with their currents
as unknowns (modified nodal analysis), both coupling resistors, a node for each fault. There is no
ring, no mode and no order of elimination. Back into time it goes by Talbot's contour integral, with
the constants of Trefethen, Weideman and Schmelzer (BIT 46, 2006), in extended precision, so that
milliohms do no harm.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from simulator.rotor import Injection, Potentials, TerminalInjection, Winding

EVEN = 100
_POINTS = 16


def after(
    winding: Winding,
    injection: Injection,
    start: Potentials,
    *,
    emf_v: float,
    field_v: float,
    slope_v_per_s: float = 0.0,
    duration_s: float,
) -> tuple[NDArray[np.float64], float]:
    """Return potentials at the places of `start`, and the source current, some time later."""
    places = start.locations
    conductances, capacitances, field, source = _elements(winding, injection, places)
    theta = (2 * np.arange(_POINTS, dtype=np.longdouble) + 1) * np.pi / (2 * _POINTS)
    turn = 1 / np.tan(0.6407 * theta)
    points = 2 * _POINTS * (0.5017 * theta * turn - 0.6122 + 0.2645j * theta)
    steps = 0.5017 * turn - 0.5017 * 0.6407 * theta * (1 + turn**2) + 0.2645j
    frequencies = points / duration_s
    known = np.zeros((_POINTS, len(capacitances)), np.clongdouble)
    known[:, : len(places)] = capacitances[: len(places)] * np.array(start.volts, np.longdouble)
    known[:, field] = field_v / frequencies + slope_v_per_s / frequencies**2
    known[:, source] = emf_v / frequencies
    matrices = conductances + frequencies[:, None, None] * np.diag(capacitances)
    weights = np.exp(points) * steps * 2 / duration_s
    found = np.imag(weights @ _solved(matrices, known)).astype(np.float64)
    return found[: len(places)], -float(found[source])


def _elements(
    winding: Winding, injection: Injection, places: tuple[float, ...]
) -> tuple[NDArray[np.longdouble], NDArray[np.longdouble], int, int]:
    """Return conductances, capacitances, and the rows of the field source and the pulse source."""
    last = len(places) - 1
    star, emf, field, source = range(last + 1, last + 5)
    matrix = np.zeros((last + 5, last + 5), np.longdouble)
    capacitances = np.zeros(last + 5, np.longdouble)

    def resistor(one: int, other: int | None, ohm: float) -> None:
        siemens = 1 / np.longdouble(ohm)
        matrix[one, one] += siemens
        if other is not None:
            matrix[other, other] += siemens
            matrix[one, other] -= siemens
            matrix[other, one] -= siemens

    for k, (left, right) in enumerate(pairwise(places)):
        resistor(k, k + 1, winding.resistance_ohm * (right - left))
    for k, place in enumerate(places):
        if abs(place * EVEN - round(place * EVEN)) < 1e-9:
            share = (0.5 if k in (0, last) else 1.0) / EVEN
            capacitances[k] = share * winding.capacitance_f
            resistor(k, None, winding.insulation_ohm / share)
    for fault in winding.faults:
        nearest = min(range(last + 1), key=lambda k: abs(places[k] - fault.location))
        resistor(nearest, None, fault.resistance_ohm)
    if isinstance(injection, TerminalInjection):
        resistor(emf, 0, injection.series_ohm)
        resistor(star, None, 1.0)  # not used
    else:
        resistor(emf, star, injection.source_ohm)
        resistor(star, last, injection.positive_ohm)
        resistor(star, 0, injection.negative_ohm)
    for row, plus in ((field, last), (source, emf)):
        matrix[row, plus] = matrix[plus, row] = 1
    matrix[field, 0] = matrix[0, field] = -1
    return matrix, capacitances, field, source


def _solved(
    matrices: NDArray[np.clongdouble], known: NDArray[np.clongdouble]
) -> NDArray[np.clongdouble]:
    """Gauss's elimination of many systems at once; numpy's own knows double precision only."""
    work = np.concatenate([matrices, known[:, :, None]], axis=2)
    batch, size = np.arange(len(work)), known.shape[1]
    for k in range(size):
        pivots = k + np.argmax(np.abs(work[:, k:, k]), axis=1)
        rows = work[batch, pivots].copy()
        work[batch, pivots] = work[:, k]
        work[:, k] = rows / rows[:, k, None]
        below = work[:, k + 1 :, k, None].copy()
        work[:, k + 1 :, k:] -= below * work[:, None, k, k:]
    found = work[:, :, -1].copy()
    for k in range(size - 2, -1, -1):
        found[:, k] -= np.sum(work[:, k, k + 1 : size] * found[:, k + 1 :], axis=1)
    return found
