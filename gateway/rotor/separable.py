"""Least squares for curves that are linear in most of their parameters.

The linear parameters are solved for exactly at every step, so that only the others (here: time
constants) need a start value. That is variable projection with Kaufman's simplification of the
derivative, damped after Levenberg and Marquardt.

Source: G. H. Golub and V. Pereyra, SIAM J. Numer. Anal. 10 (1973) 413; L. Kaufman, BIT 15 (1975)
49; D. W. Marquardt, J. SIAM 11 (1963) 431.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from gateway.rotor.pulse_record import Floats

_DAMPING: Final = 1e-3
_DAMPING_MOST: Final = 1e12
_NO_TRACE: Final = 1e-9  # of the largest slope: a parameter that moves the curve less is not told
# Of the trace of a normal matrix: columns that cannot be told apart share what they explain.
_RIDGE: Final = 1e-15


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """A curve at one set of its p nonlinear parameters, for n points and q linear parameters.

    The curve is offset + coefficients @ columns, with `offset` (n) and `columns` (q, n);
    `d_offset` (p, n) and `d_columns` (p, q, n) are their derivatives by the nonlinear parameters.
    """

    offset: Floats
    columns: Floats
    d_offset: Floats
    d_columns: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """The best parameters, and the sum of squares left.

    `slopes` (q + p, n) are the curve's derivatives by all parameters, linear ones first, and
    `unscaled_covariance` is (slopes slopes^T)^-1: times the variance of one point it is the
    covariance of the parameters.
    """

    linear: Floats
    nonlinear: Floats
    curve: Curve
    residual: Floats
    squares: float
    slopes: Floats
    unscaled_covariance: Floats
    converged: bool


def fit(
    curve: Callable[[Floats], Curve],
    start: Floats,
    y: Floats,
    *,
    bounds: tuple[float, float] = (-np.inf, np.inf),
    tolerance: float = 1e-9,
    most_steps: int = 200,
) -> Fit:
    """The least-squares fit of a separable curve to `y` (n), beginning at `start` (p).

    All nonlinear parameters stay within `bounds`.

    Ends when the next step would be shorter than `tolerance` of its own standard deviation, or
    `tolerance` of the parameters. A direction that the points do not tell at all gets a very
    large variance, not an error.
    """
    with np.errstate(all="ignore"):  # a wild step that overflows is one that explains nothing
        return _fit(curve, np.asarray(start, dtype=float), y, bounds, tolerance, most_steps)


def _fit(
    curve: Callable[[Floats], Curve],
    at: Floats,
    y: Floats,
    bounds: tuple[float, float],
    tolerance: float,
    most_steps: int,
) -> Fit:
    here = _project(curve(at), y)
    damping, converged = 0.0, False
    for _ in range(most_steps):
        normal = here.slopes @ here.slopes.T
        pull = here.slopes @ here.residual
        damped = normal + damping * np.diag(normal.diagonal())
        step = np.clip(at + _solve(damped, pull), *bounds) - at
        # In units of standard deviations the step has a length that needs no scale.
        variance = here.squares / max(len(y) - len(here.linear) - len(at), 1)
        if not damping and float(step @ normal @ step) <= tolerance**2 * variance:
            converged = True
            break
        there = _project(curve(at + step), y)
        if there.squares <= here.squares * (1 + 1e-15):
            gained = here.squares - there.squares
            at, here = at + step, there
            damping = damping / 10 if damping > _DAMPING else 0.0
            if gained <= 1e-14 * here.squares and bool((abs(step) <= tolerance * abs(at)).all()):
                converged = True
                break
        else:
            damping = max(10 * damping, _DAMPING)
            if damping > _DAMPING_MOST:
                converged = True
                break
    full = np.vstack([here.curve.columns, here.rates])
    return Fit(
        here.linear,
        at,
        here.curve,
        here.residual,
        here.squares,
        full,
        _inverse(full @ full.T),
        converged,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Projected:
    curve: Curve
    linear: Floats
    residual: Floats
    squares: float
    rates: Floats  # (p, n): derivative of the curve by the nonlinear parameters
    slopes: Floats  # (p, n): what of it the linear parameters cannot follow


def _project(curve: Curve, y: Floats) -> _Projected:
    columns = curve.columns
    target = y - curve.offset
    gram = columns @ columns.T
    linear = _solve(gram, columns @ target)
    residual = target - linear @ columns
    rates = curve.d_offset + linear @ curve.d_columns
    slopes = rates - _solve(gram, columns @ rates.T).T @ columns
    return _Projected(curve, linear, residual, float(residual @ residual), rates, slopes)


def _solve(matrix: Floats, right: Floats) -> Floats:
    """The solution; where there are many, nearly the shortest of them. Changes the matrix."""
    diagonal = matrix.ravel()[:: len(matrix) + 1]
    ridge = _RIDGE * float(diagonal.sum())
    if not 0.0 < ridge < np.inf:
        return np.zeros_like(right)
    diagonal += ridge
    if len(matrix) == 1:
        return np.asarray(right / diagonal[0], dtype=np.float64)
    return np.asarray(np.linalg.solve(matrix, right), dtype=np.float64)


def _inverse(matrix: Floats) -> Floats:
    """The inverse of a positive matrix; where it has none, as far as the digits go."""
    scale = np.sqrt(matrix.diagonal())
    scale = np.maximum(scale, max(_NO_TRACE * float(scale.max()), 1e-300))
    normed = matrix / np.outer(scale, scale)
    values, vectors = np.linalg.eigh(normed)
    values = np.maximum(values, 1e-14)
    inverse: Floats = (vectors / scale[:, None] / values) @ (vectors / scale[:, None]).T
    return inverse
