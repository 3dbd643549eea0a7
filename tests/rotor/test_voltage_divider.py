"""The voltage divider and its null point, against worked numbers, a network and another solver."""

from math import inf

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.optimize import brentq  # type: ignore[import-untyped]
from uncertainties import ufloat  # type: ignore[import-untyped]

from gateway.rotor import voltage_divider
from gateway.rotor.dc_injection import (
    Band,
    PickUp,
    Report,
    ReportedContact,
    ReportedCurrent,
    Zone,
)
from gateway.rotor.measured import Measured
from gateway.rotor.voltage_divider import Divider, Leg, Varistor
from tests.rotor.circuits import Coupling, exact, network_current_a

# R0 = 15 kohm: both legs side by side are 10 kohm, the relay 5 kohm.
EVEN = Divider(Leg(exact(20e3)), Leg(exact(20e3)), exact(5e3))
AT_2_MA = exact(2e-3)
BENT = Varistor(exact(60.0), 1e-3, 0.25)
MOVING = Divider(Leg(exact(20e3)), Leg(exact(10e3), BENT), exact(5e3))

places = st.floats(0, 1)
volts = st.floats(-800, 800).filter(lambda v: abs(v) > 5)
ohms = st.floats(1e3, 1e5)
legs = st.builds(
    lambda ohm, varistor, volt, exponent: Leg(
        exact(ohm), Varistor(exact(volt), 1e-3, exponent) if varistor else None
    ),
    ohms,
    st.booleans(),
    st.floats(10, 200),
    st.floats(0.1, 1),
)
dividers = st.builds(Divider, legs, legs, st.builds(exact, ohms))


@pytest.mark.parametrize(("alpha", "ohm"), [(0.0, 47500.0), (0.3, 10000.0), (0.45, -8750.0)])
def test_worked_reach(alpha: float, ohm: float) -> None:
    """250 V on a tap in the middle, 15 kohm and 2 mA: the reach at three places, worked by hand."""
    assert ohm == pytest.approx(voltage_divider.reach_ohm(EVEN, AT_2_MA, alpha, exact(250.0)).value)


@pytest.mark.parametrize(("field_v", "half_width"), [(250.0, 0.12), (400.0, 0.075)])
def test_worked_blind_zone(field_v: float, half_width: float) -> None:
    """Around the null a dead short is not seen: 0.38 to 0.62 at 250 V, less at 400 V."""
    zone = voltage_divider.blind_zone(EVEN, AT_2_MA, field_v)
    assert zone is not None
    assert 0.5 - half_width == pytest.approx(zone.start_pu)
    assert 0.5 + half_width == pytest.approx(zone.end_pu)


@pytest.mark.parametrize(
    ("field_v", "beta"),
    # Worked with another program: legs 20 kohm and 10 kohm + 60 V * (I / 1 mA) ** 0.25.
    [(60, 0.865082), (125, 0.705926), (250, 0.576087), (400, 0.510243)],
)
def test_varistor_moves_the_null(field_v: float, beta: float) -> None:
    """The null moves with the field voltage as worked, and not with its sign."""
    for sign in (1, -1):
        found = voltage_divider.null_pu(MOVING, sign * field_v)
        assert beta == pytest.approx(found.value, abs=6e-7)


def test_raised_field_uncovers_a_fault_at_the_null() -> None:
    """A dead short at the null of 250 V draws no current there, and a current at 400 V."""
    place = voltage_divider.null_pu(MOVING, 250.0).value
    at_250, at_400 = (
        voltage_divider.current_a(MOVING, place, 0.0, exact(v)).value for v in (250.0, 400.0)
    )
    assert 0.0 == pytest.approx(at_250, abs=1e-15)
    assert at_400 > 1e-3


@pytest.mark.parametrize("alpha", [0.0, 0.4, 1.0])
@pytest.mark.parametrize(("p", "n"), [(20e3, 20e3), (30e3, 10e3)])
def test_current_agrees_with_a_network_of_a_thousand_segments(
    alpha: float, p: float, n: float
) -> None:
    """Nodal analysis of the whole divider gives the same relay current."""
    divider = Divider(Leg(exact(p)), Leg(exact(n)), exact(5e3))
    expected = network_current_a(0.0, 250.0, Coupling(p, n, 5e3), 3e3, alpha)
    found = voltage_divider.current_a(divider, alpha, 3e3, exact(250.0))
    assert expected == pytest.approx(found.value, rel=1e-3, abs=1e-9)


