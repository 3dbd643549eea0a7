"""Two faults and more: worked numbers, networks solved by nodes, and what must always hold."""

from math import inf, isinf, sqrt

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from uncertainties import correlated_values, ufloat  # type: ignore[import-untyped]

from gateway.rotor.measured import Measured
from gateway.rotor.pulse_injection import Source
from gateway.rotor.second_fault import (
    Fault,
    Finding,
    ForgingCurrent,
    Leakage,
    combined_fault,
    fault_of,
    forging_current_at_constant_current,
    forging_current_at_constant_voltage,
    leakage_of,
    leakage_of_loop,
    second_fault,
    single_fault_power_w,
)
from tests.rotor.circuits import Coupling, exact, network_current_a

ohms = st.floats(100.0, 1e6)
places = st.floats(0.0, 1.0)


def exact_fault(resistance_ohm: float, location_pu: float) -> Fault:
    return Fault(exact(resistance_ohm), exact(location_pu))


def looks(*faults: Fault) -> Fault:
    found = combined_fault(*faults)
    assert found is not None
    return found


def leak(fault: Fault) -> Leakage:
    found = leakage_of(fault)
    assert found is not None
    return found


def seen(fault: Fault) -> tuple[float, float]:
    return fault.resistance_ohm.value, fault.location_pu.value


def told(first: Fault, apparent: Fault) -> Fault:
    found = second_fault(first, apparent)
    assert Finding.SECOND_FAULT == found.finding, found.text
    assert found.fault is not None
    return found.fault


# Worked apart from this code: alpha1, R1, alpha2, R2 [ohm], what both look like [ohm, pu].
PAIRS = [
    (0.3, 20e3, 0.8, 5e3, 4000.0, 0.7),
    (0.1, 10e3, 0.9, 10e3, 5000.0, 0.5),  # the trap: reads as the middle of the winding
    (0.5, 50e3, 0.05, 2e3, 1923.0769, 0.067308),
    (0.25, 8e3, 0.25, 8e3, 4000.0, 0.25),
]


@pytest.mark.parametrize(("a1", "r1", "a2", "r2", "r_app", "a_app"), PAIRS)
def test_worked_pairs(
    a1: float, r1: float, a2: float, r2: float, r_app: float, a_app: float
) -> None:
    """Each pair looks as worked out, and the second fault is found again."""
    first, both = exact_fault(r1, a1), looks(exact_fault(r1, a1), exact_fault(r2, a2))
    assert (r_app, a_app) == pytest.approx(seen(both), rel=1e-5)
    assert (r2, a2) == pytest.approx(seen(told(first, both)), rel=1e-6)
    assert (r2, a2) == pytest.approx(seen(told(first, exact_fault(r_app, a_app))), rel=1e-4)


def test_three_faults_look_like_one() -> None:
    """30, 60 and 20 kohm at 0.1, 0.5 and 0.9 read 10 kohm at 0.566667."""
    three = looks(exact_fault(30e3, 0.1), exact_fault(60e3, 0.5), exact_fault(20e3, 0.9))
    assert (10e3, 0.566667) == pytest.approx(seen(three), abs=5e-7, rel=1e-6)


def test_conditioning_of_a_large_second_fault() -> None:
    """1 % of the apparent resistance makes 200 kohm read 180000 to 224444 ohm, and is not told."""
    first, r_app = exact_fault(20e3, 0.5), 18181.8182
    ends = [told(first, exact_fault(r_app * (1 + e), 0.5)).resistance_ohm.value for e in (-1e-2, 0)]
    assert (180000, 200000) == pytest.approx(ends, rel=1e-4)
    upper = told(first, exact_fault(r_app * 1.01, 0.5)).resistance_ohm.value
    assert 224444 == pytest.approx(upper, rel=1e-4)
    # u(R2)/R2 = (R2/Rapp)*u(Rapp)/Rapp: 0.1 % becomes 1.1 %.
    fine = Fault(Measured(r_app, r_app * 1e-3), exact(0.5))
    assert 0.011 * 200e3 == pytest.approx(told(first, fine).resistance_ohm.u, rel=1e-3)


