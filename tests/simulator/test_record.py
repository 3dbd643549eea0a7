"""Sampled records against settled and unsettled rows of theory and against a lumped circuit."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp  # type: ignore[import-untyped]

from simulator.record import (
    Digitizer,
    Harmonic,
    PulseSource,
    sample_record,
    six_pulse_ripple,
)
from simulator.rotor import (
    Fault,
    Injection,
    MidpointInjection,
    TerminalInjection,
    Winding,
    source_current_a,
    steady,
)

MIDDLE = MidpointInjection(60e3, 60e3, 1e3)
NEGATIVE = TerminalInjection(12e3)
R0_OHM = 31e3


def winding(*faults: tuple[float, float], capacitance_f: float = 1e-6) -> Winding:
    """So little copper and so good insulation that nothing of them shows."""
    return Winding(1e-6, 1e15, capacitance_f, tuple(Fault(a, r) for a, r in faults))


@pytest.mark.parametrize(
    ("location", "fault_ohm", "capacitance_f", "half_s", "plus_ua", "minus_ua"),
    [
        # The worked rows of unsettled half-cycles at 36 V, 31 kohm, tap 0.5 and 300 V.
        (0.2, 20e3, 1e-6, 0.5, -1058.8235, -2470.5882),
        (0.2, 1000e3, 2e-6, 0.25, -17.6632, -156.9246),
        (0.7, 200e3, 3e-6, 0.15, 685.7780, -166.2975),
    ],
)
def test_the_ends_of_half_cycles_are_those_of_theory(
    location: float,
    fault_ohm: float,
    capacitance_f: float,
    half_s: float,
    plus_ua: float,
    minus_ua: float,
) -> None:
    """A source that has pulsed for ever leaves each half-cycle with the current of theory."""
    turns = winding((location, fault_ohm), capacitance_f=capacitance_f)
    ends_s = np.array([1, 2, 7, 8]) * half_s - 1e-9
    record = sample_record(ends_s, turns, PulseSource(36, 2 * half_s, MIDDLE), field_v=300.0)
    expected = [plus_ua, minus_ua, plus_ua, minus_ua]
    assert pytest.approx(expected, abs=1e-3) == 1e6 * record.current_a
    assert [36, -36, 36, -36] == record.pulse_v.tolist()
    assert [300.0] * 4 == record.field_voltage_v.tolist()


@pytest.mark.parametrize("injection", [NEGATIVE, MIDDLE])
def test_a_settled_half_cycle_is_the_steady_state(injection: Injection) -> None:
    """Without capacitance every sample is the settled current of its half-cycle."""
    turns = winding((0.3, 10e3), capacitance_f=0.0)
    record = sample_record(
        np.linspace(-0.7, 0.9, 33), turns, PulseSource(24, 0.4, injection), field_v=250.0
    )
    for emf_v in (24.0, -24.0):
        expected = source_current_a(injection, steady(turns, injection, emf_v, 250), emf_v, 250)
        found = record.current_a[record.pulse_v == emf_v]
        assert len(found) > 10
        assert pytest.approx(np.full(len(found), expected), rel=1e-12) == found


def test_a_reversal_belongs_to_what_follows_it() -> None:
    """At a reversal the current has jumped by 2 E / R0 already."""
    record = sample_record(
        [0.1 - 1e-12, 0.1, 0.1], winding((0.2, 20e3)), PulseSource(36, 0.2, MIDDLE), field_v=300.0
    )
    assert [36, -36, -36] == record.pulse_v.tolist()
    jump_a = record.current_a[1:] - record.current_a[0]
    assert pytest.approx([-72 / R0_OHM] * 2, rel=1e-6) == jump_a


LATE_FAULT = (0.0437, Fault(0.9, 8e3))
PROFILE = ((0.01, 300.0), (0.05, 320.0), (0.05, 250.0), (0.09, 250.0))


def field_of_profile(instant_s: float) -> float:
    """PROFILE, written as it would be drawn: a ramp, a step down, then level."""
    ramp_v = 300.0 + 20.0 * min(max((instant_s - 0.01) / 0.04, 0.0), 1.0)
    return ramp_v if instant_s < 0.05 else 250.0


def lumped_current_a(instants_s: list[float], ripple: Callable[[float], float]) -> list[float]:
    """One capacitance, charge as the unknown (it stays when voltages jump), another's solver."""
    capacitance_f, rf_ohm, half_s = 1e-6, 50e3, 0.02

    def field_v(instant_s: float) -> float:
        return field_of_profile(instant_s) + ripple(instant_s)

    def current_a(instant_s: float, charge_c: float, emf_v: float) -> float:
        negative_v = charge_c / capacitance_f - field_v(instant_s) / 2
        return (emf_v - field_v(instant_s) / 2 - negative_v) / R0_OHM

    def rate(instant_s: float, charge: list[float], emf_v: float, late: bool) -> list[float]:
        negative_v = charge[0] / capacitance_f - field_v(instant_s) / 2
        gone_a = (negative_v + 0.2 * field_v(instant_s)) / rf_ohm
        if late:
            gone_a += (negative_v + 0.9 * field_v(instant_s)) / LATE_FAULT[1].resistance_ohm
        return [current_a(instant_s, charge[0], emf_v) - gone_a]

    reversals_s = [k * half_s for k in range(-40, 6)]
    edges_s = sorted({*reversals_s, 0.01, 0.05, LATE_FAULT[0]})
    charge_c, found = 0.0, []
    for begin_s, end_s in pairwise(edges_s):
        emf_v = 36.0 if int(np.floor(begin_s / half_s + 0.5e-9)) % 2 == 0 else -36.0
        late = begin_s >= LATE_FAULT[0]
        wanted = [t for t in instants_s if begin_s <= t < end_s]
        # Just before the end the field voltage has not stepped yet.
        nearly_s = end_s - 1e-12
        solution = solve_ivp(
            rate,
            (begin_s, nearly_s),
            [charge_c],
            args=(emf_v, late),
            t_eval=[*wanted, nearly_s],
            method="DOP853",
            rtol=1e-11,
            atol=1e-16,
            max_step=1e-3,
        )
        charges = solution.y[0].tolist()
        charge_c = charges.pop()
        found += [current_a(t, q, emf_v) for t, q in zip(wanted, charges, strict=True)]
    return found


