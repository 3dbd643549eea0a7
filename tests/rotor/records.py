"""Records of pulse currents for the tests, from one mean potential of the winding.

The charge of an evenly spread capacitance C is C times the winding's mean potential W to earth.
Kirchhoff's current law for the whole winding, with the field source stiff and ungrounded:

    C dW/dt = (e - W - (tap - 1/2) U) / R0 - (W + (place - 1/2) U) / Rf

W never jumps: not with the source, not with the field voltage, not when a fault comes. Between two
corners of e, U and Rf this is solved in closed form, so that no step size enters. Ripple of the
field voltage adds its settled answer to it.

What a measuring device does wrong is put on afterwards, by functions from a record to a record.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp, inf, tanh

import numpy as np
from numpy.typing import NDArray

from gateway.rotor.measured import Measured
from gateway.rotor.pulse_injection import Source
from gateway.rotor.pulse_record import PulseRecord

Floats = NDArray[np.float64]
Points = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Rotor:
    """One fault, the winding's capacitance, and what is coupled to it.

    `fault_ohm` may be infinite. A coupling counts as its source resistance and its tap.
    """

    fault_ohm: float = 20e3
    place_pu: float = 0.2
    capacitance_f: float = 1e-6
    source_ohm: float = 31e3
    tap_pu: float = 0.5
    amplitude_v: float = 36.0

    @property
    def tau_s(self) -> float:
        return self.capacitance_f / (1 / self.source_ohm + 1 / self.fault_ohm)

    @property
    def full_a(self) -> float:
        """What the amplitude drives through the source resistance alone."""
        return self.amplitude_v / self.source_ohm

    @property
    def source(self) -> Source:
        return source(self)

    def settled_a(self, field_v: float) -> tuple[float, float]:
        """Ohm's law around the loop, for both signs of the source."""
        loop_ohm = self.source_ohm + self.fault_ohm
        moved_v = (self.place_pu - self.tap_pu) * field_v
        return (moved_v + self.amplitude_v) / loop_ohm, (moved_v - self.amplitude_v) / loop_ohm

    def with_fault(self, fault_ohm: float, place_pu: float) -> Rotor:
        """The rotor after a second fault: conductances add, places are weighted with them."""
        total_s = 1 / self.fault_ohm + 1 / fault_ohm
        place = (self.place_pu / self.fault_ohm + place_pu / fault_ohm) / total_s
        return replace(self, fault_ohm=1 / total_s, place_pu=place)


@dataclass(frozen=True, slots=True)
class Wave:
    """`volts` cos(2 pi `hertz` t + `phase`), on top of the field voltage."""

    volts: float
    hertz: float
    phase: float = 0.0


@dataclass(frozen=True, slots=True)
class Sampling:
    """How a record is taken: samples at begin + (k + offset) * interval."""

    period_s: float = 1.0
    periods: float = 3.0
    samples: int = 1200
    begin_s: float = 0.0
    offset: float = 0.5

    @property
    def interval_s(self) -> float:
        return self.period_s * self.periods / self.samples

    @property
    def time_s(self) -> Floats:
        return self.begin_s + (np.arange(self.samples) + self.offset) * self.interval_s


def source(rotor: Rotor, u_e: float = 0.0, u_r0: float = 0.0) -> Source:
    """The rotor's pulse source, with standard uncertainties as shares of amplitude and R0."""
    return Source(
        Measured(rotor.amplitude_v, u_e * rotor.amplitude_v),
        Measured(rotor.source_ohm, u_r0 * rotor.source_ohm),
        rotor.tap_pu,
    )


def six_pulse(mean_v: float, mains_hz: float = 50.0, phase: float = 0.3) -> tuple[Wave, ...]:
    """6th and 12th harmonic of a three-phase bridge: 2/(n^2 - 1) of the mean (textbooks)."""
    return (
        Wave(mean_v * 2 / 35, 6 * mains_hz, phase),
        Wave(-mean_v * 2 / 143, 12 * mains_hz, 2 * phase),
    )


def field_at(points: Points, time_s: Floats, waves: Sequence[Wave] = ()) -> Floats:
    """Straight lines between points (seconds, volts), level outside; what follows a step at it."""
    volts = np.empty_like(time_s)
    for k, now_s in enumerate(time_s):
        volts[k] = _line(points, float(now_s))[0]
    return volts + _waves(waves, time_s)


