"""The circuit of pulse injection against worked numbers, a network and other people's maths."""

from math import hypot, inf, isinf, sqrt

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from uncertainties import ufloat  # type: ignore[import-untyped]

from gateway.rotor.measured import Measured
from gateway.rotor.pulse_injection import HalfCycles, Solution, Source, solve
from tests.rotor.circuits import (
    Coupling,
    exact,
    exact_half_cycles,
    exact_source,
    loop_current_a,
    network_current_a,
)

# Rows worked from Kirchhoff's laws apart from this code: E [V], R0 [ohm], beta, Uf+ [V], Uf- [V],
# i+ [A], i- [A], Rf [ohm], alpha. The currents are printed with six or seven digits.
NEGATIVE_TERMINAL = [
    (24, 12e3, 0.0, 250, 250, 4.500000e-3, 2.318182e-3, 10e3, 0.3),
    (24, 12e3, 0.0, 400, 400, 23.142857e-3, 19.714286e-3, 2e3, 0.75),
    (24, 12e3, 0.0, 125, 125, 0.387097e-3, -0.387097e-3, 50e3, 0.0),
    (24, 12e3, 0.0, 60, 60, 0.164062e-3, 0.070312e-3, 500e3, 1.0),
]
SYMMETRIC = [
    (36, 31e3, 0.5, 300, 300, -1500.0e-6, -3500.0e-6, 5e3, 0.2),
    (36, 31e3, 0.5, 300, 300, 1000.0e-6, -1000.0e-6, 5e3, 0.5),
    (36, 31e3, 0.5, 480, 480, 2054.0541e-6, 1405.4054e-6, 80e3, 0.9),
    (36, 31e3, 0.5, 110, 110, -593.7500e-6, -2843.7500e-6, 1e3, 0.0),
]
UNEQUAL = [(36, 83e3 / 3, 1 / 3, 300, 300, -122.4490e-6, -2326.5306e-6, 5e3, 0.2)]
CHANGING_FIELD = [
    (24, 12e3, 0.0, 250, 230, 4.500000e-3, 2.045455e-3, 10e3, 0.3),
    (36, 31e3, 0.5, 300, 330, 3058.8235e-6, 1882.3529e-6, 20e3, 0.9),
    (24, 12e3, 0.0, 110, 120, 1196.4286e-6, 857.1429e-6, 100e3, 1.0),
]


@pytest.mark.parametrize(
    ("e", "r0", "beta", "v_p", "v_n", "i_p", "i_n", "rf", "alpha"),
    [*NEGATIVE_TERMINAL, *SYMMETRIC, *UNEQUAL, *CHANGING_FIELD],
)
def test_worked_rows(
    e: float,
    r0: float,
    beta: float,
    v_p: float,
    v_n: float,
    i_p: float,
    i_n: float,
    rf: float,
    alpha: float,
) -> None:
    """Every worked row gives its resistance and location back, as far as its digits go."""
    solution = solve(exact_half_cycles(i_p, i_n, v_p, v_n), exact_source(e, r0, beta))
    assert rf == pytest.approx(solution.fault_resistance_ohm.value, rel=2e-5)
    assert alpha == pytest.approx(_place(solution).value, abs=2e-5)


def test_wrong_tap_moves_the_place_by_as_much() -> None:
    """Unequal coupling read as a midpoint gives 0.366667 instead of 0.2."""
    solution = solve(
        exact_half_cycles(-122.4490e-6, -2326.5306e-6, 300, 300), exact_source(36, 83e3 / 3, 0.5)
    )
    assert 0.366667 == pytest.approx(_place(solution).value, abs=2e-6)


def test_inverted_field_does_not_mirror_the_place() -> None:
    """With a negative field voltage the formulas hold with its sign."""
    i_p, i_n = (loop_current_a(e, -300.0, 51e3, 0.9, 0.5) for e in (36.0, -36.0))
    solution = solve(exact_half_cycles(i_p, i_n, -300, -300), exact_source(36, 31e3, 0.5))
    assert 0.9 == pytest.approx(_place(solution).value, abs=1e-9)
    assert 20e3 == pytest.approx(solution.fault_resistance_ohm.value, rel=1e-9)


