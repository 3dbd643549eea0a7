"""Pulse records drawn from seeds, and the least error that an unbiased reading of them can have.

The bound is that of Cramer and Rao (C. R. Rao, Bull. Calcutta Math. Soc. 37 (1945) 81), from a
numerical Jacobian of the records' own circuit, which knows nothing of the estimator.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import exp, log, pi

import numpy as np

from gateway.rotor.measured import Measured
from gateway.rotor.pulse_injection import Source
from gateway.rotor.pulse_record import PulseRecord
from tests.rotor.records import (
    Floats,
    Points,
    Rotor,
    Sampling,
    Wave,
    clipped,
    current_a,
    field_at,
    rows,
    value_twice,
    with_current,
)

Between = Callable[[float, float], float]

CLEAN = "clean"
# Clean ones beside one of each way in which a record can be disturbed.
KINDS = (
    *(CLEAN,) * 9,
    "outliers",
    "burst",
    "saturated",
    "missing",
    "doubled",
    "taken over",
    "changed",
    "field drift",
    "field step",
    "ripple",
    "ripple, sampled",
)

_STEP = 1e-4  # of the numerical derivatives
_NOTHING = 1e-9  # a column so much smaller than the largest leaves no trace
# Of the interval: nobody knows on which side of a reversal such a sample was taken. The estimator
# leaves it out, and so does the bound.
_AT_REVERSAL = 0.01


@dataclass(frozen=True, slots=True)
class Bound:
    """Least standard deviations; infinite where the samples show nothing of it."""

    fault_ohm: float
    place_pu: float
    capacitance_f: float


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """A record and what it was made of.

    `truths` are what the winding may be said to be at the end: one, or two where a change came
    after the last reversal. `reversals` are those of the source within the record.
    """

    kind: str
    record: PulseRecord
    source: Source
    truths: tuple[Rotor, ...]
    rotor: Rotor
    sampling: Sampling
    field_v: float
    charged_v: float | None
    noise_a: float

    @property
    def half_cycle_taus(self) -> float:
        """Time constants in a half-cycle."""
        return self.sampling.period_s / 2 / self.rotor.tau_s

    @property
    def noise(self) -> float:
        """As a share of what the amplitude drives through the source resistance."""
        return self.noise_a / self.rotor.full_a

    @property
    def reversals(self) -> int:
        first, last = np.floor(self.sampling.time_s[[0, -1]] / (self.sampling.period_s / 2))
        return int(last - first)

    @property
    def drift_unknown(self) -> bool:
        """Whether a drift of the field voltage would show in the current only."""
        return isinstance(self.record.field_voltage_v, Measured) and self.reversals > 1

    def bounds(self) -> tuple[Bound, Bound]:
        """Without the drift among the unknowns, and with it where it is one."""
        slopes = slopes_of(self.rotor, self.sampling, self.field_v, self.charged_v)
        half_s, interval_s = self.sampling.period_s / 2, self.sampling.interval_s
        since = (self.sampling.time_s / half_s + 0.5) % 1 - 0.5
        slopes = slopes[:, np.abs(since) * half_s >= _AT_REVERSAL * interval_s]
        without = cramer_rao(slopes[:4], self.rotor, self.noise_a)
        if not self.drift_unknown:
            return without, without
        return without, cramer_rao(slopes, self.rotor, self.noise_a)


def current_from(
    rotor: Rotor,
    sampling: Sampling,
    field: Points,
    charged_v: float | None,
    waves: Sequence[Wave] = (),
    later: Sequence[tuple[float, Rotor]] = (),
) -> Floats:
    """The current at the samples of a winding charged half an interval before the first of them."""
    begin_s = sampling.time_s[0] - sampling.interval_s / 2
    time_s = np.concatenate(([begin_s], sampling.time_s))
    return current_a(
        rotor, time_s, sampling.period_s, field, waves=waves, later=later, charged_v=charged_v
    )[1:]


def slopes_of(rotor: Rotor, sampling: Sampling, field_v: float, charged_v: float | None) -> Floats:
    """Derivatives of the current in ampere, one row for each unknown.

    By the logarithm of the fault resistance, the place, the logarithm of the capacitance, the
    potential at the beginning in amplitudes, and the linear drift of the field voltage over the
    record about its value at the middle, as a share of it.
    """
    time_s, period_s = sampling.time_s, sampling.period_s
    begin_s = time_s[:1] - sampling.interval_s / 2
    begin_a = current_a(rotor, begin_s, period_s, ((0.0, field_v),), charged_v=charged_v)[0]
    e_v = rotor.amplitude_v * (1 if begin_s[0] % period_s < period_s / 2 else -1)
    begin_v = e_v - float(begin_a) * rotor.source_ohm - (rotor.tap_pu - 0.5) * field_v

    def moved(step: Floats) -> Floats:
        resistance, place, capacitance, charge, drift = step
        other = replace(
            rotor,
            fault_ohm=rotor.fault_ohm * exp(resistance),
            place_pu=rotor.place_pu + place,
            capacitance_f=rotor.capacitance_f * exp(capacitance),
        )
        field = (
            (float(time_s[0]), field_v * (1 - drift / 2)),
            (float(time_s[-1]), field_v * (1 + drift / 2)),
        )
        return current_from(other, sampling, field, begin_v + charge * rotor.amplitude_v)

    return np.array([(moved(step) - moved(-step)) / (2 * _STEP) for step in _STEP * np.eye(5)])


def cramer_rao(slopes: Floats, rotor: Rotor, noise_a: float) -> Bound:
    """The bound with the unknowns of all these rows, in white normal noise."""
    size = np.linalg.norm(slopes, axis=1)
    seen = size > _NOTHING * size.max()
    least = np.full(len(slopes), np.inf)
    upper = np.linalg.qr((slopes[seen] / size[seen, None]).T, mode="r")
    least[seen] = noise_a * np.linalg.norm(np.linalg.inv(upper), axis=1) / size[seen]
    return Bound(
        float(least[0]) * rotor.fault_ohm, float(least[1]), float(least[2]) * rotor.capacitance_f
    )


def drawn(number: int, kinds: tuple[str, ...] = KINDS) -> Drawn:
    """A record of the grid, always the same for a number."""
    random = np.random.default_rng((number, 20))
    kind = kinds[number % len(kinds)]

    def between(low: float, high: float) -> float:
        return exp(random.uniform(log(low), log(high)))

    # Every third from the corner where half-cycles are short against the time constant.
    slow = number // len(kinds) % 3 == 2
    rotor = Rotor(
        between(50e3 if slow else 500, 20e6),
        random.uniform(),
        between(2.5e-6 if slow else 0.05e-6, 5e-6),
        between(50e3 if slow else 5e3, 100e3),
        random.choice([0.0, 0.5]),
        between(10, 100),
    )
    period_s = between(1, 2 if slow else 20)
    sampling = Sampling(
        period_s,
        random.uniform(1.1, 4),
        int(between(300, 2500)),
        random.uniform(0, period_s),
    )
    time_s = sampling.time_s
    field_v = random.uniform(30, 600)
    noise_a = between(1e-5, 1e-3) * rotor.full_a
    charged_v = random.uniform(-1, 1) * rotor.amplitude_v if random.integers(2) else None
    sampled = bool(random.integers(2))
    field: Points = ((0.0, field_v),)
    waves: tuple[Wave, ...] = ()
    later: tuple[tuple[float, Rotor], ...] = ()
    truths = (rotor,)
    at_s = time_s[0] + (time_s[-1] - time_s[0]) * random.uniform(0.05, 0.95)
    moved_v = field_v * random.uniform(-0.15, 0.15)
    if kind == "changed":
        after = rotor.with_fault(between(500, 20e6), random.uniform())
        later = ((at_s, after),)
        turned = np.floor(time_s[-1] / (period_s / 2)) > np.floor(at_s / (period_s / 2))
        truths = (after,) if turned else (rotor, after)
    elif kind == "field drift":
        sampled, field = True, ((time_s[0], field_v), (time_s[-1], field_v + moved_v))
    elif kind == "field step":
        sampled, field = True, ((at_s, field_v), (at_s, field_v + moved_v))
    elif kind.startswith("ripple"):
        sampled = kind == "ripple, sampled"
        # The first line of a six-pulse bridge: 2/(6^2 - 1) of the mean, at 6 times 50 or 60 Hz.
        wave = Wave(field_v * 2 / 35, random.choice([300.0, 360.0]), random.uniform(0, 2 * pi))
        waves = (wave,)
    clean_a = current_from(rotor, sampling, field, charged_v, waves, later)
    seen_v: Floats | Measured = Measured(field_v, 0.0)
    if sampled:
        plain = len(field) == 1 and not waves
        seen_v = np.full(len(time_s), field_v) if plain else field_at(field, time_s, waves)
    noisy_a = clean_a + noise_a * random.standard_normal(len(time_s))
    record = _disturbed(kind, PulseRecord(time_s, noisy_a, period_s, seen_v), random, between)
    return Drawn(kind, record, rotor.source, truths, rotor, sampling, field_v, charged_v, noise_a)


def _disturbed(
    kind: str, record: PulseRecord, random: np.random.Generator, between: Between
) -> PulseRecord:
    """What a measuring device does wrong."""
    count, current = len(record.time_s), record.current_a.copy()
    most_a = float(np.abs(current).max())
    if kind == "outliers":
        at = random.choice(count, int(random.integers(1, 20)), replace=False)
        current[at] += between(0.01, 10) * most_a * random.standard_normal(len(at))
        return with_current(record, current)
    if kind == "burst":
        length = int(random.integers(2, max(3, count // 100)))
        first = int(random.integers(0, count - length))
        size_a = between(0.01, 10) * most_a
        current[first : first + length] += size_a * random.standard_normal(length)
        return with_current(record, current)
    if kind == "saturated":
        end_a = most_a * between(0.2, 1.0)
        return clipped(record, -end_a, end_a)
    every = np.arange(count)
    if kind == "missing":
        first = int(random.integers(1, count - 40))
        return rows(record, np.delete(every, slice(first, first + int(random.integers(1, 30)))))
    if kind == "doubled":
        at = random.choice(count, int(random.integers(1, 10)), replace=False)
        return rows(record, np.sort(np.concatenate((every, at))))
    if kind == "taken over":
        for at in np.sort(random.choice(np.arange(1, count), int(random.integers(1, 30)), False)):
            record = value_twice(record, int(at))
    return record