@given(divider=dividers, alpha=places, rf=st.floats(0, 1e6), field_v=volts)
def test_current_as_another_solver_finds_it(
    divider: Divider, alpha: float, rf: float, field_v: float
) -> None:
    """Kirchhoff's laws hold: the tap's voltage, solved by another program, drives this current."""

    def leg_v(leg: Leg, amperes: float) -> float:
        found = leg.resistance_ohm.value * amperes
        if leg.varistor:
            sign = 1 if amperes > 0 else -1
            share = abs(amperes / leg.varistor.current_a) ** leg.varistor.exponent
            found += sign * leg.varistor.voltage_v.value * share
        return float(found)

    current = voltage_divider.current_a(divider, alpha, rf, exact(field_v)).value
    most_a = abs(current) + abs(field_v) / 1e3

    def around(amperes: float) -> float:
        over_legs = leg_v(divider.to_positive, amperes - current)
        return over_legs + leg_v(divider.to_negative, amperes) - field_v

    leg_a = brentq(around, -most_a, most_a, xtol=1e-60, maxiter=2000)
    driving_v = alpha * field_v - leg_v(divider.to_negative, leg_a)
    loop_ohm = divider.relay_ohm.value + rf
    assert driving_v == pytest.approx(current * loop_ohm, rel=1e-6, abs=1e-6 * abs(field_v))


@given(divider=dividers, alpha=places, field_v=volts, pick_up_a=st.floats(1e-4, 1e-2))
def test_current_at_the_reach_is_the_pick_up(
    divider: Divider, alpha: float, field_v: float, pick_up_a: float
) -> None:
    """A fault of the highest resistance seen draws the pick-up current; where blind, no short."""
    field = exact(field_v)
    reach = voltage_divider.reach_ohm(divider, exact(pick_up_a), alpha, field).value
    found = abs(voltage_divider.current_a(divider, alpha, max(reach, 0.0), field).value)
    assert found <= pick_up_a * (1 + 1e-6)
    if reach >= 0:
        assert pick_up_a == pytest.approx(found, rel=1e-6)


@given(divider=dividers, alpha=places, field_v=volts, pick_up_a=st.floats(1e-4, 1e-2))
def test_blind_is_where_the_reach_is_negative(
    divider: Divider, alpha: float, field_v: float, pick_up_a: float
) -> None:
    """Zone and reach are of one mind at every location."""
    reach = voltage_divider.reach_ohm(divider, exact(pick_up_a), alpha, exact(field_v)).value
    assume(abs(reach) > 1e-3)
    zone = voltage_divider.blind_zone(divider, exact(pick_up_a), field_v)
    assert (reach < 0) == (zone is not None and zone.start_pu <= alpha <= zone.end_pu)


@given(divider=dividers, alpha=places, rf=st.floats(0, 1e5), field_v=volts)
def test_swapped_ends_swap_the_winding(
    divider: Divider, alpha: float, rf: float, field_v: float
) -> None:
    """Named from its other end, the same divider draws the same current."""
    swapped = Divider(divider.to_negative, divider.to_positive, divider.relay_ohm)
    one = voltage_divider.current_a(divider, alpha, rf, exact(field_v)).value
    other = voltage_divider.current_a(swapped, 1 - alpha, rf, exact(-field_v)).value
    assert one == pytest.approx(other, rel=1e-6, abs=1e-12)


def test_without_field_it_is_blind() -> None:
    """At standstill a divider sees nothing, and has no null to tell."""
    assert Zone(0.0, 1.0) == voltage_divider.blind_zone(EVEN, AT_2_MA, 0.0)
    assert 0.0 == voltage_divider.current_a(EVEN, 0.0, 0.0, exact(0.0)).value
    assert None is voltage_divider.band_over_winding(
        EVEN, ReportedContact(PickUp(AT_2_MA), True), exact(0.0)
    )
    with pytest.raises(ValueError, match="without field voltage"):
        voltage_divider.null_pu(EVEN, 0.0)


def test_open_fault_draws_nothing() -> None:
    """A perfect winding draws no relay current."""
    assert 0.0 == voltage_divider.current_a(MOVING, 0.9, inf, exact(250.0)).value


@given(shares=st.tuples(*[st.floats(1e-3, 0.05)] * 5), alpha=st.floats(0.1, 1))
def test_uncertainty_of_the_reach_as_another_library_carries_it(
    shares: tuple[float, ...], alpha: float
) -> None:
    """Automatic differentiation of a divider without varistor finds the same uncertainty."""
    assume(abs(alpha - 1 / 3) > 0.05)
    values = (20e3, 10e3, 5e3, 2e-3, 250.0)
    inputs = [Measured(v, v * s) for v, s in zip(values, shares, strict=True)]
    p, n, relay, pick_up, field = inputs
    found = voltage_divider.reach_ohm(Divider(Leg(p), Leg(n), relay), pick_up, alpha, field)
    fp, fn, frelay, fi, ffield = (ufloat(m.value, m.u) for m in inputs)
    drive = (alpha - fn / (fp + fn)) * ffield
    # Either way: the greater of both is the one that the field drives.
    reach = (drive if alpha > 1 / 3 else -drive) / fi - fp * fn / (fp + fn) - frelay
    assert reach.n == pytest.approx(found.value)
    assert reach.s == pytest.approx(found.u, rel=1e-6)