@pytest.mark.parametrize("field_v", [0.0, 300.0])
def test_no_current_is_an_infinite_resistance(field_v: float) -> None:
    """A perfect winding gives infinity without a division error, and no place."""
    solution = solve(exact_half_cycles(0, 0, field_v, field_v), exact_source(36, 31e3, 0.5))
    assert inf == solution.fault_resistance_ohm.value
    assert isinf(solution.fault_resistance_ohm.u)
    assert None is solution.fault_location_pu


@pytest.mark.parametrize("field_v", [0.0, 1e-305, 300.0])
@pytest.mark.parametrize("current_a", [1e-305, 1e-170, 1e-20])
def test_next_to_no_current_is_no_current(current_a: float, field_v: float) -> None:
    """What a filter leaves of a current that has gone is none, and breaks nothing."""
    half_cycles = exact_half_cycles(current_a, -current_a, field_v, field_v)
    solution = solve(half_cycles, exact_source(36, 31e3, 0.5))
    assert inf == solution.fault_resistance_ohm.value
    assert None is solution.fault_location_pu


def test_next_to_no_field_voltage_is_none() -> None:
    """What a filter leaves of a field voltage that has gone gives no place."""
    solution = solve(exact_half_cycles(2e-4, -1e-4, 1e-305, 1e-305), exact_source(36, 31e3, 0.5))
    assert None is solution.fault_location_pu
    assert 209e3 == pytest.approx(solution.fault_resistance_ohm.value)


def test_uncertainty_without_field() -> None:
    """At standstill currents, amplitude and R0 alone make the uncertainty (GUM 5.1.2)."""
    inputs = Measured(36e-6 / 51e-3, 1e-6), Measured(-36e-6 / 51e-3, 1e-6)
    source = Source(Measured(36, 0.3), Measured(31e3, 50.0), 0.5)
    found = solve(HalfCycles(*inputs, exact(0), exact(0)), source).fault_resistance_ohm
    i_p, i_n, e, r0 = (
        ufloat(m.value, m.u) for m in (*inputs, source.amplitude_v, source.source_resistance_ohm)
    )
    assert (2 * e / (i_p - i_n) - r0).s == pytest.approx(found.u, rel=1e-9)


@pytest.mark.parametrize(("excess", "rf"), [(1.0, 0.0), (2.0, -15.5e3)])
def test_currents_of_a_dead_fault_and_beyond(excess: float, rf: float) -> None:
    """A difference of 2E/R0 is zero resistance, a larger one a negative resistance as it is."""
    half_a = excess * 36 / 31e3
    solution = solve(exact_half_cycles(half_a, -half_a, 0, 0), exact_source(36, 31e3, 0.5))
    assert rf == pytest.approx(solution.fault_resistance_ohm.value, abs=1e-6)


NETWORKS = [
    (24.0, Coupling(None, 0.0, 12e3), 12e3, 0.0),
    (36.0, Coupling(60e3, 60e3, 1e3), 31e3, 0.5),
    (36.0, Coupling(80e3, 40e3, 1e3), 83e3 / 3, 1 / 3),
]