@pytest.mark.parametrize(("relative", "finding"), [(0.029, "SECOND_FAULT"), (0.031, "NOT_TOLD")])
def test_three_u_is_the_limit(relative: float, finding: str) -> None:
    """A second fault is told when 1/Rapp - 1/R1 exceeds 3 u, and not before."""
    first = exact_fault(20e3, 0.3)
    both = looks(first, exact_fault(200e3, 0.8))  # 1/R2 is 1/11 of 1/Rapp
    r = both.resistance_ohm.value
    found = second_fault(first, Fault(Measured(r, relative * r), both.location_pu))
    # At 3 u: u(Rapp)/Rapp = (1/11)/3 = 3.03 %.
    assert Finding[finding] == found.finding
    assert (found.fault is None) == (finding == "NOT_TOLD")


def test_uncertainty_agrees_with_another_library() -> None:
    """With small uncertainties R2 and alpha2 have those of automatic differentiation."""
    cov1, cov2 = 0.6 * 2.0 * 1e-4, -0.5 * 1.0 * 2e-4
    first = Fault(Measured(20e3, 2.0), Measured(0.3, 1e-4), cov1)
    apparent = Fault(Measured(4e3, 1.0), Measured(0.7, 2e-4), cov2)
    r1, a1 = correlated_values([20e3, 0.3], [[4.0, cov1], [cov1, 1e-8]])
    r, a = correlated_values([4e3, 0.7], [[1.0, cov2], [cov2, 4e-8]])
    r2 = 1 / (1 / r - 1 / r1)
    a2 = r2 * (a / r - a1 / r1)
    found = told(first, apparent)
    assert r2.s == pytest.approx(found.resistance_ohm.u, rel=1e-4)
    assert a2.s == pytest.approx(found.location_pu.u, rel=1e-4)
    expected = sum(r2.derivatives[v] * a2.derivatives[v] * v.s**2 for v in r2.derivatives)
    assert expected == pytest.approx(found.covariance_ohm, rel=1e-4)


@pytest.mark.parametrize("ratio", [4.0, 6.0])
def test_uncertainty_near_the_limit_is_no_promise(ratio: float) -> None:
    """Where 1/R2 is barely told, the stated u holds the middle two thirds of what may be read."""
    rng = np.random.default_rng(7)
    g2, u_g = 1 / 50e3, 1 / 50e3 / ratio
    draws_g = rng.normal(1 / 20e3 + g2, u_g, 100_000)
    first = exact_fault(20e3, 0.4)
    now = Fault(Measured(1 / (1 / 20e3 + g2), u_g / (1 / 20e3 + g2) ** 2), exact(0.4))
    found = told(first, now)
    read = 1 / (draws_g - 1 / 20e3)
    inside = np.mean(np.abs(read - found.resistance_ohm.value) <= found.resistance_ohm.u)
    assert 0.66 <= float(inside) <= 0.85


def test_place_outside_is_a_contradiction() -> None:
    """A second fault beyond the positive end means that the first one has changed, in words."""
    first = Fault(Measured(20e3, 20.0), Measured(0.3, 0.002))
    found = second_fault(first, Fault(Measured(15e3, 15.0), Measured(0.95, 0.002)))
    assert Finding.CONTRADICTION == found.finding
    assert None is found.fault
    assert "at 2.900, beyond the positive end of the winding: the first" in found.text


@pytest.mark.parametrize("place", [0.09, 0.4])
def test_a_moved_place_below_the_winding_is_a_contradiction(place: float) -> None:
    """The other end is guarded as well, and what lies inside is told."""
    first = Fault(Measured(20e3, 20.0), Measured(0.3, 0.002))
    found = second_fault(first, Fault(Measured(10e3, 10.0), Measured(place, 0.002)))
    inside = 2 * place - 0.3  # equal conductances: the mean of both places
    assert (Finding.SECOND_FAULT if inside > 0 else Finding.CONTRADICTION) == found.finding


