"""Insulation resistance at 40 degC against the numbers of IEEE Std 43-2013."""

from math import exp, inf

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat, umath  # type: ignore[import-untyped]

from gateway.rotor.insulation import (
    Corrected,
    Insulation,
    Verdict,
    Winding,
    corrected_to_40_c,
    judged,
    minimum_ohm,
)
from gateway.rotor.measured import Measured
from tests.rotor.circuits import exact


def at_40_c(
    megohm: float, temperature_c: float, insulation: Insulation, u_megohm: float = 0.0
) -> Corrected:
    found = corrected_to_40_c(
        Measured(megohm * 1e6, u_megohm * 1e6), exact(temperature_c), insulation
    )
    assert found is not None
    return found


# Temperature, factor of thermoplastic and of thermosetting insulation, and the latter as the
# standard's own table prints it (one digit; 85 degC is outside).
FACTORS = [
    (10, 0.1250, 0.6560, 0.7),
    (20, 0.2500, 0.7622, 0.8),
    (30, 0.5000, 0.8770, 0.9),
    (40, 1.0000, 1.0000, 1.0),
    (50, 2.0000, 1.5195, 1.5),
    (60, 4.0000, 2.2517, 2.3),
    (70, 8.0000, 3.2609, 3.3),
    (80, 16.0000, 4.6245, 4.6),
]


@pytest.mark.parametrize(("t", "plastic", "setting", "printed"), FACTORS)
def test_factors(t: float, plastic: float, setting: float, printed: float) -> None:
    """Both kinds of insulation have the factors of the standard's table."""
    assert plastic == at_40_c(1.0, t, Insulation.THERMOPLASTIC).resistance_ohm.value / 1e6
    factor = at_40_c(1.0, t, Insulation.THERMOSETTING).resistance_ohm.value / 1e6
    assert setting == pytest.approx(factor, abs=5e-5)
    assert printed == round(factor, 1)


@pytest.mark.parametrize(
    ("megohm", "t", "plastic", "setting"),
    [(12.0, 25.0, 4.2426, 9.8226), (3.0, 65.0, 16.9706, 8.1515), (0.9, 40.0, 0.9, 0.9)],
)
def test_worked_corrections(megohm: float, t: float, plastic: float, setting: float) -> None:
    """The worked readings come out as worked."""
    found = [at_40_c(megohm, t, kind).resistance_ohm.value / 1e6 for kind in Insulation]
    assert [plastic, setting] == pytest.approx(found, abs=5e-5)


def test_the_method_is_named() -> None:
    """The number travels with how it was made, for other standards correct differently."""
    assert (
        "IEEE Std 43-2013, thermosetting, from 25 degC to 40 degC"
        == at_40_c(12.0, 25.0, Insulation.THERMOSETTING).method
    )


@pytest.mark.parametrize("kind", Insulation)
def test_outside_the_range_nothing_is_corrected(kind: Insulation) -> None:
    """From 10 to 85 degC, the latter not included; nothing outside."""
    for t in (-10.0, 9.9, 85.0, 120.0, float("nan")):
        assert None is corrected_to_40_c(exact(1e6), exact(t), kind)
    for t in (10.0, 84.9):
        assert None is not corrected_to_40_c(exact(1e6), exact(t), kind)


def test_uncertainty_of_resistance_and_temperature() -> None:
    """Both are carried through, as another library does it."""
    r, t = ufloat(12e6, 0.1e6), ufloat(25.0, 0.2)
    measured = Measured(12e6, 0.1e6), Measured(25.0, 0.2)
    plastic = corrected_to_40_c(*measured, Insulation.THERMOPLASTIC)
    setting = corrected_to_40_c(*measured, Insulation.THERMOSETTING)
    assert plastic is not None and setting is not None
    assert (r * 0.5 ** ((40 - t) / 10)).s == pytest.approx(plastic.resistance_ohm.u, rel=1e-3)
    expected = r * umath.exp(-1245 * (1 / (t + 273) - 1 / 313))
    assert expected.s == pytest.approx(setting.resistance_ohm.u, rel=1e-3)


@given(st.floats(10.0, 84.0), st.floats(0.1, 0.9), st.sampled_from(Insulation))
def test_hotter_readings_mean_more(t: float, more: float, kind: Insulation) -> None:
    """The same reading at a higher temperature is a better winding, at the break as well."""
    cooler, hotter = (at_40_c(5.0, x, kind).resistance_ohm.value for x in (t, t + more))
    assert cooler < hotter < cooler * exp(more / 10)  # and no jump


@pytest.mark.parametrize(
    ("winding", "volt", "megohm"),
    [
        (Winding.FIELD, 125.0, 1.125),
        (Winding.FIELD, 250.0, 1.250),
        (Winding.FIELD, 500.0, 1.500),
        (Winding.OLD, 6600.0, 7.6),
        (Winding.FORM_WOUND_AC, 6600.0, 100.0),
        (Winding.RANDOM_WOUND, 400.0, 5.0),
    ],
)
def test_minimums(winding: Winding, volt: float, megohm: float) -> None:
    """kV + 1 for fields and old windings, 100 and 5 megohms for newer ones."""
    assert megohm * 1e6 == pytest.approx(minimum_ohm(winding, volt))


@pytest.mark.parametrize("volt", [0.0, -250.0, float("nan")])
def test_a_voltage_that_is_none_is_refused(volt: float) -> None:
    """Without a rated voltage there is no minimum, and the text says what to give."""
    with pytest.raises(ValueError, match=r"field winding: .* V is not above zero; give the volt"):
        minimum_ohm(Winding.FIELD, volt)


@pytest.mark.parametrize(
    ("megohm", "u_megohm", "verdict"),
    [
        (0.9, 0.0, Verdict.FAILED),  # of a 250 V field, worked
        (1.25, 0.0, Verdict.PASSED),
        (1.30, 0.02, Verdict.PASSED),
        (1.30, 0.03, Verdict.NOT_TOLD),
        (1.20, 0.03, Verdict.NOT_TOLD),
        (1.20, 0.02, Verdict.FAILED),
        (float("inf"), 0.0, Verdict.PASSED),
        (5.0, inf, Verdict.NOT_TOLD),
    ],
)
def test_verdicts(megohm: float, u_megohm: float, verdict: Verdict) -> None:
    """A winding passes or fails only with its whole interval, k = 2."""
    corrected = Corrected(Measured(megohm * 1e6, u_megohm * 1e6), "as read")
    assert verdict == judged(corrected, minimum_ohm(Winding.FIELD, 250.0))