def current_a(
    rotor: Rotor,
    time_s: Floats,
    period_s: float,
    field: Points,
    *,
    waves: Sequence[Wave] = (),
    later: Sequence[tuple[float, Rotor]] = (),
    charged_v: float | None = None,
) -> Floats:
    """The exact current at rising times; the source is positive from time 0 on for half a period.

    `later` are instants from which on the rotor is another one. The winding starts at the first
    sample with the mean potential `charged_v`; None for one that has been pulsed for ever.
    """
    half_s = period_s / 2
    begin_s, end_s = float(time_s[0]), float(time_s[-1])
    turns = half_s * np.arange(np.floor(begin_s / half_s), np.ceil(end_s / half_s) + 1)
    corners = {float(t) for t in turns} | {t for t, _ in field} | {t for t, _ in later}
    edges = [begin_s, *sorted(t for t in corners if begin_s < t <= end_s)]
    mean_v = charged_v
    found = np.empty_like(time_s)
    for k, edge_s in enumerate(edges):
        now = [other for since_s, other in later if since_s <= edge_s]
        here = now[-1] if now else rotor
        # A reversal that rounding has put before its instant would belong to the half before.
        middle_s = (edge_s + (edges[k + 1] if k + 1 < len(edges) else edge_s + half_s / 1e3)) / 2
        e_v = rotor.amplitude_v * (1 if int(np.floor(middle_s / half_s)) % 2 == 0 else -1)
        u_v, slope = _line(field, edge_s)
        if mean_v is None:
            mean_v = _pulsed_for_ever(here, e_v, u_v, edge_s % half_s, half_s)
            mean_v += float(_rippled(here, waves, np.array(edge_s)))
        rest_v, rest_slope = _rest(here, e_v, u_v), _rest(here, 0.0, slope)
        rest_v -= rest_slope * here.tau_s  # behind a rising voltage by the time constant
        beyond_v = mean_v - rest_v - float(_rippled(here, waves, np.array(edge_s)))
        last = k + 1 == len(edges)
        seen = (time_s >= edge_s) & (True if last else (time_s < edges[k + 1]))
        since = time_s[seen] - edge_s
        w = rest_v + rest_slope * since + beyond_v * np.exp(-since / here.tau_s)
        w += _rippled(here, waves, time_s[seen])
        u = u_v + slope * since + _waves(waves, time_s[seen])
        found[seen] = (e_v - w - (rotor.tap_pu - 0.5) * u) / rotor.source_ohm
        if not last:
            next_s = edges[k + 1] - edge_s
            mean_v = rest_v + rest_slope * next_s + beyond_v * exp(-next_s / here.tau_s)
            mean_v += float(_rippled(here, waves, np.array(edges[k + 1])))
    return found


def record(
    rotor: Rotor,
    sampling: Sampling | None = None,
    field: float | Points = 300.0,
    *,
    noise_a: float = 0.0,
    seed: int | tuple[int, ...] = 0,
    column: bool = False,
    field_noise_v: float = 0.0,
    u_field_v: float = 0.0,
    waves: Sequence[Wave] = (),
    later: Sequence[tuple[float, Rotor]] = (),
    charged_v: float | None = None,
) -> PulseRecord:
    """A record with white noise; its field voltage sampled (`column`), or one number, the mean."""
    sampling = sampling or Sampling()
    time_s = sampling.time_s
    points = field if isinstance(field, tuple) else ((0.0, field),)
    random = np.random.default_rng(seed)
    clean_a = current_a(
        rotor, time_s, sampling.period_s, points, waves=waves, later=later, charged_v=charged_v
    )
    noisy_a = clean_a + noise_a * random.standard_normal(len(time_s))
    seen_v: Floats | Measured
    if column:
        seen_v = field_at(points, time_s, waves)
        seen_v = seen_v + field_noise_v * random.standard_normal(len(time_s))
    else:
        seen_v = Measured(float(field_at(points, time_s).mean()), u_field_v)
    return PulseRecord(time_s, noisy_a, sampling.period_s, seen_v)


def with_current(record: PulseRecord, current_a: Floats) -> PulseRecord:
    """The same record with another current."""
    return replace(record, current_a=current_a)


def with_outliers(record: PulseRecord, at: Sequence[int], size_a: float) -> PulseRecord:
    """Spikes of this size at these samples, with changing signs."""
    spoilt = record.current_a.copy()
    spoilt[list(at)] += size_a * (-1.0) ** np.arange(len(at))
    return with_current(record, spoilt)


