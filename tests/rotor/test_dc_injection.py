"""DC injection with a fixed pick-up: worked numbers, a network, and what a report leaves open."""

from math import inf, isinf

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from uncertainties import ufloat  # type: ignore[import-untyped]

from gateway.rotor import dc_injection
from gateway.rotor.dc_injection import (
    Band,
    PickUp,
    Report,
    ReportedContact,
    ReportedCurrent,
    Zone,
)
from gateway.rotor.measured import Measured
from gateway.rotor.pulse_injection import Source
from tests.rotor.circuits import Coupling, exact, exact_source, network_current_a

PLANT = exact_source(24, 12e3, 0.0)
AT_1_MA = PickUp(exact(1e-3))
RATED = exact(250.0)
EVERYWHERE = [i / 50 for i in range(51)]

places = st.floats(0, 1)
volts = st.floats(-800, 800)
ohms = st.floats(100, 1e5)
faults = st.floats(0, 5e6)
milliamperes = st.floats(1e-4, 2e-2)
shares = st.floats(1e-4, 0.05)


@pytest.mark.parametrize(("alpha", "ohm"), [(0.0, 12e3), (0.5, 137e3), (1.0, 262e3)])
def test_worked_reach(alpha: float, ohm: float) -> None:
    """24 V behind 12 kohm with 1 mA at 250 V of field: 12, 137 and 262 kohm, worked by hand."""
    found = dc_injection.reach_ohm(PLANT, AT_1_MA, alpha, RATED)
    assert ohm == pytest.approx(found.value)


def test_fixed_threshold_is_no_resistance_setting() -> None:
    """The same detector sees 21.83 times more at one end than at the other (worked by hand)."""
    near, far = (dc_injection.reach_ohm(PLANT, AT_1_MA, a, RATED).value for a in (0.0, 1.0))
    assert 21.83 == pytest.approx(far / near, abs=5e-3)


@pytest.mark.parametrize("alpha", [0.0, 0.25, 1.0])
@pytest.mark.parametrize("field_v", [-250.0, 0.0, 400.0])
def test_current_agrees_with_a_network_of_a_thousand_segments(alpha: float, field_v: float) -> None:
    """Nodal analysis of the whole circuit gives the same current."""
    expected = network_current_a(24.0, field_v, Coupling(None, 0.0, 12e3), 20e3, alpha)
    found = dc_injection.current_a(PLANT, alpha, 20e3, exact(field_v))
    assert expected == pytest.approx(found.value, rel=1e-3, abs=1e-9)


@given(e=st.floats(-100, 100), r0=ohms, beta=places, alpha=places, rf=faults, field_v=volts)
def test_known_location_gives_the_resistance_back(
    e: float, r0: float, beta: float, alpha: float, rf: float, field_v: float
) -> None:
    """Where the location is known, the current gives the resistance of every fault."""
    source = exact_source(e, r0, beta)
    current = dc_injection.current_a(source, alpha, rf, exact(field_v))
    assume(abs(current.value) > 1e-9)
    found = dc_injection.resistance_ohm(source, current, exact(alpha), exact(field_v))
    assert rf + r0 == pytest.approx(found.value + r0, rel=1e-9)


@given(u=st.tuples(*[shares] * 5), alpha=st.floats(0.01, 1), rf=st.floats(100, 1e6), field_v=volts)
def test_uncertainty_of_a_known_location_as_another_library_carries_it(
    u: tuple[float, ...], alpha: float, rf: float, field_v: float
) -> None:
    """Automatic differentiation of the same circuit finds the same uncertainty."""
    current = dc_injection.current_a(PLANT, alpha, rf, exact(field_v)).value
    assume(abs(current) > 1e-6 and abs(field_v) > 1)
    values = (24.0, 12e3, current, alpha, field_v)
    inputs = [Measured(v, abs(v) * s) for v, s in zip(values, u, strict=True)]
    e, r0, i, a, field = inputs
    found = dc_injection.resistance_ohm(Source(e, r0, 0.0), i, a, field)
    fe, fr0, fi, fa, ffield = (ufloat(m.value, m.u) for m in inputs)
    assert ((fe + fa * ffield) / fi - fr0).s == pytest.approx(found.u, rel=1e-6)
    # And of the reach, with the pick-up in the place of the current.
    reach = dc_injection.reach_ohm(Source(e, r0, 0.0), PickUp(i, polarised=True), alpha, field)
    assert ((fe + alpha * ffield) / fi - fr0).s == pytest.approx(reach.u, rel=1e-6)


