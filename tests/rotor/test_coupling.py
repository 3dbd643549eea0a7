"""The coupling network of a pulse source, against worked numbers, a network and other maths."""

from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat  # type: ignore[import-untyped]

from gateway.rotor import coupling
from gateway.rotor.coupling import Coupling
from gateway.rotor.measured import Measured
from tests.rotor import circuits
from tests.rotor.circuits import exact

SYMMETRIC = Coupling(exact(60e3), exact(60e3), exact(1e3))
UNEQUAL = Coupling(exact(80e3), exact(40e3), exact(1e3))
NEGATIVE_END = Coupling(None, exact(0.0), exact(12e3))
POSITIVE_END = Coupling(exact(2e3), None, exact(10e3))

ohms = st.floats(100, 1e6)
places = st.floats(0, 1)
volts = st.floats(-800, 800).filter(lambda v: abs(v) > 10)
parts = st.floats(1e-3, 0.1)


@pytest.mark.parametrize(
    ("network", "r0", "beta"),
    [
        (SYMMETRIC, 31e3, 0.5),
        (UNEQUAL, 27666.667, 1 / 3),
        (NEGATIVE_END, 12e3, 0.0),
        (POSITIVE_END, 12e3, 1.0),
    ],
)
def test_network_is_one_source_at_a_tap(network: Coupling, r0: float, beta: float) -> None:
    """R0 and tap are those worked by hand from Thevenin's theorem."""
    found = coupling.source(network, exact(36.0))
    assert r0 == pytest.approx(found.source_resistance_ohm.value, abs=1e-3)
    assert beta == pytest.approx(found.tap_pu, abs=1e-12)


@pytest.mark.parametrize(
    ("network", "e", "field_v", "alpha", "rf", "i_p", "i_n"),
    # Rows worked from Kirchhoff's laws apart from this code; currents with their printed digits.
    [
        (NEGATIVE_END, 24, 250, 0.3, 10e3, 4.500000e-3, 2.318182e-3),
        (NEGATIVE_END, 24, 400, 0.75, 2e3, 23.142857e-3, 19.714286e-3),
        (NEGATIVE_END, 24, 125, 0.0, 50e3, 0.387097e-3, -0.387097e-3),
        (NEGATIVE_END, 24, 60, 1.0, 500e3, 0.164062e-3, 0.070312e-3),
        (SYMMETRIC, 36, 300, 0.2, 5e3, -1500.0e-6, -3500.0e-6),
        (SYMMETRIC, 36, 300, 0.5, 5e3, 1000.0e-6, -1000.0e-6),
        (SYMMETRIC, 36, 480, 0.9, 80e3, 2054.0541e-6, 1405.4054e-6),
        (SYMMETRIC, 36, 110, 0.0, 1e3, -593.75e-6, -2843.75e-6),
        (UNEQUAL, 36, 300, 0.2, 5e3, -122.4490e-6, -2326.5306e-6),
    ],
)
def test_worked_currents(
    network: Coupling, e: float, field_v: float, alpha: float, rf: float, i_p: float, i_n: float
) -> None:
    """Every worked row gives both of its currents."""
    found = coupling.half_cycles(network, exact(e), alpha, rf, exact(field_v), exact(field_v))
    assert i_p == pytest.approx(found.current_positive_a.value, abs=6e-10)
    assert i_n == pytest.approx(found.current_negative_a.value, abs=6e-10)


@pytest.mark.parametrize(
    ("network", "same"),
    [
        (SYMMETRIC, circuits.Coupling(60e3, 60e3, 1e3)),
        (UNEQUAL, circuits.Coupling(80e3, 40e3, 1e3)),
        (NEGATIVE_END, circuits.Coupling(None, 0.0, 12e3)),
    ],
)
@pytest.mark.parametrize(("alpha", "rf"), [(0.0, 2e3), (0.137, 20e3), (1.0, 500e3)])
def test_agrees_with_a_network_of_a_thousand_segments(
    network: Coupling, same: circuits.Coupling, alpha: float, rf: float
) -> None:
    """Nodal analysis with every resistor in it gives the same two currents."""
    found = coupling.half_cycles(network, exact(36.0), alpha, rf, exact(250.0), exact(-230.0))
    for e, field_v, current in (
        (36.0, 250.0, found.current_positive_a),
        (-36.0, -230.0, found.current_negative_a),
    ):
        expected = circuits.network_current_a(e, field_v, same, rf, alpha)
        assert expected == pytest.approx(current.value, rel=1e-3, abs=1e-9)


