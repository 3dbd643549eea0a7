"""The ladder in time, against solutions that it has nothing in common with."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import expm  # type: ignore[import-untyped]

from simulator.rotor import (
    SEGMENTS,
    Course,
    Fault,
    Injection,
    MidpointInjection,
    Potentials,
    TerminalInjection,
    Winding,
    course,
    fault_current_a,
    steady,
)
from tests.simulator.network import after

NEGATIVE = TerminalInjection(20e3)
MIDDLE = MidpointInjection(60e3, 60e3, 1e3)
UNEQUAL = MidpointInjection(80e3, 40e3, 1e3)
COPPER_OHM = 0.2
# So high that the winding itself takes milliseconds.
SOFT_OHM = 20e3

windings = st.builds(
    Winding,
    resistance_ohm=st.sampled_from([COPPER_OHM, 50.0, SOFT_OHM]),
    insulation_ohm=st.floats(1e5, 1e9),
    capacitance_f=st.floats(1e-8, 5e-6),
    faults=st.lists(st.builds(Fault, st.floats(0, 1), st.floats(1.0, 1e7)), max_size=3).map(tuple),
)


def disturbed(turns: Winding, injection: Injection, field_v: float = 200.0) -> Potentials:
    """A winding in the midst of charging: nothing about it is settled."""
    return course(turns, injection, None, emf_v=-36, field_v=field_v).at(2e-3)


def earthed_c(turns: Winding, potentials: Potentials) -> float:
    """Charge of the capacitance, spread over the even places with half a share at both ends."""
    volts = potentials.at(tuple(k / SEGMENTS for k in range(SEGMENTS + 1)))
    return turns.capacitance_f * float(np.trapezoid(volts, dx=1 / SEGMENTS))


@pytest.mark.parametrize("injection", [NEGATIVE, MIDDLE, UNEQUAL])
@pytest.mark.parametrize(
    ("copper_ohm", "faults", "closeness"),
    [
        # The network's own digits end where copper is much below the rest.
        (COPPER_OHM, ((0.237, 1e4),), 1e-8),
        (50.0, ((0.2, 1.0), (0.2050001, 3e3), (0.9999999, 5e5)), 1e-8),
        (SOFT_OHM, ((0.25, 500.0), (0.7512, 2e3)), 1e-10),
    ],
)
def test_agrees_with_the_laplace_transform_of_the_network(
    injection: Injection,
    copper_ohm: float,
    faults: tuple[tuple[float, float], ...],
    closeness: float,
) -> None:
    """Potentials and current are those of the whole network, from nanoseconds to settled."""
    turns = Winding(copper_ohm, 5e6, 1e-6, tuple(Fault(a, r) for a, r in faults))
    follows = course(
        turns, injection, disturbed(turns, injection), emf_v=36, field_v=200, slope_v_per_s=500
    )
    start = follows.at(0.0)
    for duration_s in (1e-9, 2e-5, 3e-3, 0.06):
        volts, current_a = after(
            turns,
            injection,
            start,
            emf_v=36,
            field_v=200,
            slope_v_per_s=500,
            duration_s=duration_s,
        )
        assert pytest.approx(volts, abs=200 * closeness) == follows.at(duration_s).volts
        found = follows.source_current_a(np.array([duration_s]))
        assert pytest.approx(current_a, rel=closeness) == found[0]


def test_agrees_with_the_exponential_of_the_matrix() -> None:
    """A soft ladder under a rising field voltage follows exp(At) as another library has it."""
    turns = Winding(SOFT_OHM, 5e6, 1e-6, (Fault(0.2, 3e3),))
    start = disturbed(turns, NEGATIVE)
    # Unknowns: potentials of all nodes but the last, which the field source holds; its capacitance
    # and leak, and the current of its segment, act on the first. Then field voltage, its slope, 1.
    n = SEGMENTS
    across, leak, share = n / SOFT_OHM, 1 / (5e6 * n), 1e-6 / n
    rates = np.zeros((n + 3, n + 3))
    field, slope, one = n, n + 1, n + 2
    for k in range(n):
        rates[k, k] = -2 * across - leak
        rates[k, (k - 1) % n] += across
        rates[k, (k + 1) % n] += across
    rates[0, 0] -= 1 / 20e3
    rates[20, 20] -= 1 / 3e3
    rates[0, field] = -across - leak / 2
    rates[n - 1, field] = across
    rates[0, slope], rates[0, one] = -share / 2, 36 / 20e3
    rates[:n] /= share
    rates[field, slope] = 1.0
    begin = np.array([*start.volts[:n], 200.0, 500.0, 1.0])
    follows = course(turns, NEGATIVE, start, emf_v=36, field_v=200, slope_v_per_s=500)
    for duration_s in (0.0, 1e-5, 1e-3, 0.02):
        expected = (expm(rates * duration_s) @ begin)[:n]
        assert pytest.approx(expected, abs=1e-8) == follows.at(duration_s).volts[:n]


def test_stiff_copper_leaves_one_resistor_and_one_capacitor() -> None:
    """With next to no copper the current is that of R0 and Rf at C: i(t) = a + b exp(-t/tau)."""
    turns = Winding(1e-9, 1e15, 1e-6, (Fault(0.2, 20e3),))
    follows = course(turns, MIDDLE, steady(turns, MIDDLE, -36, 300), emf_v=36, field_v=300)
    # The worked row of 12.1569 ms: settled -1058.8235 uA and, for -36 V, -2470.5882 uA.
    tau_s = 1e-6 * 31e3 * 20e3 / 51e3
    settled_a = (36 + (0.2 - 0.5) * 300) / 51e3
    other_v = (-36 + (0.2 - 0.5) * 300) / 51e3 * 20e3
    first_a = (36 - 0.5 * 300 + 0.2 * 300 - other_v) / 31e3
    instants_s = np.linspace(0.0, 0.1, 41)
    expected = settled_a + (first_a - settled_a) * np.exp(-instants_s / tau_s)
    assert pytest.approx(-1058.8235e-6, abs=1e-10) == settled_a
    assert pytest.approx(expected, rel=1e-9) == follows.source_current_a(instants_s)


@given(
    turns=windings,
    injection=st.sampled_from([NEGATIVE, MIDDLE, UNEQUAL]),
    durations_s=st.tuples(st.floats(0, 0.1), st.floats(0, 0.1)),
    slope_v_per_s=st.floats(-2e3, 2e3),
)
@settings(max_examples=40)
def test_a_stop_on_the_way_changes_nothing(
    turns: Winding,
    injection: Injection,
    durations_s: tuple[float, float],
    slope_v_per_s: float,
) -> None:
    """Two pieces of time lead to where one piece leads, whatever the winding."""

    def go(start: Potentials, field_v: float) -> Course:
        return course(
            turns, injection, start, emf_v=36, field_v=field_v, slope_v_per_s=slope_v_per_s
        )

    first_s, second_s = durations_s
    start = disturbed(turns, injection)
    midway = go(start, 200).at(first_s)
    expected = go(start, 200).at(first_s + second_s)
    found = go(midway, 200 + slope_v_per_s * first_s).at(second_s)
    assert pytest.approx(expected.volts, abs=1e-6) == found.volts


@given(turns=windings, slope_v_per_s=st.floats(-2e3, 2e3))
@settings(max_examples=25)
def test_no_charge_is_lost(turns: Winding, slope_v_per_s: float) -> None:
    """What the source delivers is on the capacitance or has gone through insulation and faults."""
    follows = course(
        turns,
        NEGATIVE,
        disturbed(turns, NEGATIVE),
        emf_v=36,
        field_v=200,
        slope_v_per_s=slope_v_per_s,
    )
    # Gauss's rule, between an instant after the fastest modes of the copper and a later one.
    begin_s, end_s = 1e-3, 2e-3
    points, weights = np.polynomial.legendre.leggauss(30)
    instants_s = begin_s + (points + 1) / 2 * (end_s - begin_s)
    delivered = follows.source_current_a(instants_s)
    gone = []
    for instant_s in instants_s:
        there = follows.at(instant_s)
        spread_a = earthed_c(turns, there) / turns.capacitance_f / turns.insulation_ohm
        gone.append(spread_a + sum(fault_current_a(there, f) for f in turns.faults))
    stored = earthed_c(turns, follows.at(end_s)) - earthed_c(turns, follows.at(begin_s))
    balance = float(weights @ (delivered - gone)) * (end_s - begin_s) / 2
    through = float(weights @ np.abs(gone)) * (end_s - begin_s) / 2
    assert pytest.approx(balance, abs=1e-9 * (abs(through) + 1e-6)) == stored


@given(turns=windings, jump_v=st.floats(-500, 500))
@settings(max_examples=40)
def test_a_jump_of_the_field_voltage_moves_charge_between_the_rings_only(
    turns: Winding, jump_v: float
) -> None:
    """At the jump itself all inner nodes stay where they are, and so does the charge."""
    before = disturbed(turns, MIDDLE)
    jumped = course(turns, MIDDLE, before, emf_v=-36, field_v=200 + jump_v).at(0.0)
    assert pytest.approx(200 + jump_v, abs=1e-7) == jumped.volts[-1] - jumped.volts[0]
    inner = tuple(k / SEGMENTS for k in range(1, SEGMENTS))
    assert pytest.approx(before.at(inner), abs=1e-6) == jumped.at(inner)
    expected = earthed_c(turns, before)
    assert pytest.approx(expected, abs=1e-9 * turns.capacitance_f * 500) == earthed_c(turns, jumped)


@given(location=st.floats(0, 1), fault_ohm=st.floats(1.0, 1e7))
@settings(max_examples=40)
def test_a_new_fault_changes_no_charge(location: float, fault_ohm: float) -> None:
    """At the instant of a fault nothing has moved yet, wherever it is."""
    healthy = Winding(COPPER_OHM, 5e6, 1e-6)
    faulty = Winding(COPPER_OHM, 5e6, 1e-6, (Fault(location, fault_ohm),))
    before = disturbed(healthy, MIDDLE)
    broken = course(faulty, MIDDLE, before, emf_v=-36, field_v=200).at(0.0)
    even = before.locations
    assert pytest.approx(before.volts, abs=1e-7) == broken.at(even)


@given(turns=windings)
@settings(max_examples=25)
def test_charging_goes_one_way(turns: Winding) -> None:
    """Without field voltage the current after a reversal falls all the time and stays positive."""
    reversed_from = steady(turns, MIDDLE, -36, 0)
    follows = course(turns, MIDDLE, reversed_from, emf_v=36, field_v=0)
    current_a = follows.source_current_a(np.geomspace(1e-9, 10.0, 60))
    assert np.all(np.diff(current_a) <= 1e-15)
    assert np.all(current_a > 0)
