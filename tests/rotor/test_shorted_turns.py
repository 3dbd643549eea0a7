"""Shorted turns: told when they can be, with Student's t where few readings stand behind them."""

from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats  # type: ignore[import-untyped]
from uncertainties import ufloat  # type: ignore[import-untyped]

from gateway.rotor.combined_uncertainty import Repeated, mean_of
from gateway.rotor.measured import Measured
from gateway.rotor.shorted_turns import ShortedTurns, Turns, shorted_turns
from gateway.rotor.winding_temperature import COPPER_IEC_K
from tests.rotor.circuits import exact


def winding(
    share: float, u_relative: float = 1e-3, degrees: float = 1e9, temperature_c: float = 90.0
) -> ShortedTurns:
    """A winding of 0.15 ohm at 20 degC that has lost this share of its turns."""
    r = 0.15 * (235 + temperature_c) / 255 * (1 - share)
    found = shorted_turns(
        Repeated(Measured(r, r * u_relative), degrees),
        Measured(temperature_c, 0.0),
        Repeated(exact(0.15)),
        exact(20.0),
        COPPER_IEC_K,
    )
    assert found is not None
    return found


def test_shorted_turns_are_told() -> None:
    """One turn in fifty is told at 0.1 %: two percent, with its uncertainty."""
    found = winding(0.02)
    assert Turns.SHORTED == found.turns
    assert found.shorted_pu is not None
    assert 0.02 == pytest.approx(found.shorted_pu.value)
    assert 0.98e-3 == pytest.approx(found.shorted_pu.u)
    assert 0.98 == pytest.approx(found.ratio.value)


def test_less_than_the_uncertainty_is_not_told() -> None:
    """One turn in fifty is no news at one percent, and the smallest that would be is said."""
    found = winding(0.02, u_relative=0.01)
    assert Turns.NOT_TOLD == found.turns
    assert None is found.shorted_pu
    assert 3 * 0.0098 == pytest.approx(found.least_told_pu, rel=1e-3)


def test_higher_resistance_is_no_short() -> None:
    """More resistance than the reference is a bad joint or a wrong temperature, in words."""
    found = winding(-0.02)
    assert Turns.HIGHER == found.turns
    assert None is found.shorted_pu
    assert "bad joint" in found.turns


def test_few_readings_ask_for_more() -> None:
    """Three readings need Student's factor of two degrees of freedom, as another library has it."""
    found = winding(0.01, degrees=2.0)  # 10 u, which three readings do not tell
    k = stats.t.ppf((1 + 0.9973) / 2, 2)
    assert 2.0 == pytest.approx(found.degrees_of_freedom)
    assert k * found.ratio.u == pytest.approx(found.least_told_pu)
    assert Turns.NOT_TOLD == found.turns
    assert Turns.SHORTED == winding(0.01).turns


def test_uncertainty_agrees_with_another_library() -> None:
    """Both resistances and both temperatures make the uncertainty; nu_eff is GUM G.2b."""
    rows = (0.19, 3e-4), (88.0, 1.0), (0.15, 2e-4), (20.0, 0.5)
    r, t, r0, t0 = (ufloat(*row) for row in rows)
    now, warm, then, cold = (Measured(*row) for row in rows)
    found = shorted_turns(Repeated(now, 4.0), warm, Repeated(then, 9.0), cold, COPPER_IEC_K)
    assert found is not None
    ratio = r / (r0 * (235 + t) / (235 + t0))
    assert ratio.n == pytest.approx(found.ratio.value)
    assert ratio.s == pytest.approx(found.ratio.u)
    parts = {v: ratio.derivatives[v] * v.s for v in (r, r0, t, t0)}
    expected = ratio.s**4 / (parts[r] ** 4 / 4 + parts[r0] ** 4 / 9)
    assert expected == pytest.approx(found.degrees_of_freedom)


def test_from_repeated_readings() -> None:
    """Five readings of a commissioning day make a reference with its own degrees of freedom."""
    reference = mean_of([0.1501, 0.1499, 0.1500, 0.1502, 0.1498], 1e-5)
    now = mean_of([0.1470, 0.1471, 0.1469], 1e-5)
    found = shorted_turns(now, exact(20.0), reference, exact(20.0), COPPER_IEC_K)
    assert found is not None
    assert Turns.SHORTED == found.turns
    scatter = [1e-4 * sqrt(2.5 / 5), 1e-4 / sqrt(3)]  # s/sqrt(n), by hand
    assert sqrt(scatter[0] ** 2 + 1e-10) == pytest.approx(reference.mean.u)
    assert sqrt(scatter[1] ** 2 + 1e-10) == pytest.approx(now.mean.u)
    assert 2 < found.degrees_of_freedom < 6.3


@pytest.mark.parametrize("bad", [exact(0.0), exact(-0.1), Measured(0.1, 0.05)])
def test_no_resistance_no_answer(bad: Measured) -> None:
    """A resistance that is not told from zero says nothing, on either side."""
    good = Repeated(exact(0.15))
    for pair in ((Repeated(bad), good), (good, Repeated(bad))):
        assert None is shorted_turns(pair[0], exact(20.0), pair[1], exact(20.0), COPPER_IEC_K)


@given(st.floats(0.0, 0.5), st.floats(-20.0, 150.0), st.floats(1e-5, 1e-2))
def test_temperature_does_not_matter(share: float, t: float, u: float) -> None:
    """The share is that of the turns, however warm the winding; told exactly beyond its limit."""
    found = winding(share, u, temperature_c=t)
    assert 1 - share == pytest.approx(found.ratio.value)
    assert (found.shorted_pu is not None) == (1 - found.ratio.value > found.least_told_pu)
