"""Records of the pulse current, sampled as a measuring device would sample them.

A pulse source turns over between +amplitude (first half of each period) and -amplitude (second);
periods begin at time 0 and at all its multiples, and have done so for ever. Between two changes of
anything the currents are those of `simulator.rotor`, exactly; a sample at the instant of a change
sees what follows it.

It refuses: faults that go away, a ripple that follows the field voltage, anti-alias filters.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from simulator import rotor
from simulator.ladder import Floats
from simulator.rotor import Fault, Injection, Potentials, Winding

# After so many time constants nothing of a beginning is left in double precision.
_FORGOTTEN = 40.0


@dataclass(frozen=True, slots=True)
class PulseSource:
    """A square wave of ±`amplitude_v` with a period, and its way to the winding."""

    amplitude_v: float
    period_s: float
    injection: Injection


@dataclass(frozen=True, slots=True)
class Harmonic:
    """A part of the field voltage: the real part of `phasor_v` exp(j 2 pi `frequency_hz` t)."""

    phasor_v: complex
    frequency_hz: float


@dataclass(frozen=True, slots=True)
class Digitizer:
    """White noise on current and field voltage, then the steps and the ends of the current's range.

    `resolution_a` 0 has no steps. The same seed gives the same noise.
    """

    noise_a: float = 0.0
    field_noise_v: float = 0.0
    resolution_a: float = 0.0
    range_a: float = math.inf
    seed: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class SampledRecord:
    """Samples at `time_s`; `current_a` is positive out of the source into the winding."""

    time_s: Floats
    current_a: Floats
    field_voltage_v: Floats
    pulse_v: Floats


@dataclass(frozen=True, slots=True)
class _Scene:
    """What the winding and its field voltage are like at any instant."""

    winding: Winding
    later_faults: tuple[tuple[float, Fault], ...]
    field: tuple[tuple[float, float], ...]
    ripple: tuple[Harmonic, ...]

    def winding_at(self, instant_s: float) -> Winding:
        come = tuple(fault for since_s, fault in self.later_faults if since_s <= instant_s)
        return replace(self.winding, faults=self.winding.faults + come) if come else self.winding

    def field_at(self, instant_s: float) -> tuple[float, float]:
        """Return the field voltage without ripple just after an instant, and its slope."""
        k = bisect_right(self.field, instant_s, key=lambda point: point[0])
        if k in (0, len(self.field)):
            return self.field[max(k - 1, 0)][1], 0.0
        (begin_s, begin_v), (end_s, end_v) = self.field[k - 1], self.field[k]
        slope = (end_v - begin_v) / (end_s - begin_s)
        return begin_v + slope * (instant_s - begin_s), slope

    def changes_s(self) -> list[float]:
        return [since_s for since_s, _ in (*self.later_faults, *self.field)]


def six_pulse_ripple(mean_v: float, mains_hz: float) -> tuple[Harmonic, ...]:
    """Return 6th and 12th harmonic of an ideal three-phase bridge with diodes, in volts peak.

    Source: Fourier series of six sine tops a period (textbooks on converters): 2/(n^2 - 1) of the
    mean, with changing signs.
    """
    return (
        Harmonic(mean_v * 2 / 35, 6 * mains_hz),
        Harmonic(-mean_v * 2 / 143, 12 * mains_hz),
    )


def sample_record(
    time_s: Sequence[float] | Floats,
    winding: Winding,
    source: PulseSource,
    *,
    field_v: float | tuple[tuple[float, float], ...] = 0.0,
    later_faults: tuple[tuple[float, Fault], ...] = (),
    ripple: tuple[Harmonic, ...] = (),
    digitizer: Digitizer | None = None,
) -> SampledRecord:
    """Return what is sampled at `time_s` (seconds, not falling) of a winding under pulses.

    `field_v` is a number of volts or points (seconds, volts) with straight lines between them; two
    points at one time make a step, and outside the points the voltage stays. `later_faults` come
    at their instants in seconds, beside those that the winding has. Raises ValueError where times
    fall or nothing is asked for.
    """
    times = np.asarray(time_s, dtype=np.float64)
    points = field_v if isinstance(field_v, tuple) else ((0.0, field_v),)
    _refuse_falling(times, "sample times")
    _refuse_falling(np.array([point[0] for point in points]), "times of field_v")
    scene = _Scene(winding, later_faults, points, ripple)
    record = SampledRecord(times, np.empty_like(times), np.empty_like(times), np.empty_like(times))
    _fill(record, scene, source)
    return _digitized(record, digitizer) if digitizer else record


def _refuse_falling(times: Floats, what: str) -> None:
    if not len(times) or not np.all(np.diff(times) >= 0):
        raise ValueError(f"{what} must be at least one and must not fall; sort them")


def _fill(record: SampledRecord, scene: _Scene, source: PulseSource) -> None:
    times = record.time_s
    half_s = source.period_s / 2
    first, last = math.floor(times[0] / half_s), math.floor(times[-1] / half_s)
    tau_s = rotor.settling_time_constant_s(scene.winding_at(times[0]), source.injection)
    # A whole period more than needed: the division may have rounded up.
    begin = 2 * ((first - math.ceil(_FORGOTTEN * tau_s / half_s)) // 2 - 1)
    begin_s = begin * half_s
    reversals = {k * half_s: source.amplitude_v * (1 - 2 * (k % 2)) for k in range(begin, last + 2)}
    changes = {t for t in scene.changes_s() if begin_s < t <= times[-1]}
    edges = sorted({*reversals, *changes})
    marks = [*np.searchsorted(times, edges), len(times)]

    emf_v = -source.amplitude_v
    turns = scene.winding_at(begin_s)
    charged = rotor.steady(turns, source.injection, emf_v, scene.field_at(begin_s)[0])
    for k, edge_s in enumerate(edges):
        emf_v = reversals.get(edge_s, emf_v)
        before, turns = turns, scene.winding_at(edge_s)
        if turns != before:
            charged = _in_other_winding(charged, before, turns, scene, source.injection, edge_s)
        volts, slope = scene.field_at(edge_s)
        follows = rotor.course(
            turns, source.injection, charged, emf_v=emf_v, field_v=volts, slope_v_per_s=slope
        )
        seen = slice(marks[k], marks[k + 1])
        since_s = times[seen] - edge_s
        record.pulse_v[seen] = emf_v
        record.current_a[seen] = follows.source_current_a(since_s)
        record.field_voltage_v[seen] = volts + slope * since_s
        if marks[k] < marks[k + 1]:
            _add_ripple(record, seen, turns, scene, source.injection)
        if k + 1 < len(edges):
            charged = follows.at(edges[k + 1] - edge_s)


def _add_ripple(
    record: SampledRecord, seen: slice, turns: Winding, scene: _Scene, injection: Injection
) -> None:
    for part in scene.ripple:
        current_a = rotor.ripple_current_a(turns, injection, part.phasor_v, part.frequency_hz)
        rotation = np.exp(2j * np.pi * part.frequency_hz * record.time_s[seen])
        record.current_a[seen] += (current_a * rotation).real
        record.field_voltage_v[seen] += (part.phasor_v * rotation).real


def _in_other_winding(
    charged: Potentials,
    before: Winding,
    after: Winding,
    scene: _Scene,
    injection: Injection,
    instant_s: float,
) -> Potentials:
    """Return the potentials without the new winding's ripple, given those without the old one's.

    No node's potential jumps when a fault comes, but its settled ripple is another one from then
    on; the difference is a transient like any other.
    """
    locations = rotor.steady(after, injection, 0.0, 0.0).locations
    volts = np.array(charged.at(locations))
    for part in scene.ripple:
        phasor_v = part.phasor_v * np.exp(2j * np.pi * part.frequency_hz * instant_s)
        for turns, sign in ((before, 1), (after, -1)):
            swing = rotor.ripple_potentials(turns, injection, phasor_v, part.frequency_hz)
            volts += sign * np.array(swing.at(locations))
    return Potentials(locations, tuple(volts.tolist()))


def _digitized(record: SampledRecord, digitizer: Digitizer) -> SampledRecord:
    random = np.random.default_rng(digitizer.seed)
    current_a = record.current_a + random.normal(0.0, digitizer.noise_a, len(record.time_s))
    field_v = record.field_voltage_v + random.normal(
        0.0, digitizer.field_noise_v, len(record.time_s)
    )
    if digitizer.resolution_a:
        current_a = np.round(current_a / digitizer.resolution_a) * digitizer.resolution_a
    current_a = np.clip(current_a, -digitizer.range_a, digitizer.range_a)
    return replace(record, current_a=current_a, field_voltage_v=field_v)
