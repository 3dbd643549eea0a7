"""What disturbs single samples or rides on all of them: a saturated converter, outliers, ripple."""

from dataclasses import dataclass
from math import log
from typing import Final

import numpy as np

from gateway.rotor.pulse_bins import Samples
from gateway.rotor.pulse_record import Booleans, Floats, Ints
from gateway.rotor.separable import Curve, fit

_MAD: Final = 1.4826  # median absolute deviation to standard deviation, normal distribution
# Normal noise passes this in one of ten thousand records of thousands of samples.
_BEYOND: Final = 5.5
# What stands out longer or oftener is no disturbance of samples but another circuit (our choice).
_LONGEST_RUN: Final = 0.01
_MOST: Final = 0.1
_BY_CHANCE: Final = 1e-3  # records in which equal values may be taken for saturation
_NEVER: Final = 0.1  # what counts as the number of repeated values where there are none
_COARSE: Final = 0.05  # share of repeated values that makes the converter a coarse one
_TWO_VALUED: Final = 0.8  # share of samples at either end (our choice)
# Slower than this many cycles a half-cycle, a line may be the circuit's own answer (our choice).
_SLOWEST: Final = 3.0
_LINE: Final = 24.0  # power of a line over its mean: by chance once in 10^7 records (exp(-24) n)
_BESIDE: Final = 0.05  # power of a line beside a stronger one
_MOST_LINES: Final = 12


def noise_of(residual: Floats) -> float:
    """Standard deviation of normal noise, whatever outliers there are on it."""
    middle = len(residual) // 2
    return _MAD * float(np.partition(np.abs(residual), middle)[middle])


def two_valued(samples: Samples) -> bool:
    """Whether nearly all samples have one of two values.

    The converter stands at its ends, or is too coarse to show noise: nobody can tell which.
    """
    current = samples.current
    at_ends = (current == current.max()) | (current == current.min())
    return bool(at_ends.mean() > _TWO_VALUED)


def saturated(samples: Samples) -> Booleans:
    """Samples at the end of the converter's range: its extreme value again and again.

    Once more is enough where no other values repeat. Where they do, for the steps of the converter
    are coarse, only a run of it is.
    """
    current = samples.current
    found = np.zeros(len(current), dtype=bool)
    ends = (current == current.max(), current == current.min())
    others = current[~(ends[0] | ends[1])]
    for end in ends:
        times = int(end.sum())
        if times < 2:
            continue
        repeats = (len(others) - len(np.unique(others)) + _NEVER) / len(current)
        if repeats > _COARSE:
            begins, beyond = runs(end)
            times = int((beyond - begins).max())
            same = current[1:] == current[:-1]
            repeats = float(same[~end[1:]].mean())
        if repeats ** (times - 1) < _BY_CHANCE:
            found |= end
    return found


def outliers(residual: Floats, noise: float, bursts: bool) -> Booleans:
    """Samples, alone or in short bursts where these may be, that noise does not explain."""
    beyond = np.abs(residual) > _BEYOND * noise
    if not beyond.any():
        return beyond
    begins, ends = runs(beyond)
    longest = max(_LONGEST_RUN * len(residual), 5.0)
    if bursts and beyond.mean() <= _MOST and (ends - begins).max() <= longest:
        return beyond
    # Where the circuit itself does not fit, only what sticks out of its neighbours is an outlier.
    padded = np.pad(residual, 3, mode="reflect")
    apart = residual - np.median(np.lib.stride_tricks.sliding_window_view(padded, 7), axis=1)
    sticks_out: Booleans = beyond & (np.abs(apart) > _BEYOND * noise_of(apart))
    return sticks_out


@dataclass(frozen=True, slots=True, eq=False)
class Ripple:
    """Lines in a residual: their sum at all samples, and frequency in Hz and amplitude of each."""

    values: Floats
    lines: tuple[tuple[float, float], ...]


def ripple(samples: Samples, residual: Floats, used: Booleans, least: float) -> Ripple:
    """The lines in the residual of the samples that are used, of the amplitude `least` or more.

    The current answers the ripple of a rectified field voltage with the same frequencies; sampling
    folds those beyond half its rate, which does not matter here.
    """
    h = samples.interval_s
    place = np.rint((samples.time_s - samples.begin_s) / h - 0.5).astype(np.int64)
    size = int(place[-1]) + 1
    slowest = int(np.ceil(_SLOWEST * size * h / samples.longest_half_s))
    values = np.zeros_like(residual)
    lines: list[tuple[float, float]] = []
    least_power = (least * size / 2) ** 2
    grid = np.zeros(size)
    while len(lines) < _MOST_LINES:
        grid[place[used]] = residual[used] - values[used]
        power = np.abs(np.fft.rfft(grid)) ** 2
        if slowest >= len(power):
            break
        peak = slowest + int(np.argmax(power[slowest:]))
        usual = float(np.partition(power, len(power) // 2)[len(power) // 2]) / log(2.0)
        if power[peak] <= max(_LINE * usual, least_power):
            break
        # Weak lines beside a strong one may be what it makes of the fit: they wait for the next.
        least_power = max(least_power, _BESIDE * power[peak])
        line, line_hz, amplitude = _line(samples.time_s, residual - values, used, peak / (size * h))
        values = values + line
        lines.append((line_hz, amplitude))
    return Ripple(values, tuple(lines))


def _line(
    time_s: Floats, residual: Floats, used: Booleans, start_hz: float
) -> tuple[Floats, float, float]:
    middle_s = time_s - time_s.mean()

    def curve(nonlinear: Floats) -> Curve:
        angle = nonlinear[0] * middle_s[used]
        cosine, sine = np.cos(angle), np.sin(angle)
        slopes = np.array([[-sine * middle_s[used], cosine * middle_s[used]]])
        nothing = np.zeros((1, len(angle)))
        return Curve(nothing[0], np.array([cosine, sine]), nothing, slopes)

    start = np.array([2 * np.pi * start_hz])
    found = fit(curve, start, residual[used], tolerance=1e-2, most_steps=20)
    angle = found.nonlinear[0] * middle_s
    line: Floats = found.linear @ np.array([np.cos(angle), np.sin(angle)])
    return line, float(found.nonlinear[0] / (2 * np.pi)), float(np.hypot(*found.linear))


def runs(marks: Booleans) -> tuple[Ints, Ints]:
    """Where runs of marks begin and where they end (the index after the last)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], marks, [False]))))
    return edges[::2], edges[1::2]