@pytest.mark.parametrize("parts", [(), (Harmonic(20.0, 300.0), Harmonic(5.0 - 3.0j, 600.0))])
def test_agrees_with_a_lumped_circuit_in_which_everything_happens(
    parts: tuple[Harmonic, ...],
) -> None:
    """Ramp, step, ripple and a fault that comes inside the record act as in a lumped circuit."""

    def ripple(instant_s: float) -> float:
        return sum(
            abs(p.phasor_v)
            * float(np.cos(2 * np.pi * p.frequency_hz * instant_s + np.angle(p.phasor_v)))
            for p in parts
        )

    instants_s = [0.0001 + 0.00037 * k for k in range(260)]
    record = sample_record(
        instants_s,
        winding((0.2, 50e3)),
        PulseSource(36, 0.04, MIDDLE),
        field_v=PROFILE,
        later_faults=(LATE_FAULT,),
        ripple=parts,
    )
    fields_v = [field_of_profile(t) + ripple(t) for t in instants_s]
    assert pytest.approx(fields_v, abs=1e-9) == record.field_voltage_v
    assert pytest.approx(lumped_current_a(instants_s, ripple), abs=1e-10) == record.current_a


def test_a_fault_that_has_come_long_ago_is_one_of_the_winding() -> None:
    """From long before the record on, a later fault and the winding's own are the same."""
    source, times = PulseSource(36, 0.2, MIDDLE), np.linspace(0, 0.4, 50)
    own = sample_record(times, winding((0.2, 20e3)), source, field_v=300.0)
    come = sample_record(
        times, winding(), source, field_v=300.0, later_faults=((-50.0, Fault(0.2, 20e3)),)
    )
    assert pytest.approx(own.current_a, rel=1e-9) == come.current_a


