"""AC injection against worked numbers, a network and other people's maths."""

import cmath
from math import inf, pi, sqrt

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from uncertainties import ufloat  # type: ignore[import-untyped]

from gateway.rotor import ac_injection
from gateway.rotor.ac_injection import AcSource, Phasor
from gateway.rotor.measured import Measured
from tests.rotor.circuits import exact

# 50 V at 50 Hz through 500 ohm and 4 uF; the winding has 0.5 uF to the shaft.
PLANT = AcSource(exact(50.0), 50.0, exact(500.0), exact(4e-6))
SHAFT = exact(0.5e-6)

faults = st.floats(10, 1e6)
capacitances = st.floats(1e-8, 5e-6)
sources = st.builds(
    lambda hertz, ohm, farad: AcSource(exact(50.0), hertz, exact(ohm), farad and exact(farad)),
    st.floats(0.5, 200),
    st.floats(1, 5e3),
    st.one_of(st.none(), st.floats(1e-7, 1e-4)),
)


def exact_phasor(current: complex) -> Phasor:
    return Phasor(exact(current.real), exact(current.imag))


@pytest.mark.parametrize(
    ("hertz", "rf", "farad", "magnitude", "degrees"),
    # Worked with another program: frequency, Rf, C, magnitude and angle of the insulation alone.
    [
        (50, 5e3, 0.5e-6, 3932.196, -38.1460),
        (1, 5e3, 0.5e-6, 4999.383, -0.8999),
        (1, 100e3, 2e-6, 62267.699, -51.4881),
        (20, 20e3, 0.2e-6, 17869.527, -26.6866),
    ],
)
def test_worked_insulation(
    hertz: float, rf: float, farad: float, magnitude: float, degrees: float
) -> None:
    """Both directions of every worked row: the impedance of the insulation, and Rf out of it."""
    bare = AcSource(exact(1.0), hertz, exact(0.0), None)
    current = ac_injection.current_a(bare, rf, farad)
    assert magnitude == pytest.approx(1 / abs(current), abs=6e-4)
    assert degrees == pytest.approx(-cmath.phase(current) * 180 / pi, abs=6e-5)
    read = exact_phasor(1 / cmath.rect(magnitude, degrees * pi / 180))
    assert rf == pytest.approx(ac_injection.solve(read, bare).fault_resistance_ohm.value, rel=1e-5)


@pytest.mark.parametrize(
    ("rf", "milliampere"), [(5e3, 10.357631), (1e3, 28.494411), (inf, 6.964366)]
)
def test_worked_currents_behind_a_series_impedance(rf: float, milliampere: float) -> None:
    """50 V behind 500 ohm and 4 uF: the three worked magnitudes, the healthy winding included."""
    found = ac_injection.current_a(PLANT, rf, SHAFT.value)
    assert milliampere == pytest.approx(abs(found) * 1e3, abs=6e-7)


@pytest.mark.parametrize("place", [0, 30, 100])
@pytest.mark.parametrize("rf", [1e3, 50e3])
def test_agrees_with_a_network_of_distributed_capacitance(place: int, rf: float) -> None:
    """A winding of 100 segments, its capacitance spread over them, draws the same wherever it is.

    Nodal analysis; the source is coupled to the negative end.
    """
    segments, winding_ohm = 100, 1.0
    admittance = np.zeros((segments + 1, segments + 1), dtype=complex)
    for n in range(segments):
        admittance[n : n + 2, n : n + 2] += np.array([[1, -1], [-1, 1]]) * segments / winding_ohm
    admittance += np.eye(segments + 1) * 2j * pi * 50 * SHAFT.value / (segments + 1)
    admittance[place, place] += 1 / rf
    series = 1 / (500 + 1 / (2j * pi * 50 * 4e-6))
    admittance[0, 0] += series
    right = np.zeros(segments + 1, dtype=complex)
    right[0] = 50 * series
    expected = (50 - np.linalg.solve(admittance, right)[0]) * series
    found = ac_injection.current_a(PLANT, rf, SHAFT.value)
    assert expected.real == pytest.approx(found.real, rel=1e-3)
    assert expected.imag == pytest.approx(found.imag, rel=1e-3)


@given(source=sources, rf=faults, farad=capacitances)
def test_insulation_comes_back(source: AcSource, rf: float, farad: float) -> None:
    """Whatever insulation draws the current, it is found again."""
    current = ac_injection.current_a(source, rf, farad)
    found = ac_injection.solve(exact_phasor(current), source)
    y = complex(1 / rf, source.angular_frequency * farad)
    # As far as digits go: what is small beside the series impedance or the other part is lost.
    lost = 1e-12 * (1 + abs(source.series_impedance_ohm * y) ** 2) * abs(y)
    assert y.real == pytest.approx(found.conductance_s.value, rel=1e-9, abs=lost)
    assert y.imag == pytest.approx(
        found.capacitance_f.value * source.angular_frequency, rel=1e-9, abs=lost
    )
    if lost < 1e-7 / rf:
        assert rf == pytest.approx(found.fault_resistance_ohm.value, rel=1e-6)