@pytest.mark.parametrize(("place", "end"), [(0.4, "positive"), (0.2, "negative")])
def test_a_fault_that_only_moved_is_a_contradiction(place: float, end: str) -> None:
    """The same resistance at another place is no second fault, nor is it nothing."""
    first = Fault(Measured(20e3, 20.0), Measured(0.3, 0.002))
    found = second_fault(first, Fault(Measured(20e3, 20.0), Measured(place, 0.002)))
    assert Finding.CONTRADICTION == found.finding
    assert f"would lie beyond the {end} end of the winding" in found.text


def test_a_place_outside_is_told_whatever_the_resistance() -> None:
    """A vague resistance does not hide that an exact place cannot be: both err together."""
    # 1/R2 = 150 uS and alpha2/R2 = 155 uS, 5 uS beyond; u is (1 - 0.9)*5 % of 200 uS, 1 uS.
    first, now = exact_fault(20e3, 0.5), Fault(Measured(5e3, 250.0), exact(0.9))
    assert Finding.CONTRADICTION == second_fault(first, now).finding


def test_fallen_conductance_is_a_contradiction() -> None:
    """A resistance that has risen cannot be explained by one more fault."""
    first = Fault(Measured(10e3, 10.0), Measured(0.3, 0.01))
    found = second_fault(first, Fault(Measured(20e3, 20.0), Measured(0.3, 0.01)))
    assert Finding.CONTRADICTION == found.finding
    assert "has fallen by 5e-05 S" in found.text


def test_a_place_just_outside_within_u_is_told() -> None:
    """A fault at the very end may read beyond it."""
    first = exact_fault(20e3, 0.5)
    both = looks(first, exact_fault(5e3, 1.0))
    read = Fault(both.resistance_ohm, Measured(both.location_pu.value + 0.01, 0.01))
    assert 1.0 < told(first, read).location_pu.value < 1.02


@pytest.mark.parametrize(
    ("r1", "r_app", "which"),
    [
        (exact(inf), exact(5e3), "first"),
        (exact(20e3), Measured(10.0, 5.0), "apparent"),
        (exact(20e3), exact(-10.0), "apparent"),
    ],
)
def test_nothing_to_compare(r1: Measured, r_app: Measured, which: str) -> None:
    """A resistance that is not told from zero or infinity gives no second fault, and says which."""
    found = second_fault(Fault(r1, exact(0.5)), Fault(r_app, exact(0.5)))
    assert Finding.NOT_TOLD == found.finding
    assert f"the {which} fault resistance cannot be told" in found.text
    assert None is found.fault


def test_dead_faults_are_not_combined() -> None:
    """A fault of no ohms hides every other one."""
    assert None is combined_fault(exact_fault(0.0, 0.5), exact_fault(5e3, 0.2))
    assert None is combined_fault(exact_fault(5e3, 0.2), exact_fault(0.0, 0.5))


@given(ohms, places, ohms, places)
def test_inverse_of_forward_is_identity(r1: float, a1: float, r2: float, a2: float) -> None:
    """Whatever the two faults, the second one comes back."""
    first = exact_fault(r1, a1)
    found = told(first, looks(first, exact_fault(r2, a2)))
    assert (r2, a2) == pytest.approx(seen(found), rel=1e-6, abs=1e-6)


@given(ohms, places, ohms, places, st.floats(0.01, 100.0))
def test_mirror_and_scale(r1: float, a1: float, r2: float, a2: float, factor: float) -> None:
    """Counting from the other end mirrors the place; other units scale resistances, not places."""
    r, a = seen(looks(exact_fault(r1, a1), exact_fault(r2, a2)))
    mirrored = looks(exact_fault(r1, 1 - a1), exact_fault(r2, 1 - a2))
    scaled = looks(exact_fault(r1 * factor, a1), exact_fault(r2 * factor, a2))
    assert (r, 1 - a) == pytest.approx(seen(mirrored), abs=1e-9)
    assert (r * factor, a) == pytest.approx(seen(scaled), rel=1e-9)


