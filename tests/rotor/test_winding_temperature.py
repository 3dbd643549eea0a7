"""Temperature of the winding by resistance, against worked numbers and other people's maths."""

from dataclasses import replace
from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat  # type: ignore[import-untyped]

from gateway.rotor.measured import Measured
from gateway.rotor.winding_temperature import (
    ALUMINIUM_K,
    COPPER_IEC_K,
    COPPER_IEEE_K,
    FieldWinding,
    Temperature,
    field_resistance_ohm,
    followed,
    is_settled,
    mean_temperature_c,
    temperature_rise_k,
)
from tests.rotor.circuits import exact

WINDING = FieldWinding(exact(0.150), exact(20.0), COPPER_IEC_K, exact(2.0), inductance_h=0.5)


@pytest.mark.parametrize(
    ("r1", "t1", "r2", "constant", "t2"),
    [
        (0.15, 20, 0.1935, COPPER_IEC_K, 93.9500),
        (0.15, 20, 0.1935, COPPER_IEEE_K, 93.8050),
        (0.25, 25, 0.33, COPPER_IEC_K, 108.2000),
        (0.4, 20, 0.5, ALUMINIUM_K, 81.2500),
        (0.4, 20, 0.5, 228.0, 82.0000),  # the other aluminium that circulates
        (0.15, 20, 0.14, COPPER_IEC_K, 3.0000),
    ],
)
def test_worked_temperatures(r1: float, t1: float, r2: float, constant: float, t2: float) -> None:
    """Each metal's constant gives the worked temperature."""
    found = mean_temperature_c(exact(r2), exact(r1), exact(t1), constant)
    assert t2 == pytest.approx(found.value, abs=1e-9)


@pytest.mark.parametrize(
    ("r1", "t1", "r2", "coolant", "rise"),
    [(0.15, 20, 0.1935, 38, 55.950), (0.25, 25, 0.33, 40, 68.200), (0.2, 30, 0.2, 30, 0.0)],
)
def test_worked_rises(r1: float, t1: float, r2: float, coolant: float, rise: float) -> None:
    """The rise over the coolant is the worked one."""
    found = temperature_rise_k(exact(r2), exact(r1), exact(t1), exact(coolant), COPPER_IEC_K)
    assert rise == pytest.approx(found.value, abs=1e-9)


@pytest.mark.parametrize(("drop", "ohm", "t"), [(2.0, 0.198400, 102.280), (0.0, 0.2000, 105.000)])
def test_brush_drop(drop: float, ohm: float, t: float) -> None:
    """250 V and 1250 A: two volts in the brushes are 2.720 K."""
    resistance = field_resistance_ohm(exact(250.0), exact(1250.0), exact(drop))
    assert resistance is not None
    assert ohm == pytest.approx(resistance.value)
    found = followed(
        None, exact(250.0), exact(1250.0), 0.0, replace(WINDING, brush_drop_v=exact(drop))
    )
    assert found is not None
    assert t == pytest.approx(found.mean_c.value, abs=1e-6)
    assert not found.held


def test_reversed_polarity_is_the_same_resistance() -> None:
    """The brush drop has the sign of the current."""
    one = field_resistance_ohm(exact(250.0), exact(1250.0), exact(2.0))
    assert one == field_resistance_ohm(exact(-250.0), exact(-1250.0), exact(2.0))


@pytest.mark.parametrize(
    ("volt", "ampere"),
    [
        (exact(250.0), exact(0.0)),
        (exact(250.0), Measured(10.0, 5.0)),  # no current to be told
        (exact(1.0), exact(100.0)),  # less than the brushes take
        (exact(-100.0), exact(1000.0)),  # inverting
        (Measured(2.5, 0.3), exact(10.0)),
    ],
)
def test_no_resistance_to_be_told(volt: Measured, ampere: Measured) -> None:
    """Without current, or with a voltage that is not the winding's, there is no resistance."""
    assert None is field_resistance_ohm(volt, ampere, exact(2.0))