def test_uncertainty_of_the_null_with_a_varistor() -> None:
    """What a varistor of 5 % and a leg of 1 % move the null, against moved parts."""
    soft = Divider(
        Leg(Measured(20e3, 200.0)),
        Leg(exact(10e3), Varistor(Measured(60, 3), 1e-3, 0.25)),
        exact(5e3),
    )
    found = voltage_divider.null_pu(soft, 250.0)
    moved = 0.0
    for p, volt in ((20.2e3, 60.0), (20e3, 63.0)):
        up = Divider(Leg(exact(p)), Leg(exact(10e3), Varistor(exact(volt), 1e-3, 0.25)), exact(5e3))
        moved += (voltage_divider.null_pu(up, 250.0).value - found.value) ** 2
    assert moved**0.5 == pytest.approx(found.u, rel=0.02)


# --- what a report leaves open ---------------------------------------------------------------


@pytest.mark.parametrize("divider", [EVEN, MOVING], ids=["even", "with varistor"])
@pytest.mark.parametrize("signed", [True, False])
@pytest.mark.parametrize(("alpha", "rf"), [(0.0, 40e3), (0.9, 1e3), (1.0, 250e3)])
def test_fault_is_inside_what_its_current_leaves_open(
    divider: Divider, signed: bool, alpha: float, rf: float
) -> None:
    """Whatever fault drives the relay, the band at its place and that of the winding hold it."""
    field = exact(250.0)
    current = voltage_divider.current_a(divider, alpha, rf, field).value
    value_a = current if signed else abs(current)
    report = ReportedCurrent(Measured(value_a, abs(current) * 1e-6), signed)
    band = voltage_divider.band_at(divider, report, field, alpha)
    whole = voltage_divider.band_over_winding(divider, report, field)
    assert band is not None
    assert whole is not None
    assert band.lowest_ohm <= rf <= band.highest_ohm
    assert rf == pytest.approx(band.lowest_ohm, rel=1e-4)
    assert whole.lowest_ohm <= band.lowest_ohm
    assert band.highest_ohm <= whole.highest_ohm


def test_picked_up_contact_says_nothing_of_a_fault_at_the_null() -> None:
    """Picked up: at most 47.5 kohm, and not at the null; quiet: any fault at the null."""
    up, quiet = (ReportedContact(PickUp(AT_2_MA), picked_up) for picked_up in (True, False))
    field = exact(250.0)
    assert None is voltage_divider.band_at(EVEN, up, field, 0.5)
    whole = voltage_divider.band_over_winding(EVEN, up, field)
    assert whole is not None
    assert (0.0, 47.5e3) == (whole.lowest_ohm, pytest.approx(whole.highest_ohm))
    assert Band(0.0, inf) == voltage_divider.band_at(EVEN, quiet, field, 0.5)
    at_end = voltage_divider.band_at(EVEN, quiet, field, 1.0)
    assert at_end is not None
    assert (47.5e3, inf) == (pytest.approx(at_end.lowest_ohm), at_end.highest_ohm)
    assert Band(0.0, inf) == voltage_divider.band_over_winding(EVEN, quiet, field)


reports = st.one_of(
    st.builds(
        lambda value, signed: ReportedCurrent(
            Measured(value if signed else abs(value), 2e-5), signed
        ),
        st.floats(-1e-2, 1e-2),
        st.booleans(),
    ),
    st.builds(
        lambda value, picked_up: ReportedContact(PickUp(Measured(value, value / 50)), picked_up),
        st.floats(1e-4, 1e-2),
        st.booleans(),
    ),
)


@given(divider=dividers, report=reports, field_v=volts, alpha=places)
def test_whole_winding_holds_every_location(
    divider: Divider, report: Report, field_v: float, alpha: float
) -> None:
    """The band over the winding holds that of any location."""
    field = Measured(field_v, 1.0)
    band = voltage_divider.band_at(divider, report, field, alpha)
    assume(band is not None)
    assert band is not None
    whole = voltage_divider.band_over_winding(divider, report, field)
    assert whole is not None
    assert whole.lowest_ohm <= band.lowest_ohm * (1 + 1e-9) + 1e-6
    assert band.highest_ohm <= whole.highest_ohm * (1 + 1e-9) + 1e-6