@given(ohms, places, ohms, places, st.floats(1e-4, 1e-2))
def test_uncertainty_mirrors_too(r1: float, a1: float, r2: float, a2: float, u: float) -> None:
    """The end from which places are counted changes no uncertainty."""

    def found(mirror: bool) -> Fault:
        places = (1 - a1, 1 - a2) if mirror else (a1, a2)
        return looks(
            *(
                Fault(Measured(r, r * u), Measured(p, u))
                for r, p in zip((r1, r2), places, strict=True)
            )
        )

    one, other = found(False), found(True)
    # Terms of higher order are not told to the last digit.
    assert one.resistance_ohm.u == pytest.approx(other.resistance_ohm.u, rel=1e-3)
    assert one.location_pu.u == pytest.approx(other.location_pu.u, rel=1e-3)


@given(ohms, places, ohms, places, ohms)
def test_more_faults_always_read_lower(
    r1: float, a1: float, r2: float, a2: float, r3: float
) -> None:
    """Each further fault lowers the resistance and draws the place towards itself."""
    both = looks(exact_fault(r1, a1), exact_fault(r2, a2))
    more = looks(exact_fault(r1, a1), exact_fault(r2, a2), exact_fault(r3, 1.0))
    assert more.resistance_ohm.value < both.resistance_ohm.value < min(r1, r2)
    assert both.location_pu.value <= more.location_pu.value + 1e-12
    assert min(a1, a2) - 1e-9 <= both.location_pu.value <= max(a1, a2) + 1e-9


@pytest.mark.parametrize(("a1", "r1", "a2", "r2", "r_app", "a_app"), PAIRS)
def test_networks_agree_that_faults_add(
    a1: float, r1: float, a2: float, r2: float, r_app: float, a_app: float
) -> None:
    """With nothing in series the currents of two single-fault networks make that of the pair."""
    straight = Coupling(None, 0.0, 1e-3)  # the winding's own ohm costs 3e-5 of the current
    parts = [network_current_a(36, 300, straight, r, a) for r, a in ((r1, a1), (r2, a2))]
    r, a = seen(looks(exact_fault(r1, a1), exact_fault(r2, a2)))
    assert sum(parts) == pytest.approx((36 + a * 300) / r, rel=5e-5)
    assert sum(parts) == pytest.approx((36 + a_app * 300) / r_app, rel=5e-5)


def forging_network(
    faults: list[tuple[float, float]], rf: float, supply: float, voltage: bool, n: int = 1000
) -> tuple[list[float], float]:
    """Fault currents out of the winding and the exciter's current, by nodes of a whole winding."""
    size = n + 3  # n + 1 nodes of the winding, the forging, and the exciter's current
    a, b = np.zeros((size, size)), np.zeros(size)

    def resistor(i: int, k: int, ohm: float) -> None:
        for p, q in ((i, k), (k, i)):
            a[p, p] += 1 / ohm
            a[p, q] -= 1 / ohm

    for k in range(n):
        resistor(k, k + 1, rf / n)
    for r, place in faults:
        resistor(round(place * n), n + 1, r)
    a[0, :], b[0] = 0.0, 0.0
    a[0, 0] = 1.0  # the negative end is the reference
    a[n, n + 2] = -1.0
    a[n + 2, n if voltage else n + 2], b[n + 2] = 1.0, supply
    v = np.linalg.solve(a, b)
    return [float((v[round(p * n)] - v[n + 1]) / r) for r, p in faults], float(v[n + 2])


def forging(uf: float, rf: float, d: float, r: float, share: float = 0.5) -> ForgingCurrent:
    found = forging_current_at_constant_voltage(
        exact_fault(r * share, 0.1), exact_fault(r * (1 - share), 0.1 + d), exact(uf), exact(rf)
    )
    assert found is not None
    return found