def test_one_percent_of_resistance() -> None:
    """At 90 degC one percent of either resistance is 3.25 K."""
    r2 = 0.15 * (235 + 90) / (235 + 20)
    now = mean_temperature_c(Measured(r2, 0.01 * r2), exact(0.15), exact(20.0), COPPER_IEC_K)
    then = mean_temperature_c(exact(r2), Measured(0.15, 0.0015), exact(20.0), COPPER_IEC_K)
    assert 3.25 == pytest.approx(now.u)
    assert 3.25 == pytest.approx(then.u, rel=1e-3)


def test_uncertainty_agrees_with_another_library() -> None:
    """Voltage, current, brushes, cold resistance and both temperatures are carried through."""
    measured = [(250.0, 0.5), (1250.0, 2.0), (2.0, 1 / sqrt(3)), (0.15, 2e-4), (20.0, 0.5)]
    volt, ampere, drop, cold, t1 = (Measured(*p) for p in measured)
    v, i, b, r1, t = (ufloat(*p) for p in measured)
    winding = FieldWinding(cold, t1, COPPER_IEEE_K, drop, inductance_h=0.5)
    found = followed(None, volt, ampere, 0.0, winding)
    assert found is not None
    expected = (v - b) / i / r1 * (234.5 + t) - 234.5
    assert expected.s == pytest.approx(found.mean_c.u, rel=1e-3)
    rise = temperature_rise_k(Measured(0.1935, 2e-4), cold, t1, Measured(38.0, 1.0), COPPER_IEEE_K)
    r2, ta = ufloat(0.1935, 2e-4), ufloat(38.0, 1.0)
    assert ((r2 - r1) / r1 * (234.5 + t) + t - ta).s == pytest.approx(rise.u, rel=1e-3)


@pytest.mark.parametrize(
    ("slope", "settled"), [(0.0, True), (2.49, True), (-2.49, True), (2.51, False), (-2.51, False)]
)
def test_settled_limit(slope: float, settled: bool) -> None:
    """0.5 H and 250 V bear 2.50 A/s."""
    assert settled == is_settled(slope, 0.5, 250.0)
    assert settled == is_settled(slope, 0.5, -250.0)


def test_nothing_is_settled_without_voltage() -> None:
    """At standstill the temperature is not told from the field."""
    assert not is_settled(0.0, 0.5, 0.0)


def test_held_while_the_current_moves() -> None:
    """A moving current holds the last settled temperature and says so; there may be none yet."""
    assert None is followed(None, exact(400.0), exact(1250.0), 50.0, WINDING)
    settled = followed(None, exact(250.0), exact(1250.0), 1.0, WINDING)
    assert settled is not None
    held = followed(settled, exact(400.0), exact(1300.0), 50.0, WINDING)
    assert Temperature(settled.mean_c, held=True) == held
    assert held == followed(held, exact(0.0), exact(0.0), 0.0, WINDING)
    again = followed(held, exact(260.0), exact(1300.0), 0.0, WINDING)
    assert again is not None
    assert not again.held


@given(st.floats(-40.0, 200.0), st.floats(0.05, 5.0), st.floats(0.0, 60.0))
def test_the_law_read_backwards(t2: float, r1: float, t1: float) -> None:
    """A winding heated by the law of its metal is read at its temperature; rise is consistent."""
    r2 = r1 * (COPPER_IEC_K + t2) / (COPPER_IEC_K + t1)
    found = mean_temperature_c(exact(r2), exact(r1), exact(t1), COPPER_IEC_K)
    rise = temperature_rise_k(exact(r2), exact(r1), exact(t1), exact(t1), COPPER_IEC_K)
    assert t2 == pytest.approx(found.value, abs=1e-9)
    assert t2 - t1 == pytest.approx(rise.value, abs=1e-9)