@given(
    u=st.tuples(*[st.floats(1e-4, 1e-2)] * 5),
    rf=st.floats(100, 1e5),
    farad=capacitances,
    hertz=st.floats(1, 100),
)
def test_uncertainty_as_another_library_carries_it(
    u: tuple[float, ...], rf: float, farad: float, hertz: float
) -> None:
    """Automatic differentiation of the same phasors, in real numbers, finds the same."""
    exactly = AcSource(exact(50.0), hertz, exact(500.0), exact(4e-6))
    current = ac_injection.current_a(exactly, rf, farad)
    values = (50.0, 500.0, 4e-6, current.real, current.imag)
    inputs = [Measured(v, abs(v) * s) for v, s in zip(values, u, strict=True)]
    source = AcSource(inputs[0], hertz, inputs[1], inputs[2])
    found = ac_injection.solve(Phasor(inputs[3], inputs[4]), source)
    volt, ohm, series, real, imaginary = (ufloat(m.value, m.u) for m in inputs)
    w = 2 * pi * hertz
    square = real**2 + imaginary**2
    z_real = volt * real / square - ohm
    z_imaginary = -volt * imaginary / square + 1 / (w * series)
    z_square = z_real**2 + z_imaginary**2
    assert (z_square / z_real).s == pytest.approx(found.fault_resistance_ohm.u, rel=1e-5)
    assert (-z_imaginary / z_square / w).s == pytest.approx(found.capacitance_f.u, rel=1e-5)


def test_healthy_winding_has_no_conductance() -> None:
    """Without a fault the conductance is zero within its uncertainty, and C is found."""
    current = ac_injection.current_a(PLANT, inf, SHAFT.value)
    read = Phasor(Measured(current.real, 1e-5), Measured(current.imag, 1e-5))
    found = ac_injection.solve(read, PLANT)
    assert abs(found.conductance_s.value) < 1e-12 < found.conductance_s.u
    assert SHAFT.value == pytest.approx(found.capacitance_f.value)
    assert 0j == ac_injection.current_a(PLANT, inf, 0.0)


def test_impossible_currents_are_refused() -> None:
    """No current, and that of a dead short, tell nothing of the insulation: said with a reason."""
    with pytest.raises(ValueError, match="injection is open"):
        ac_injection.solve(exact_phasor(0j), PLANT)
    short = AcSource(exact(50.0), 50.0, exact(500.0), None)
    with pytest.raises(ValueError, match="dead short"):
        ac_injection.solve(exact_phasor(0.1 + 0j), short)
    with pytest.raises(ValueError, match="no finite current"):
        ac_injection.current_a(AcSource(exact(50.0), 50.0, exact(0.0), None), 0.0, 1e-6)


# --- a detector that looks at the magnitude --------------------------------------------------


@pytest.mark.parametrize(("milliampere", "ohm"), [(10.357631, 5e3), (28.494411, 1e3)])
def test_worked_reach_of_a_magnitude(milliampere: float, ohm: float) -> None:
    """A pick-up at the worked current of a fault sees up to that fault."""
    found = ac_injection.reach_ohm(PLANT, exact(milliampere * 1e-3), SHAFT)
    assert found is not None
    assert ohm == pytest.approx(found.value, rel=1e-6)


def test_edges_of_what_a_magnitude_can_tell() -> None:
    """Below the capacitive current all is a fault, above that of a dead short nothing is."""
    # 6.964366 mA flows through the capacitance alone; 50 V / abs(500 - 795.77j) is 53.20 mA.
    everything, healthy, short, nothing = (
        ac_injection.reach_ohm(PLANT, exact(milliampere * 1e-3), SHAFT)
        for milliampere in (6.9643, 6.9644, 53.20, 53.21)
    )
    assert everything is not None
    assert healthy is not None
    assert short is not None
    assert inf == everything.value > healthy.value > 40e3
    assert 0 < short.value < 1
    assert None is nothing


def test_low_frequency_is_the_cure() -> None:
    """At 1 Hz the same capacitance hides less: the same margin over it sees far more."""
    found = []
    for hertz in (50.0, 1.0):
        source = AcSource(exact(50.0), hertz, exact(500.0), None)
        healthy = abs(ac_injection.current_a(source, inf, SHAFT.value))
        reach = ac_injection.reach_ohm(source, exact(1.5 * healthy), SHAFT)
        assert reach is not None
        found.append(reach.value)
    assert found[1] > 40 * found[0]


@given(source=sources, farad=capacitances, rf=faults)
def test_current_at_the_reach_is_the_pick_up(source: AcSource, farad: float, rf: float) -> None:
    """A pick-up at the current of a fault sees up to it, and every fault below draws more."""
    current = abs(ac_injection.current_a(source, rf, farad))
    healthy = abs(ac_injection.current_a(source, inf, farad))
    assume(current > healthy * (1 + 1e-6))
    found = ac_injection.reach_ohm(source, exact(current), exact(farad))
    assert found is not None
    assert current == pytest.approx(
        abs(ac_injection.current_a(source, found.value, farad)), rel=1e-6
    )
    below = abs(ac_injection.current_a(source, found.value / 2, farad))
    assert below >= current * (1 - 1e-9)


@given(u=st.tuples(*[st.floats(1e-3, 1e-2)] * 5), milliampere=st.floats(8, 50))
def test_uncertainty_of_the_reach_is_that_of_moved_parts(
    u: tuple[float, ...], milliampere: float
) -> None:
    """Each part moved by a little moves the reach as its share of the uncertainty says."""
    values = (50.0, 500.0, 4e-6, milliampere * 1e-3, 0.5e-6)

    def reach(parts: list[Measured]) -> Measured:
        source = AcSource(parts[0], 50.0, parts[1], parts[2])
        found = ac_injection.reach_ohm(source, parts[3], parts[4])
        assert found is not None
        return found

    inputs = [Measured(v, v * s) for v, s in zip(values, u, strict=True)]
    moved = []
    for i, part in enumerate(inputs):
        step = 1e-6 * part.value
        up, down = ([*inputs] for _ in range(2))
        up[i], down[i] = exact(part.value + step), exact(part.value - step)
        moved.append((reach(up).value - reach(down).value) / (2 * step) * part.u)
    assert sqrt(sum(m**2 for m in moved)) == pytest.approx(reach(inputs).u, rel=1e-3)