# Uf, rf, distance, R1 + R2, I at constant voltage, I at constant current, total power.
FORGING = [
    (300, 0.3, 0.5, 25e3, 0.00599998, 0.00599996, 0.899995),
    (400, 0.5, 0.8, 20e3, 0.0159999, 0.0159997, 5.11996),
    (300, 0.3, 0.5, 100, 1.49888, 1.49775, 224.663),
    (300, 0.3, 0.5, 1, 139.535, 130.435, 19470),
    (300, 0.3, 0.5, 20e-3, 1578.95, 882.353, 49861.5),
    (120, 0.4, 0.5, 0.1, 300, 200, 9000),
]


@pytest.mark.parametrize(("uf", "rf", "d", "r", "i_u", "i_i", "power"), FORGING)
def test_worked_forging_currents(
    uf: float, rf: float, d: float, r: float, i_u: float, i_i: float, power: float
) -> None:
    """Current and power through the forging are those worked out, and those of the network."""
    faults = [(0.3 * r, 0.1), (0.7 * r, 0.1 + d)]
    first, second = (exact_fault(*f) for f in faults)
    at_u = forging(uf, rf, d, r, share=0.3)
    at_i = forging_current_at_constant_current(first, second, exact(uf / rf), exact(rf))
    assert at_i is not None
    assert i_u == pytest.approx(at_u.current_a.value, rel=5e-6)
    assert i_i == pytest.approx(at_i.current_a.value, rel=5e-6)
    total = at_u.power_first_w.value + at_u.power_second_w.value
    assert power == pytest.approx(total, rel=3e-5)
    assert 3 / 7 == pytest.approx(at_u.power_first_w.value / at_u.power_second_w.value)
    for found, supply, voltage in ((at_u, uf, True), (at_i, uf / rf, False)):
        currents, exciter = forging_network(faults, rf, supply, voltage)
        assert currents[1] == pytest.approx(found.current_a.value, rel=1e-6)
        assert -currents[0] == pytest.approx(found.current_a.value, rel=1e-6)
        assert exciter == pytest.approx(found.field_current_a.value, rel=1e-6)
        turns = (exciter - d * currents[1]) / (uf / rf)
        assert turns == pytest.approx(found.ampere_turns_pu.value, rel=1e-6)


def test_worst_power() -> None:
    """300 V, 0.3 ohm, half the winding: 75 kW at 75 mohm, and never more."""
    worst = forging(300, 0.3, 0.5, 25e3).worst_power_w
    assert worst is not None
    assert 75000.0 == pytest.approx(worst.value)
    at_worst = forging(300, 0.3, 0.5, 0.075)
    assert 75000.0 == pytest.approx(at_worst.power_first_w.value + at_worst.power_second_w.value)


def test_worst_power_at_constant_current() -> None:
    """A quarter of what the shorted part takes, at a resistance equal to its own."""
    one, other = exact_fault(0.075, 0.2), exact_fault(0.075, 0.7)
    found = forging_current_at_constant_current(one, other, exact(1000.0), exact(0.3))
    assert found is not None
    assert found.worst_power_w is not None
    assert 37500.0 == pytest.approx(found.worst_power_w.value)
    assert 37500.0 == pytest.approx(found.power_first_w.value + found.power_second_w.value)


def test_solid_faults() -> None:
    """Half the winding shorted: 2000 A instead of 1000 A, or the whole 1000 A in the forging."""
    at_u = forging(300, 0.3, 0.5, 0.0)
    assert 2000.0 == pytest.approx(at_u.field_current_a.value)
    assert 1.0 == at_u.ampere_turns_pu.value
    one, other = exact_fault(0.0, 0.2), exact_fault(0.0, 0.7)
    at_i = forging_current_at_constant_current(one, other, exact(1000.0), exact(0.3))
    assert at_i is not None
    assert 1000.0 == pytest.approx(at_i.current_a.value)
    assert 0.5 == pytest.approx(at_i.ampere_turns_pu.value)