@pytest.mark.parametrize("current_a", [0.0, 1e-305, 1e-162, 1e-13])
def test_next_to_no_current_is_no_current(current_a: float) -> None:
    """What a filter leaves of a current that has gone is none, and breaks nothing."""
    found = dc_injection.resistance_ohm(PLANT, exact(current_a), exact(0.5), RATED)
    assert (inf, inf) == (found.value, found.u)
    assert Band(inf, inf) == dc_injection.band_at(
        PLANT, ReportedCurrent(exact(current_a)), RATED, 1
    )


@pytest.mark.parametrize(
    ("polarised", "zone"),
    [
        # 24 V - 250 V * alpha: below 12 V from 0.048 on; beyond -12 V again from 0.144 on.
        (True, Zone(0.048, 1.0)),
        (False, Zone(0.048, 0.144)),
    ],
)
def test_opposing_field_makes_a_blind_zone(polarised: bool, zone: Zone) -> None:
    """A field against the source blinds a polarised detector; any other sees the far end again."""
    found = dc_injection.blind_zone(PLANT, PickUp(exact(1e-3), polarised), -250.0)
    assert found is not None
    assert zone.start_pu == pytest.approx(found.start_pu)
    assert zone.end_pu == pytest.approx(found.end_pu)


def test_aiding_field_has_no_blind_zone() -> None:
    """With the field aiding, and without any, the whole winding is seen."""
    for field_v in (0.0, 1.0, 250.0):
        assert None is dc_injection.blind_zone(PLANT, AT_1_MA, field_v)


def test_source_too_weak_for_its_pick_up_is_blind_at_standstill() -> None:
    """2.1 mA cannot be driven through 12 kohm by 24 V: nothing is seen without field voltage."""
    assert Zone(0.0, 1.0) == dc_injection.blind_zone(PLANT, PickUp(exact(2.1e-3)), 0.0)


@given(
    e=st.floats(-100, 100),
    r0=ohms,
    beta=places,
    field_v=volts,
    pick_up_a=milliamperes,
    backwards=st.booleans(),
    polarised=st.booleans(),
    alpha=places,
)
def test_blind_is_where_the_reach_is_negative(
    e: float,
    r0: float,
    beta: float,
    field_v: float,
    pick_up_a: float,
    backwards: bool,
    polarised: bool,
    alpha: float,
) -> None:
    """Zone and reach are of one mind at every location."""
    source = exact_source(e, r0, beta)
    pick_up = PickUp(exact(-pick_up_a if backwards else pick_up_a), polarised)
    reach = dc_injection.reach_ohm(source, pick_up, alpha, exact(field_v)).value
    assume(abs(reach) > 1e-6 * r0)
    zone = dc_injection.blind_zone(source, pick_up, field_v)
    inside = zone is not None and zone.start_pu <= alpha <= zone.end_pu
    assert (reach < 0) == inside


@given(e=st.floats(5, 100), beta=places, alpha=places, field_v=volts, pick_up_a=milliamperes)
def test_swapped_ends_swap_the_reach(
    e: float, beta: float, alpha: float, field_v: float, pick_up_a: float
) -> None:
    """Named from its other end, the same detector sees the same."""
    pick_up = PickUp(exact(pick_up_a))
    one = dc_injection.reach_ohm(exact_source(e, 12e3, beta), pick_up, alpha, exact(field_v))
    other = dc_injection.reach_ohm(
        exact_source(e, 12e3, 1 - beta), pick_up, 1 - alpha, exact(-field_v)
    )
    assert one.value == pytest.approx(other.value, rel=1e-9, abs=1e-6)


@given(alpha=places, more=st.floats(1.01, 3), field_v=st.floats(0, 800))
def test_less_pick_up_sees_more(alpha: float, more: float, field_v: float) -> None:
    """A more sensitive setting, or a higher aiding field, never sees less."""
    field = exact(field_v)
    reach = dc_injection.reach_ohm(PLANT, AT_1_MA, alpha, field).value
    blunt = dc_injection.reach_ohm(PLANT, PickUp(exact(more * 1e-3)), alpha, field).value
    higher = dc_injection.reach_ohm(PLANT, AT_1_MA, alpha, exact(more * field_v)).value
    assert blunt < reach <= higher


@given(alpha=places, scale=st.floats(0.1, 10))
def test_volts_and_amperes_scale_together(alpha: float, scale: float) -> None:
    """All voltages and currents times one number are the same resistances."""
    reach = dc_injection.reach_ohm(PLANT, AT_1_MA, alpha, RATED).value
    scaled = dc_injection.reach_ohm(
        exact_source(24 * scale, 12e3, 0.0), PickUp(exact(1e-3 * scale)), alpha, exact(250 * scale)
    )
    assert reach == pytest.approx(scaled.value, rel=1e-9)