def test_no_fault_draws_no_current() -> None:
    """A perfect winding draws nothing, whatever the field voltage."""
    found = coupling.half_cycles(UNEQUAL, exact(36.0), 0.2, inf, exact(300.0), exact(300.0))
    assert (0.0, 0.0) == (found.current_positive_a.value, found.current_negative_a.value)


@given(p=ohms, n=ohms, m=ohms, alpha=places, rf=st.floats(0, 5e6), v_p=volts, v_n=volts)
def test_fault_comes_back(
    p: float, n: float, m: float, alpha: float, rf: float, v_p: float, v_n: float
) -> None:
    """Whatever fault drives the currents through whatever network, it is found again."""
    network = Coupling(exact(p), exact(n), exact(m))
    field = (exact(v_p), exact(abs(v_n) if v_p > 0 else -abs(v_n)))
    currents = coupling.half_cycles(network, exact(36.0), alpha, rf, *field)
    found = coupling.solve(currents, network, exact(36.0))
    assert found.fault_location_pu is not None
    assert alpha == pytest.approx(found.fault_location_pu.value, abs=1e-7)
    assert rf == pytest.approx(found.fault_resistance_ohm.value, rel=1e-7, abs=1e-2)


@given(p=ohms, n=ohms, m=ohms, alpha=places, rf=ohms, field_v=volts)
def test_swapped_ends_swap_the_winding(
    p: float, n: float, m: float, alpha: float, rf: float, field_v: float
) -> None:
    """Named from its other end, the same circuit draws the same currents."""
    one = coupling.half_cycles(
        Coupling(exact(p), exact(n), exact(m)), exact(36.0), alpha, rf, exact(field_v), exact(0.0)
    )
    other = coupling.half_cycles(
        Coupling(exact(n), exact(p), exact(m)), exact(36), 1 - alpha, rf, exact(-field_v), exact(0)
    )
    expected = one.current_positive_a.value
    assert expected == pytest.approx(other.current_positive_a.value, rel=1e-9, abs=1e-12)


@given(p=ohms, n=ohms, m=ohms, alpha=places, rf=ohms, field_v=volts, u=st.tuples(*[parts] * 5))
def test_uncertainty_of_the_parts_as_another_library_carries_it(
    p: float, n: float, m: float, alpha: float, rf: float, field_v: float, u: tuple[float, ...]
) -> None:
    """Automatic differentiation of the same network finds the same uncertainty of the current."""
    values = (p, n, m, 36.0, field_v)
    given_parts = [Measured(v, abs(v) * s) for v, s in zip(values, u, strict=True)]
    network = Coupling(*given_parts[:3])
    found = coupling.half_cycles(network, given_parts[3], alpha, rf, given_parts[4], exact(0.0))
    rp, rn, rm, e, field = (ufloat(g.value, g.u) for g in given_parts)
    expected = (e + (alpha - rn / (rp + rn)) * field) / (rm + rp * rn / (rp + rn) + rf)
    assert expected.s == pytest.approx(found.current_positive_a.u, rel=1e-6)


def test_uncertainty_of_the_tap_is_in_the_location() -> None:
    """Resistors of 1 % move the place as they move the tap, worked after GUM 5.1.2."""
    sloppy = Coupling(Measured(60e3, 600.0), Measured(60e3, 600.0), exact(1e3))
    currents = coupling.half_cycles(SYMMETRIC, exact(36.0), 0.2, 5e3, exact(300.0), exact(300.0))
    found = coupling.solve(currents, sloppy, exact(36.0))
    assert found.fault_location_pu is not None
    # beta = RN/(RP + RN): 0.25 * 1 % * sqrt(2); R0 = 31 kohm: 600/4 ohm * sqrt(2).
    assert 0.0035355 == pytest.approx(found.fault_location_pu.u, abs=1e-7)
    assert 212.132 == pytest.approx(found.fault_resistance_ohm.u, abs=1e-3)


@pytest.mark.parametrize(
    ("network", "told"),
    [
        (Coupling(None, None, exact(1e3)), "touches the winding nowhere"),
        (Coupling(exact(0.0), exact(0.0), exact(1e3)), "shorts the winding"),
    ],
)
def test_impossible_networks_are_refused(network: Coupling, told: str) -> None:
    """A network that cannot be built is refused with a reason."""
    with pytest.raises(ValueError, match=told):
        coupling.source(network, exact(36.0))