def test_faults_at_both_ends() -> None:
    """Faults at both ends short the exciter itself, and only it limits the power."""
    found = forging_current_at_constant_voltage(
        exact_fault(10.0, 0.0), exact_fault(5.0, 1.0), exact(300.0), exact(0.3)
    )
    assert found is not None
    assert 20.0 == pytest.approx(found.current_a.value)
    assert None is found.worst_power_w
    near = forging_current_at_constant_voltage(
        Fault(exact(0.0), Measured(0.0, 0.01)), exact_fault(0.0, 0.999), exact(300.0), exact(0.3)
    )
    assert near is not None
    assert near.worst_power_w is not None
    assert isinf(near.worst_power_w.u)


def test_same_place_carries_nothing_for_certain() -> None:
    """Between faults at one place flows nothing, and as much as their places are uncertain."""
    none = forging_current_at_constant_voltage(
        exact_fault(0.0, 0.4), exact_fault(0.0, 0.4), exact(300.0), exact(0.3)
    )
    assert none is not None
    assert (0.0, 0.0) == (none.current_a.value, none.power_first_w.value)
    one = Fault(exact(50.0), Measured(0.4, 0.01))
    near = forging_current_at_constant_voltage(one, one, exact(300.0), exact(0.3))
    assert near is not None
    assert 0.01 * sqrt(2) * 300 / 100 == pytest.approx(near.current_a.u, rel=0.01)
    assert near.power_first_w.u > 0.05


def test_no_field_no_answer() -> None:
    """Without a field resistance or a field current there is nothing to compute with."""
    one, other = exact_fault(1.0, 0.2), exact_fault(1.0, 0.6)
    vague = Measured(0.3, 0.2)
    assert None is forging_current_at_constant_voltage(one, other, exact(300.0), vague)
    assert None is forging_current_at_constant_current(one, other, exact(0.0), exact(0.3))


def test_forging_uncertainty_agrees_with_another_library() -> None:
    """Small uncertainties of all six inputs, two of them correlated, are carried through."""
    cov = 0.5 * 0.01 * 1e-4
    first = Fault(Measured(10.0, 0.01), Measured(0.2, 1e-4), cov)
    second = Fault(Measured(5.0, 0.02), Measured(0.9, 2e-4))
    found = forging_current_at_constant_voltage(
        first, second, Measured(300.0, 0.3), Measured(0.3, 3e-4)
    )
    assert found is not None
    r1, a1 = correlated_values([10.0, 0.2], [[1e-4, cov], [cov, 1e-8]])
    r2, a2, uf, rf = (ufloat(*p) for p in ((5.0, 0.02), (0.9, 2e-4), (300.0, 0.3), (0.3, 3e-4)))
    d = a2 - a1
    current = d * uf / (r1 + r2 + d * (1 - d) * rf)
    assert current.s == pytest.approx(found.current_a.u, rel=1e-5)
    assert (current**2 * r1).s == pytest.approx(found.power_first_w.u, rel=1e-5)
    assert (current**2 * r2).s == pytest.approx(found.power_second_w.u, rel=1e-5)


@given(st.floats(0.01, 1e5), places, st.floats(0.01, 1e5), places)
def test_forging_current_has_no_direction(r1: float, a1: float, r2: float, a2: float) -> None:
    """Neither the order of the faults nor the end that places are counted from matters."""
    assume(abs(a1 - a2) < 0.999)
    one, other = exact_fault(r1, a1), exact_fault(r2, a2)
    mirrored = exact_fault(r1, 1 - a1), exact_fault(r2, 1 - a2)
    supply = exact(300.0), exact(0.3)
    found = forging_current_at_constant_voltage(one, other, *supply)
    turned = forging_current_at_constant_voltage(other, one, *supply)
    seen_back = forging_current_at_constant_voltage(*mirrored, *supply)
    assert found is not None and turned is not None and seen_back is not None
    assert found.current_a.value == pytest.approx(turned.current_a.value)
    assert found.power_first_w.value == pytest.approx(turned.power_second_w.value)
    assert found.current_a.value == pytest.approx(seen_back.current_a.value, rel=1e-6, abs=1e-9)
    total = found.power_first_w.value + found.power_second_w.value
    assert found.worst_power_w is not None
    assert total <= found.worst_power_w.value * (1 + 1e-9) + 1e-12