# --- what a report leaves open ---------------------------------------------------------------


def test_exact_current_is_one_resistance_at_each_location() -> None:
    """1 mA without any uncertainty is 12 kohm at the negative end, 262 kohm at the positive one."""
    report = ReportedCurrent(exact(1e-3))
    for alpha, ohm in ((0.0, 12e3), (0.5, 137e3), (1.0, 262e3)):
        band = dc_injection.band_at(PLANT, report, RATED, alpha)
        assert band is not None
        assert (ohm, ohm) == (pytest.approx(band.lowest_ohm), pytest.approx(band.highest_ohm))
    whole = dc_injection.band_over_winding(PLANT, report, RATED)
    assert whole is not None
    assert (12e3, 262e3) == (pytest.approx(whole.lowest_ohm), pytest.approx(whole.highest_ohm))


@pytest.mark.parametrize(
    ("picked_up", "at_half", "whole"),
    [
        (True, Band(0.0, 137e3), Band(0.0, 262e3)),
        (False, Band(137e3, inf), Band(12e3, inf)),
    ],
)
def test_contact_leaves_all_below_or_above_the_reach(
    picked_up: bool, at_half: Band, whole: Band
) -> None:
    """A contact that has picked up rules out all above the reach, one that has not all below."""
    report = ReportedContact(AT_1_MA, picked_up)
    for expected, found in (
        (at_half, dc_injection.band_at(PLANT, report, RATED, 0.5)),
        (whole, dc_injection.band_over_winding(PLANT, report, RATED)),
    ):
        assert found is not None
        assert expected.lowest_ohm == pytest.approx(found.lowest_ohm)
        assert expected.highest_ohm == pytest.approx(found.highest_ohm)


def test_contact_in_a_blind_zone() -> None:
    """Where a detector is blind, a picked-up contact is no fault, and a quiet one any."""
    field = exact(-250.0)
    up, quiet = (ReportedContact(AT_1_MA, picked_up) for picked_up in (True, False))
    assert None is dc_injection.band_at(PLANT, up, field, 0.5)
    assert Band(0.0, inf) == dc_injection.band_at(PLANT, quiet, field, 0.5)
    whole = dc_injection.band_over_winding(PLANT, up, field)
    assert whole is not None
    assert (0.0, 12e3) == (whole.lowest_ohm, pytest.approx(whole.highest_ohm))


def test_current_that_no_fault_explains() -> None:
    """More current than a dead short anywhere could draw is explained by no fault."""
    report = ReportedCurrent(Measured(30e-3, 1e-6))
    assert None is dc_injection.band_over_winding(PLANT, report, RATED)
    assert None is dc_injection.band_at(PLANT, report, RATED, 0.0)


def test_current_in_the_noise_is_at_least_a_resistance() -> None:
    """A current that cannot be told from none leaves the resistance open upwards."""
    band = dc_injection.band_at(PLANT, ReportedCurrent(Measured(1e-6, 2e-6)), RATED, 0.5)
    assert band is not None
    # 149 V over a current of at most 1 uA + 2 * 2 uA, less R0.
    assert (149 / 5e-6 - 12e3, inf) == (pytest.approx(band.lowest_ohm), band.highest_ohm)


def test_magnitude_leaves_both_directions_open() -> None:
    """A detector that reports a magnitude does not rule out the place where the current turns."""
    field = exact(-250.0)
    signed = ReportedCurrent(exact(1e-3))
    assert None is dc_injection.band_at(PLANT, signed, field, 0.5)
    band = dc_injection.band_at(PLANT, ReportedCurrent(exact(1e-3), signed=False), field, 0.5)
    assert band is not None
    assert 89e3 == pytest.approx(band.lowest_ohm) == pytest.approx(band.highest_ohm)


@given(
    e=st.floats(-60, 60), beta=places, alpha=places, rf=faults, field_v=volts, signed=st.booleans()
)
def test_fault_is_inside_what_its_current_leaves_open(
    e: float, beta: float, alpha: float, rf: float, field_v: float, signed: bool
) -> None:
    """Whatever fault drives a current, either way, the bands of place and winding hold it."""
    source, field = exact_source(e, 12e3, beta), exact(field_v)
    current = dc_injection.current_a(source, alpha, rf, field).value
    assume(abs(current) > 1e-9)
    value_a = current if signed else abs(current)
    report = ReportedCurrent(Measured(value_a, abs(current) * 1e-6), signed)
    band = dc_injection.band_at(source, report, field, alpha)
    whole = dc_injection.band_over_winding(source, report, field)
    assert band is not None
    assert whole is not None
    assert whole.lowest_ohm <= band.lowest_ohm <= rf <= band.highest_ohm <= whole.highest_ohm
    assert rf + 12e3 == pytest.approx(band.highest_ohm + 12e3, rel=1e-5)


