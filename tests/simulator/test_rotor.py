"""The ladder against worked rows of the trade's theory, which it does not use itself.

The rows are solutions of the measuring circuit of a rotor earth-fault relay (source e behind R0,
tap beta, fault Rf at alpha): Kirchhoff's laws for the settled currents, the integrated differential
equation for the unsettled ones.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.rotor import (
    Fault,
    Injection,
    MidpointInjection,
    Potentials,
    TerminalInjection,
    Winding,
    copper_resistance_ohm,
    fault_current_a,
    ripple_current_a,
    settle,
    settling_time_constant_s,
    source_current_a,
    steady,
)

NEGATIVE = TerminalInjection(12e3)
MIDDLE = MidpointInjection(60e3, 60e3, 1e3)
PERFECT_OHM = 1e15


def winding(*faults: tuple[float, float], capacitance_f: float = 0.0, ohm: float = 1e-3) -> Winding:
    return Winding(ohm, PERFECT_OHM, capacitance_f, tuple(Fault(a, r) for a, r in faults))


def settled_a(turns: Winding, injection: Injection, emf_v: float, field_v: float) -> float:
    return source_current_a(injection, steady(turns, injection, emf_v, field_v), emf_v, field_v)


def half_cycles_a(
    turns: Winding, injection: Injection, emf_v: float, field_v: float, half_s: float
) -> tuple[float, float]:
    """Return the end currents of the positive and negative half-cycle after a long time."""
    potentials: Potentials | None = None
    ends = {}
    for _ in range(60):
        for sign in (1, -1):
            potentials = settle(
                turns,
                injection,
                potentials,
                emf_v=sign * emf_v,
                field_v=field_v,
                duration_s=half_s,
            )
            ends[sign] = source_current_a(injection, potentials, sign * emf_v, field_v)
    return ends[1], ends[-1]


@pytest.mark.parametrize(
    ("field_v", "location", "fault_ohm", "plus_ma", "minus_ma"),
    [
        (250, 0.3, 10e3, 4.500000, 2.318182),
        (400, 0.75, 2e3, 23.142857, 19.714286),
        (125, 0.0, 50e3, 0.387097, -0.387097),
        (60, 1.0, 500e3, 0.164062, 0.070312),
    ],
)
def test_terminal_injection_rows(
    field_v: float, location: float, fault_ohm: float, plus_ma: float, minus_ma: float
) -> None:
    """Injection at the negative terminal, E 24 V and Rs 12 kohm, drives the currents of theory."""
    turns = winding((location, fault_ohm))
    assert pytest.approx(plus_ma, abs=1e-6) == 1e3 * settled_a(turns, NEGATIVE, 24, field_v)
    assert pytest.approx(minus_ma, abs=1e-6) == 1e3 * settled_a(turns, NEGATIVE, -24, field_v)


@pytest.mark.parametrize(
    ("field_v", "location", "fault_ohm", "plus_ua", "minus_ua"),
    [
        (300, 0.2, 5e3, -1500.0000, -3500.0000),
        (300, 0.5, 5e3, 1000.0000, -1000.0000),
        (480, 0.9, 80e3, 2054.0541, 1405.4054),
        (110, 0.0, 1e3, -593.7500, -2843.7500),
    ],
)
def test_midpoint_injection_rows(
    field_v: float, location: float, fault_ohm: float, plus_ua: float, minus_ua: float
) -> None:
    """Injection at a symmetric midpoint, E 36 V and R0 31 kohm, drives the currents of theory."""
    turns = winding((location, fault_ohm))
    assert pytest.approx(plus_ua, abs=1e-3) == 1e6 * settled_a(turns, MIDDLE, 36, field_v)
    assert pytest.approx(minus_ua, abs=1e-3) == 1e6 * settled_a(turns, MIDDLE, -36, field_v)


def test_unequal_coupling_row() -> None:
    """Coupling of 80 and 40 kohm moves the tap to a third of the field voltage."""
    turns, injection = winding((0.2, 5e3)), MidpointInjection(80e3, 40e3, 1e3)
    assert pytest.approx(-122.4490, abs=1e-3) == 1e6 * settled_a(turns, injection, 36, 300)
    assert pytest.approx(-2326.5306, abs=1e-3) == 1e6 * settled_a(turns, injection, -36, 300)


@pytest.mark.parametrize(
    ("location", "fault_ohm", "capacitance_f", "half_s", "tau_ms", "plus_ua", "minus_ua"),
    [
        (0.2, 20e3, 1e-6, 0.5, 12.1569, -1058.8235, -2470.5882),
        (0.2, 1000e3, 2e-6, 0.25, 60.1358, -17.6632, -156.9246),
        (0.7, 200e3, 3e-6, 0.15, 80.5195, 685.7780, -166.2975),
    ],
)
def test_unsettled_rows(
    location: float,
    fault_ohm: float,
    capacitance_f: float,
    half_s: float,
    tau_ms: float,
    plus_ua: float,
    minus_ua: float,
) -> None:
    """Winding capacitance settles with the right time constant and leaves the right currents."""
    turns = winding((location, fault_ohm), capacitance_f=capacitance_f)
    assert pytest.approx(tau_ms, abs=1e-4) == 1e3 * settling_time_constant_s(turns, MIDDLE)
    plus_a, minus_a = half_cycles_a(turns, MIDDLE, 36, 300, half_s)
    assert pytest.approx(plus_ua, abs=1e-3) == 1e6 * plus_a
    assert pytest.approx(minus_ua, abs=1e-3) == 1e6 * minus_a


@pytest.mark.parametrize(
    ("location", "pickup_ohm"), [(0.0, 12_000), (0.5, 137_000), (1.0, 262_000)]
)
def test_dc_injection_rows(location: float, pickup_ohm: float) -> None:
    """A threshold of 1 mA at 24 V, 12 kohm and 250 V field means 22 times more at the far end."""
    current_a = settled_a(winding((location, pickup_ohm)), NEGATIVE, 24, 250)
    assert pytest.approx(1e-3, rel=1e-6) == current_a


@pytest.mark.parametrize(
    ("faults", "apparent_ohm", "apparent_location"),
    [
        (((0.3, 20e3), (0.8, 5e3)), 4000.0, 0.7),
        (((0.1, 10e3), (0.9, 10e3)), 5000.0, 0.5),
        (((0.5, 50e3), (0.05, 2e3)), 1923.0769, 0.067308),
        (((0.1, 30e3), (0.5, 60e3), (0.9, 20e3)), 10000.0, 0.566667),
    ],
)
def test_several_faults_look_like_one(
    faults: tuple[tuple[float, float], ...], apparent_ohm: float, apparent_location: float
) -> None:
    """Faults together drive the currents of their conductance-weighted mean."""
    one = winding((apparent_location, apparent_ohm))
    for emf_v in (36.0, -36.0):
        expected = settled_a(one, MIDDLE, emf_v, 300)
        assert pytest.approx(expected, rel=2e-5) == settled_a(winding(*faults), MIDDLE, emf_v, 300)


@pytest.mark.parametrize(
    ("each_ohm", "current_a"), [(50.0, 1.49888), (0.5, 139.535), (0.01, 1578.95)]
)
def test_current_between_two_solid_faults(each_ohm: float, current_a: float) -> None:
    """Two faults half the winding apart, 0.3 ohm at 300 V, divert the current of theory."""
    turns = winding((0.25, each_ohm), (0.75, each_ohm), ohm=0.3)
    potentials = steady(turns, TerminalInjection(1e9), 0.0, 300.0)
    low, high = (fault_current_a(potentials, fault) for fault in turns.faults)
    assert pytest.approx(current_a, rel=1e-5) == high
    assert pytest.approx(-current_a, rel=1e-5) == low


def test_settling_agrees_with_small_implicit_steps() -> None:
    """A winding of little copper settles as a lumped circuit does, integrated in small steps."""
    turns = Winding(1e-3, PERFECT_OHM, 2e-6, (Fault(0.2, 1e6),))
    before = steady(turns, MIDDLE, -36, 300)
    step_s, volts = 1e-5, before.volts[0]
    # C dv/dt = i - (v + 60 V)/Rf with the capacitance seen at the negative terminal, v there.
    for _ in range(5000):
        gone = 2e-6 / step_s
        source = (36 + 0.5 * -300) / 31e3
        volts = (gone * volts + source - 0.2 * 300 / 1e6) / (gone + 1 / 31e3 + 1 / 1e6)
    after = settle(turns, MIDDLE, before, emf_v=36, field_v=300, duration_s=0.05)
    assert pytest.approx(volts, rel=1e-3) == after.volts[0]


def test_ripple_takes_the_way_through_the_capacitance() -> None:
    """A ripple phasor solves the lumped circuit of the injection and one capacitance."""
    turns = Winding(1e-6, PERFECT_OHM, 1e-6, ())
    omega = 2 * math.pi * 300
    # Evenly spread capacitance: the winding's mean, half the ripple above N, is its potential.
    expected = (0.5 - 0.0) * 10 / (12e3 + 1 / (1j * omega * 1e-6))
    assert pytest.approx(expected, rel=1e-4) == ripple_current_a(turns, NEGATIVE, 10, 300)


def test_copper_row() -> None:
    """A copper winding of 0.2 ohm at 20 degC has (235 + 75)/(235 + 20) of it at 75 degC."""
    assert pytest.approx(0.2431373, abs=1e-7) == copper_resistance_ohm(0.2, 75)


@given(
    location=st.floats(0, 1),
    fault_ohm=st.floats(1, 1e8),
    field_v=st.floats(-600, 600),
    capacitance_f=st.floats(1e-9, 5e-6),
)
def test_long_settling_ends_in_the_steady_state(
    location: float, fault_ohm: float, field_v: float, capacitance_f: float
) -> None:
    """Wherever and however bad the fault, a hundred time constants later all is steady."""
    turns = winding((location, fault_ohm), capacitance_f=capacitance_f)
    wait_s = 100 * settling_time_constant_s(turns, MIDDLE)
    after = settle(turns, MIDDLE, None, emf_v=36, field_v=field_v, duration_s=wait_s)
    expected = settled_a(turns, MIDDLE, 36, field_v)
    actual = source_current_a(MIDDLE, after, 36, field_v)
    assert pytest.approx(expected, rel=1e-9, abs=1e-15) == actual


@given(location=st.floats(0, 1), fault_ohm=st.floats(100, 1e7), field_v=st.floats(-600, 600))
def test_swapped_rings_mirror_the_fault(location: float, fault_ohm: float, field_v: float) -> None:
    """At a symmetric midpoint a fault at x under U acts like one at 1 - x under -U."""
    expected = settled_a(winding((location, fault_ohm)), MIDDLE, 36, field_v)
    actual = settled_a(winding((1 - location, fault_ohm)), MIDDLE, 36, -field_v)
    assert pytest.approx(expected, rel=1e-6, abs=1e-12) == actual