@pytest.mark.parametrize(("rf", "milliwatt"), [(31e3, 279.0000), (5e3, 133.4722), (1e6, 32.5468)])
def test_single_fault_power(rf: float, milliwatt: float) -> None:
    """36 V and 300 V behind 31 kohm burn nothing: 279 mW at worst."""
    source = Source(exact(36.0), exact(31e3), 0.5)
    for place in (0.0, 1.0):  # either end is half the winding from the tap
        power = single_fault_power_w(exact_fault(rf, place), source, exact(300.0))
        assert milliwatt == pytest.approx(1e3 * power.value, abs=5e-5)
    most = single_fault_power_w(exact_fault(31e3, 1.0), source, exact(300.0))
    assert power.value <= most.value


def test_single_fault_power_uncertainty() -> None:
    """The power of a single fault carries the uncertainties of all that makes it."""
    source = Source(Measured(36.0, 0.02), Measured(31e3, 18.0), 0.5)
    fault = Fault(Measured(5e3, 20.0), Measured(0.9, 0.002))
    found = single_fault_power_w(fault, source, Measured(300.0, 0.5))
    e, r0, r, a, uf = (
        ufloat(*p) for p in ((36, 0.02), (31e3, 18), (5e3, 20), (0.9, 0.002), (300, 0.5))
    )
    assert (((e + (a - 0.5) * uf) / (r0 + r)) ** 2 * r).s == pytest.approx(found.u, rel=1e-4)


def test_leakage_behind_a_loop() -> None:
    """What a loop through 31 kohm and a tap in the middle reads is the leakage behind it."""
    g, h = 1 / 36e3, (0.2 - 0.5) / 36e3
    u_g, u_h, r = 1e-9, 2e-9, 0.4
    found = leakage_of_loop(Measured(g, u_g), Measured(h, u_h), r * u_g * u_h, 31e3, 0.5)
    assert found is not None
    x, y = correlated_values([g, h], [[u_g**2, r * u_g * u_h], [r * u_g * u_h, u_h**2]])
    resistance = 1 / x - 31e3
    place = 0.5 + y / x
    conductance, moment = 1 / resistance, place / resistance
    assert conductance.n == pytest.approx(found.conductance_s.value)
    assert moment.n == pytest.approx(found.moment_s.value)
    assert conductance.s == pytest.approx(found.conductance_s.u, rel=1e-6, abs=0)
    assert moment.s == pytest.approx(found.moment_s.u, rel=1e-6, abs=0)
    parts = conductance.derivatives
    expected = sum(parts[v] * moment.derivatives[v] * v.s**2 for v in parts)
    assert expected == pytest.approx(found.covariance_s2, rel=1e-6, abs=0)


def test_leakage_of_a_perfect_winding_and_of_a_dead_fault() -> None:
    """Nothing is a leakage as well; what cannot be told from a dead fault is none."""
    none = leakage_of_loop(Measured(-1e-12, 1e-10), Measured(0.0, 1e-10), 0.0, 31e3, 0.5)
    assert none is not None
    assert None is fault_of(none)
    dead = 1 / 31e3
    assert None is leakage_of_loop(Measured(dead, 1e-9), Measured(0.0, 1e-9), 0.0, 31e3, 0.5)


@given(ohms, places, st.floats(-0.9, 0.9))
def test_leakage_and_fault_are_two_names(r: float, a: float, correlation: float) -> None:
    """A fault and its leakage say the same, uncertainties and covariance included."""
    u_r, u_a = 1e-4 * r, 1e-3
    fault = Fault(Measured(r, u_r), Measured(a, u_a), correlation * u_r * u_a)
    back = fault_of(leak(fault))
    assert back is not None
    assert (r, a) == pytest.approx(seen(back))
    assert u_r == pytest.approx(back.resistance_ohm.u, rel=1e-3)
    assert u_a == pytest.approx(back.location_pu.u, rel=1e-3)
    assert fault.covariance_ohm == pytest.approx(back.covariance_ohm, rel=1e-3, abs=1e-6 * u_r)