def with_burst(record: PulseRecord, first: int, length: int, size_a: float) -> PulseRecord:
    """A disturbance of one sign over some samples in a row."""
    spoilt = record.current_a.copy()
    spoilt[first : first + length] += size_a
    return with_current(record, spoilt)


def clipped(record: PulseRecord, low_a: float, high_a: float) -> PulseRecord:
    """A converter that ends at these currents."""
    return with_current(record, np.clip(record.current_a, low_a, high_a))


def quantised(record: PulseRecord, step_a: float) -> PulseRecord:
    """A converter with steps of this size."""
    return with_current(record, np.round(record.current_a / step_a) * step_a)


def rows(record: PulseRecord, which: Sequence[int] | NDArray[np.int64]) -> PulseRecord:
    """These rows of the record, in this order, as often as they are named."""
    chosen = np.asarray(which, dtype=np.int64)
    field_v, pulse_v = record.field_voltage_v, record.pulse_v
    return PulseRecord(
        record.time_s[chosen],
        record.current_a[chosen],
        record.period_s,
        field_v[chosen] if isinstance(field_v, np.ndarray) else field_v,
        None if pulse_v is None else pulse_v[chosen],
    )


def without(record: PulseRecord, first: int, length: int) -> PulseRecord:
    """A block of rows lost."""
    every = np.arange(len(record.time_s))
    return rows(record, np.delete(every, slice(first, first + length)))


def row_twice(record: PulseRecord, at: int) -> PulseRecord:
    """One row written twice, with its time."""
    return rows(record, np.insert(np.arange(len(record.time_s)), at, at))


def value_twice(record: PulseRecord, at: int) -> PulseRecord:
    """One current taken over from the sample before, at a time of its own."""
    spoilt = record.current_a.copy()
    spoilt[at] = spoilt[at - 1]
    return with_current(record, spoilt)


def pulsing(record: PulseRecord, rotor: Rotor, period_s: float, late_s: float = 0.0) -> PulseRecord:
    """The record with the source's own voltage beside the current, its turns `late_s` late."""
    half = np.floor((record.time_s - late_s) / (period_s / 2)).astype(int)
    return replace(record, pulse_v=np.where(half % 2 == 0, 1.0, -1.0) * rotor.amplitude_v)


def _line(points: Points, now_s: float) -> tuple[float, float]:
    """Voltage just after an instant, and its slope."""
    before = [k for k, (t, _) in enumerate(points) if t <= now_s]
    if not before:
        return points[0][1], 0.0
    k = before[-1]
    if k + 1 == len(points):
        return points[k][1], 0.0
    (t0, v0), (t1, v1) = points[k], points[k + 1]
    slope = (v1 - v0) / (t1 - t0)
    return v0 + slope * (now_s - t0), slope


def _rest(rotor: Rotor, e_v: float, u_v: float) -> float:
    """The mean potential at which no current charges the winding."""
    r0, rf, tap, place = rotor.source_ohm, rotor.fault_ohm, rotor.tap_pu, rotor.place_pu
    if rf == inf:
        return e_v - (tap - 0.5) * u_v
    return ((e_v - (tap - 0.5) * u_v) * rf - (place - 0.5) * u_v * r0) / (r0 + rf)


def _pulsed_for_ever(rotor: Rotor, e_v: float, u_v: float, since_s: float, half_s: float) -> float:
    """The mean potential so long after a reversal, when all half-cycles are alike."""
    swing_v = _rest(rotor, e_v, 0.0)
    turned_v = -swing_v * tanh(half_s / (2 * rotor.tau_s))
    return _rest(rotor, 0.0, u_v) + swing_v + (turned_v - swing_v) * exp(-since_s / rotor.tau_s)


def _waves(waves: Sequence[Wave], time_s: Floats) -> Floats:
    volts = np.zeros_like(time_s)
    for wave in waves:
        volts += wave.volts * np.cos(2 * np.pi * wave.hertz * time_s + wave.phase)
    return volts


def _rippled(rotor: Rotor, waves: Sequence[Wave], time_s: Floats) -> Floats:
    """The settled answer of the mean potential to the waves: a low pass of the first order."""
    volts = np.zeros_like(time_s)
    for wave in waves:
        lag = 2 * np.pi * wave.hertz * rotor.tau_s
        phasor = _rest(rotor, 0.0, wave.volts) * np.exp(1j * wave.phase) / (1 + 1j * lag)
        volts += (phasor * np.exp(2j * np.pi * wave.hertz * time_s)).real
    return volts