@pytest.mark.parametrize(("e", "coupling", "r0", "beta"), NETWORKS)
@pytest.mark.parametrize(
    ("fault_ohm", "location_pu", "v_p", "v_n"),
    [(2e3, 0.0, 300.0, 300.0), (20e3, 0.137, 250.0, 230.0), (500e3, 1.0, -200.0, -210.0)],
)
def test_agrees_with_a_network_of_a_thousand_segments(
    e: float,
    coupling: Coupling,
    r0: float,
    beta: float,
    fault_ohm: float,
    location_pu: float,
    v_p: float,
    v_n: float,
) -> None:
    """A network with every segment and coupling resistor in it is read back as it was built."""
    i_p = network_current_a(e, v_p, coupling, fault_ohm, location_pu)
    i_n = network_current_a(-e, v_n, coupling, fault_ohm, location_pu)
    solution = solve(exact_half_cycles(i_p, i_n, v_p, v_n), exact_source(e, r0, beta))
    # The winding's own ohm is in the network and not in the formula.
    assert fault_ohm == pytest.approx(solution.fault_resistance_ohm.value, rel=1e-3, abs=1.0)
    assert location_pu == pytest.approx(_place(solution).value, abs=2e-5)


volts = st.floats(-800, 800)


@given(
    e=st.floats(5, 100),
    r0=st.floats(1e3, 1e5),
    beta=st.floats(0, 1),
    rf=st.floats(0, 5e7),
    alpha=st.floats(0, 1),
    v_p=volts,
    v_n=volts,
)
def test_every_fault_comes_back(
    e: float, r0: float, beta: float, rf: float, alpha: float, v_p: float, v_n: float
) -> None:
    """Whatever fault drives the currents, it is found again, wherever it sits."""
    assume(abs(v_p + v_n) > 10)
    i_p = loop_current_a(e, v_p, r0 + rf, alpha, beta)
    i_n = loop_current_a(-e, v_n, r0 + rf, alpha, beta)
    solution = solve(exact_half_cycles(i_p, i_n, v_p, v_n), exact_source(e, r0, beta))
    assert r0 + rf == pytest.approx(solution.fault_resistance_ohm.value + r0, rel=1e-8)
    assert alpha == pytest.approx(_place(solution).value, abs=1e-8)


@given(rf=st.floats(0, 5e7), alpha=st.floats(0, 1), rest_v=st.floats(-20, 20))
def test_without_field_the_rest_of_it_is_inside_the_uncertainty(
    rf: float, alpha: float, rest_v: float
) -> None:
    """A field voltage too small to use costs the place, and no more than is said in resistance."""
    source = exact_source(36, 31e3, 0.5)
    v_p, v_n = Measured(rest_v, 1.0), Measured(-rest_v, 1.0)
    i_p = loop_current_a(36, rest_v, 31e3 + rf, alpha, 0.5)
    i_n = loop_current_a(-36, -rest_v, 31e3 + rf, alpha, 0.5)
    solution = solve(HalfCycles(exact(i_p), exact(i_n), v_p, v_n), source)
    assert None is solution.fault_location_pu
    error = abs(solution.fault_resistance_ohm.value - rf)
    assert error <= 2 * solution.fault_resistance_ohm.u + 1e-6


@pytest.mark.parametrize(
    ("rf_kohm", "percent"),
    # Relative u(Rf) from 1 uA in each half-cycle alone, worked after GUM 5.1.2.
    [(1, 2.0113), (10, 0.3302), (31, 0.2436), (100, 0.3371), (1e3, 2.0879), (1e4, 19.7638)],
)
def test_current_noise_alone(rf_kohm: float, percent: float) -> None:
    """1 uA in each half-cycle gives the published relative uncertainty at every resistance."""
    i_p, i_n = (loop_current_a(e, 300, 31e3 + rf_kohm * 1e3, 0.2, 0.5) for e in (36, -36))
    half_cycles = HalfCycles(Measured(i_p, 1e-6), Measured(i_n, 1e-6), exact(300), exact(300))
    found = solve(half_cycles, exact_source(36, 31e3, 0.5)).fault_resistance_ohm
    assert percent == pytest.approx(100 * found.u / found.value, abs=6e-5)