@given(
    location=st.floats(0, 1),
    fault_ohm=st.floats(100, 1e7),
    capacitance_f=st.floats(1e-8, 3e-6),
    half_s=st.floats(0.01, 1.0),
)
@settings(max_examples=25)
def test_both_halves_mirror_each_other_without_field(
    location: float, fault_ohm: float, capacitance_f: float, half_s: float
) -> None:
    """Without field voltage a half-cycle is the other one with its sign changed."""
    turns = winding((location, fault_ohm), capacitance_f=capacitance_f)
    times = np.linspace(0.05, 0.95, 10) * half_s
    source = PulseSource(36, 2 * half_s, MIDDLE)
    record = sample_record([*times, *(times + half_s)], turns, source)
    assert pytest.approx(record.current_a[:10], rel=1e-6, abs=1e-14) == -record.current_a[10:]
    assert np.all(np.diff(record.current_a[:10]) <= 1e-14)


def test_six_pulse_ripple_is_that_of_a_diode_bridge() -> None:
    """The 6th is 5.714 % and the 12th 1.399 % of the mean, as in a bridge's computed waveform."""
    angles = np.arange(3600) * 2 * np.pi / 3600
    lines = [np.cos(angles + k * np.pi / 3) for k in range(6)]
    spectrum = np.fft.rfft(np.max(lines, axis=0)) / 3600
    mean = spectrum[0].real
    found = six_pulse_ripple(100.0, 50.0)
    for part, order in zip(found, (6, 12), strict=True):
        assert order * 50.0 == part.frequency_hz
        assert pytest.approx(200 * spectrum[order].real / mean, abs=1e-3) == part.phasor_v
    assert pytest.approx([5.714, 1.399], abs=1e-3) == [abs(part.phasor_v) for part in found]


TIMES = np.linspace(0, 1, 20_000)
SOURCE = PulseSource(36, 0.5, MIDDLE)


def test_noise_is_white_and_comes_from_the_seed() -> None:
    """Noise has the deviation asked for, no memory, and is the same for the same seed only."""
    clean = sample_record(TIMES, winding(), SOURCE, field_v=300.0)
    one, same, other = (
        sample_record(
            TIMES,
            winding(),
            SOURCE,
            field_v=300.0,
            digitizer=Digitizer(noise_a=1e-6, field_noise_v=0.5, seed=seed),
        )
        for seed in (3, 3, 4)
    )
    assert one.current_a.tolist() == same.current_a.tolist()
    assert one.current_a.tolist() != other.current_a.tolist()
    noise_a, noise_v = one.current_a - clean.current_a, one.field_voltage_v - 300.0
    assert pytest.approx(1e-6, rel=0.03) == np.std(noise_a)
    assert pytest.approx(0.5, rel=0.03) == np.std(noise_v)
    assert abs(np.corrcoef(noise_a[1:], noise_a[:-1])[0, 1]) < 0.03
    assert abs(np.corrcoef(noise_a, noise_v)[0, 1]) < 0.03


def test_a_converter_has_steps_and_ends() -> None:
    """Currents are whole steps, no further than half a step away, and end at the range."""
    clean = sample_record(TIMES, winding(), SOURCE)
    rough = sample_record(
        TIMES, winding(), SOURCE, digitizer=Digitizer(resolution_a=5e-6, range_a=1e-3)
    )
    inside = np.abs(clean.current_a) < 0.99e-3
    steps = rough.current_a / 5e-6
    assert pytest.approx(np.round(steps), abs=1e-6) == steps
    assert np.max(np.abs(rough.current_a - clean.current_a)[inside]) <= 2.5e-6 * (1 + 1e-9)
    assert (1e-3, -1e-3) == (np.max(rough.current_a), np.min(rough.current_a))
    assert np.max(clean.current_a) > 1.1e-3


@pytest.mark.parametrize(
    ("times_s", "points", "text"),
    [
        ([], ((0.0, 300.0),), "sample times must be at least one and must not fall; sort them"),
        ([0.2, 0.1], ((0.0, 300.0),), "sample times must be at least one and must not fall"),
        ([0.1], ((1.0, 300.0), (0.0, 0.0)), "times of field_v must be at least one and must not"),
    ],
)
def test_times_that_fall_are_refused(
    times_s: list[float], points: tuple[tuple[float, float], ...], text: str
) -> None:
    """Whoever asks for samples backwards in time is told so."""
    with pytest.raises(ValueError, match=text):
        sample_record(times_s, winding(), SOURCE, field_v=points)