reports = st.one_of(
    st.builds(
        lambda value, u, signed: ReportedCurrent(
            Measured(value if signed else abs(value), u), signed
        ),
        st.floats(-5e-3, 2e-2),
        st.floats(0, 2e-4),
        st.booleans(),
    ),
    st.builds(
        lambda value, polarised, picked_up: ReportedContact(
            PickUp(Measured(value, value * 0.03), polarised), picked_up
        ),
        milliamperes,
        st.booleans(),
        st.booleans(),
    ),
)


@given(
    report=reports,
    e=st.floats(-60, 60),
    beta=places,
    field_v=volts,
    u_field_v=st.floats(0, 10),
    u_r0=st.floats(0, 500),
)
def test_whole_winding_is_the_hull_of_its_locations(
    report: Report, e: float, beta: float, field_v: float, u_field_v: float, u_r0: float
) -> None:
    """The band over the winding holds that of every location, and is no wider than they are."""
    source = Source(Measured(e, 0.1), Measured(12e3, u_r0), beta)
    field = Measured(field_v, u_field_v)
    whole = dc_injection.band_over_winding(source, report, field)
    found = [dc_injection.band_at(source, report, field, alpha) for alpha in EVERYWHERE]
    there = [band for band in found if band is not None]
    if whole is None:
        assert [] == there
        return
    assert all(whole.lowest_ohm <= b.lowest_ohm * (1 + 1e-9) + 1e-6 for b in there)
    assert all(whole.highest_ohm >= b.highest_ohm * (1 - 1e-9) - 1e-6 for b in there)
    if len(there) == len(found):
        assert whole.highest_ohm == pytest.approx(max(b.highest_ohm for b in there), rel=0.05)


@given(report=reports, e=st.floats(-60, 60), alpha=places, field_v=volts, log_rf=st.floats(-2, 8))
def test_band_holds_exactly_what_does_not_contradict_the_report(
    report: Report, e: float, alpha: float, field_v: float, log_rf: float
) -> None:
    """Any resistance is inside the band if, and outside only if, the test of GUM says so."""
    source, field, rf = (
        Source(Measured(e, 0.1), Measured(12e3, 50.0), 0.0),
        exact(field_v),
        10**log_rf,
    )
    driving_v, loop_ohm = e + alpha * field_v, 12e3 + rf
    if isinstance(report, ReportedCurrent):
        current = report.current_a
        seen_v = driving_v if report.signed else abs(driving_v)
    else:
        current = report.pick_up.current_a
        seen_v = driving_v if report.pick_up.polarised else abs(driving_v)
    assume(current.value == 0 or abs(current.value) > 1e-9)
    # The difference of what the current needs and what drives it, and its uncertainty.
    difference = current.value * loop_ohm - seen_v
    allowed = 2 * float(np.linalg.norm([loop_ohm * current.u, current.value * 50.0, 0.1]))
    assume(abs(abs(difference) - allowed) > 1e-6 * (abs(difference) + allowed))
    if isinstance(report, ReportedCurrent):
        open_ = abs(difference) <= allowed
    else:
        open_ = difference <= allowed if report.picked_up else difference >= -allowed
    band = dc_injection.band_at(source, report, field, alpha)
    inside = band is not None and band.lowest_ohm <= rf <= band.highest_ohm
    # Of two separate pieces the whole from end to end is given: it may hold more, never less.
    assert inside or not open_
    if isinstance(report, ReportedContact) or (band and not isinf(band.highest_ohm)):
        assert inside == open_


def test_band_covers_95_percent() -> None:
    """Of random draws of current, source and field, the band misses the fault in about 5 %."""
    draws, rf, alpha = 4_000, 30e3, 0.4
    truth = dc_injection.current_a(PLANT, alpha, rf, RATED).value
    u = np.array([0.12, 60.0, 5e-5, 2.5])
    missed = 0
    for row in np.random.default_rng(3).normal([24.0, 12e3, truth, 250.0], u, (draws, 4)):
        e, r0, i, field = (Measured(float(v), float(s)) for v, s in zip(row, u, strict=True))
        band = dc_injection.band_at(Source(e, r0, 0.0), ReportedCurrent(i), field, alpha)
        missed += band is None or not band.lowest_ohm <= rf <= band.highest_ohm
    # 4.55 % of a normal distribution; 4000 draws scatter by 0.33 %.
    assert 0.0455 == pytest.approx(missed / draws, abs=0.01)