def test_worked_uncertainty_budget() -> None:
    """A budget worked after GUM 5.1.2 is met: 61.623 ohm, and the place without Uf."""
    i_p, i_n = (loop_current_a(e, 300, 51e3, 0.2, 0.5) for e in (36, -36))
    half_cycles = HalfCycles(Measured(i_p, 1e-6), Measured(i_n, 1e-6), exact(300), exact(300))
    source = Source(Measured(36, 0.036 / sqrt(3)), Measured(31e3, 31 / sqrt(3)), 0.5)
    solution = solve(half_cycles, source)
    assert 61.623 == pytest.approx(solution.fault_resistance_ohm.u, abs=1e-3)
    assert hypot(1.732e-4, 2.975e-4, 1.275e-4) == pytest.approx(_place(solution).u, rel=1e-3)


@given(
    rf=st.floats(100, 5e6),
    alpha=st.floats(0, 1),
    v_p=st.floats(20, 500),
    v_n=st.floats(20, 500),
    u=st.tuples(*[st.floats(1e-3, 1)] * 6),
)
def test_propagation_as_another_library_does_it(
    rf: float, alpha: float, v_p: float, v_n: float, u: tuple[float, ...]
) -> None:
    """Automatic differentiation of the same circuit finds the same standard uncertainties."""
    scales = (1e-6, 1e-6, 1.0, 1.0, 0.1, 50.0)
    values = (
        loop_current_a(36, v_p, 31e3 + rf, alpha, 0.5),
        loop_current_a(-36, v_n, 31e3 + rf, alpha, 0.5),
        v_p,
        v_n,
        36.0,
        31e3,
    )
    inputs = [Measured(v, s * scale) for v, s, scale in zip(values, u, scales, strict=True)]
    solution = solve(HalfCycles(*inputs[:4]), Source(inputs[4], inputs[5], 0.5))
    i_p, i_n, u_p, u_n, e, r0 = (ufloat(m.value, m.u) for m in inputs)
    conductance = (i_p * u_n - i_n * u_p) / (e * (u_p + u_n))
    resistance = 1 / conductance - r0
    place = 0.5 + (i_p + i_n) / ((u_p + u_n) * conductance)
    assert conductance.s == pytest.approx(solution.loop_conductance_s.u, rel=1e-6, abs=1e-15)
    assert resistance.s == pytest.approx(solution.fault_resistance_ohm.u, rel=1e-6, abs=1e-3)
    assert place.s == pytest.approx(_place(solution).u, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize(("v_p", "v_n"), [(300.0, 330.0), (0.0, 0.0)])
def test_twice_the_uncertainty_covers_95_percent(v_p: float, v_n: float) -> None:
    """With field, k = 2 covers about 95 % of random draws; without, where bounds stand in, more."""
    draws, rf, alpha = 8_000, 20e3, 0.2
    i_p = loop_current_a(36, v_p, 31e3 + rf, alpha, 0.5)
    i_n = loop_current_a(-36, v_n, 31e3 + rf, alpha, 0.5)
    truth = np.array([i_p, i_n, v_p, v_n, 36.0, 31e3])
    u = np.array([1e-6, 1e-6, 1.0, 1.0, 0.02, 18.0])
    covered_rf = covered_place = 0
    for row in np.random.default_rng(7).normal(truth, u, (draws, 6)):
        *cycles, e, r0 = (Measured(float(v), float(s)) for v, s in zip(row, u, strict=True))
        solution = solve(HalfCycles(*cycles), Source(e, r0, 0.5))
        found, place = solution.fault_resistance_ohm, solution.fault_location_pu
        covered_rf += abs(found.value - rf) <= 2 * found.u
        covered_place += place is not None and abs(place.value - alpha) <= 2 * place.u
    if v_p == 0:
        assert covered_rf / draws >= 0.9545
        return
    # 95.45 % of a normal distribution; 8000 draws scatter by 0.23 %.
    assert 0.9545 == pytest.approx(covered_rf / draws, abs=0.009)
    assert 0.9545 == pytest.approx(covered_place / draws, abs=0.009)


def _place(solution: Solution) -> Measured:
    assert solution.fault_location_pu is not None
    return solution.fault_location_pu
