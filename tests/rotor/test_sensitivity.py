"""What an installed detector can see over the winding, from its block in the site file."""

from math import inf, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from gateway.rotor import dc_injection, voltage_divider
from gateway.rotor.dc_injection import PickUp, Zone
from gateway.rotor.sensitivity import LOCATIONS_PU, Sensitivity, sensitivity
from gateway.rotor.voltage_divider import Divider, Leg
from gateway.site.detector import Detector
from tests.rotor.circuits import Coupling, exact, exact_source, network_current_a

PULSE = {"method": "pulse injection", "pickup_resistance": "20 kohm"}
DC = {
    "method": "DC injection",
    "injection_voltage": "24 V",
    "series_resistance": "12 kohm",
    "pickup_current": "1 mA",
}
DIVIDER = {
    "method": "voltage divider",
    "leg_positive": "20 kohm",
    "leg_negative": "20 kohm",
    "relay_resistance": "5 kohm",
    "pickup_current": "2 mA",
}
VARISTOR = {"leg": "negative", "voltage": "60 V", "current": "1 mA", "exponent": 0.25}
AC = {
    "method": "AC injection",
    "voltage": "50 V",
    "frequency": "50 Hz",
    "series_resistance": "500 ohm",
    "series_capacitance": "4 uF",
    "winding_capacitance": "0.5 uF",
    "pickup_current": "10.357631 mA",
}

volts = st.floats(-800, 800)


def detector(block: dict[str, object], **more: object) -> Detector:
    found: Detector = TypeAdapter(Detector).validate_python({**block, **more})
    return found


def at(seen: Sensitivity, location_pu: float) -> float | None:
    """The highest resistance at a location; None where the detector is blind."""
    highest = next(r.highest_ohm for r in seen.reaches if r.location_pu == location_pu)
    return highest and highest.value


def test_dc_injection_sees_far_more_at_one_end() -> None:
    """24 V, 12 kohm, 1 mA at 250 V: 12, 137 and 262 kohm, worked by hand; 12 at standstill."""
    rated, standstill = (sensitivity(detector(DC), v) for v in (250.0, 0.0))
    assert [12e3, 137e3, 262e3] == pytest.approx([at(rated, place) for place in (0.0, 0.5, 1.0)])
    assert {12e3} == {at(standstill, place) for place in LOCATIONS_PU}
    assert None is rated.blind_zone is standstill.blind_zone


def test_negative_pole_at_the_positive_end_is_the_mirror() -> None:
    """Turned around, source and all, the same detector sees the mirrored winding."""
    turned = detector(DC, tap="100 %", pole_to_winding="negative")
    one, other = sensitivity(detector(DC), 250.0), sensitivity(turned, 250.0)
    for place in (0.0, 0.25, 1.0):
        assert at(one, place) == pytest.approx(at(other, 1.0 - place))


@pytest.mark.parametrize(("polarised", "end"), [(True, 1.0), (False, 0.144)])
def test_inverted_field_blinds_dc_injection(polarised: bool, end: float) -> None:
    """At -250 V the winding is dark from 0.048 on, to one direction all, to both until 0.144."""
    seen = sensitivity(detector(DC, polarised=polarised), -250.0)
    assert seen.blind_zone is not None
    assert (0.048, end) == pytest.approx((seen.blind_zone.start_pu, seen.blind_zone.end_pu))
    assert None is at(seen, 0.1)
    # Further on the current is (250 * 0.5 - 24) V / 1 mA, less R0: 89 kohm, to both directions.
    assert (None if polarised else pytest.approx(89e3)) == at(seen, 0.5)


def test_divider_is_blind_around_its_null() -> None:
    """250 V, 15 kohm, 2 mA: 47.5 and 10 kohm, blind from 0.38 to 0.62, worked by hand."""
    seen = sensitivity(detector(DIVIDER), 250.0)
    assert seen.blind_zone is not None
    assert (0.38, 0.62) == pytest.approx((seen.blind_zone.start_pu, seen.blind_zone.end_pu))
    assert [47.5e3, 10e3] == pytest.approx([at(seen, 0.0), at(seen, 0.3)])
    assert None is at(seen, 0.45)
    assert Zone(0.0, 1.0) == sensitivity(detector(DIVIDER), 0.0).blind_zone


@pytest.mark.parametrize(("leg", "end"), [("negative", 0.0), ("positive", 1.0)])
def test_varistor_stands_in_its_leg(leg: str, end: float) -> None:
    """A varistor moves the blind zone away from the end whose leg it stands in."""
    bent = sensitivity(detector(DIVIDER, varistor={**VARISTOR, "leg": leg}), 250.0).blind_zone
    even = sensitivity(detector(DIVIDER), 250.0).blind_zone
    assert bent is not None
    assert even is not None
    assert abs(bent.start_pu - end) > abs(even.start_pu - end)
    assert abs(bent.end_pu - end) > abs(even.end_pu - end)


def test_pulse_injection_sees_the_same_everywhere() -> None:
    """A resistance threshold is the same at each place and field voltage, standstill included."""
    for field_v in (-300.0, 0.0, 350.0):
        seen = sensitivity(detector(PULSE), field_v)
        assert {20e3} == {at(seen, place) for place in LOCATIONS_PU}
        assert None is seen.blind_zone


def test_ac_injection_sees_the_same_everywhere() -> None:
    """The worked current of 5 kohm as pick-up sees 5 kohm, wherever the fault sits."""
    for field_v in (0.0, 350.0):
        seen = sensitivity(detector(AC), field_v)
        assert 5e3 == pytest.approx(at(seen, 0.0), rel=1e-6)
        assert at(seen, 0.0) == at(seen, 1.0)
        assert not seen.sees_healthy


def test_ac_injection_between_too_much_and_nothing() -> None:
    """Below 6.964366 mA of capacitive current it tells nothing, above 53.2 mA it sees nothing."""
    everything = sensitivity(detector(AC, pickup_current="6.96 mA"), 0.0)
    assert everything.sees_healthy
    assert inf == at(everything, 0.5)
    nothing = sensitivity(detector(AC, pickup_current="53.3 mA"), 0.0)
    assert (Zone(0.0, 1.0), None) == (nothing.blind_zone, at(nothing, 0.5))


def test_uncertainty_is_that_of_pick_up_and_parts() -> None:
    """5 % of the pick-up and 0.5 % of the parts, rectangular: worked after GUM 5.1.2."""
    seen = sensitivity(detector(DC), 0.0)
    reach = seen.reaches[0].highest_ohm
    assert reach is not None
    # 24 kohm of loop: 5 % and 0.5 % of it, and 0.5 % of 12 kohm, each over sqrt(3).
    expected = sqrt((24e3 * 0.05) ** 2 + (24e3 * 0.005) ** 2 + (12e3 * 0.005) ** 2) / sqrt(3)
    assert expected == pytest.approx(reach.u)


@pytest.mark.parametrize("location", [0, 13, 50, 88, 100])
@pytest.mark.parametrize(
    ("block", "coupling", "source_v", "pick_up_a"),
    [
        (DC, Coupling(None, 0.0, 12e3), 24.0, 1e-3),
        (DIVIDER, Coupling(20e3, 20e3, 5e3), 0.0, 2e-3),
    ],
    ids=["DC injection", "voltage divider"],
)
def test_network_with_the_highest_resistance_just_picks_up(
    block: dict[str, object], coupling: Coupling, source_v: float, pick_up_a: float, location: int
) -> None:
    """Nodal analysis with the highest resistance that is seen gives the pick-up current."""
    highest = at(sensitivity(detector(block), 250.0), LOCATIONS_PU[location])
    if highest is None:
        short_a = network_current_a(source_v, 250.0, coupling, 1e-3, location / 100)
        assert abs(short_a) < pick_up_a
        return
    found = network_current_a(source_v, 250.0, coupling, max(highest, 1e-3), location / 100)
    assert pick_up_a == pytest.approx(abs(found), rel=1e-3)


@given(
    field_v=volts,
    place=st.sampled_from(LOCATIONS_PU),
    block=st.sampled_from((DC, {**DC, "polarised": False}, DIVIDER, PULSE, AC)),
)
def test_blind_zone_and_numbers_are_of_one_mind(
    field_v: float, place: float, block: dict[str, object]
) -> None:
    """A location has no number exactly if it lies in the blind zone."""
    seen = sensitivity(detector(block), field_v)
    zone = seen.blind_zone
    near_edge = zone and min(abs(place - zone.start_pu), abs(place - zone.end_pu)) < 1e-9
    if not near_edge:
        inside = zone is not None and zone.start_pu <= place <= zone.end_pu
        assert inside == (at(seen, place) is None)


def test_block_means_what_its_words_say() -> None:
    """What a block says in its units is what the physics is asked, in its own."""
    seen = sensitivity(detector(DC, tap="30 %"), 100.0, (0.7,))
    source, pick_up = exact_source(24, 12e3, 0.3), PickUp(exact(1e-3))
    expected = dc_injection.reach_ohm(source, pick_up, 0.7, exact(100.0)).value
    assert expected == pytest.approx(at(seen, 0.7))
    uneven = Divider(Leg(exact(20e3)), Leg(exact(8e3)), exact(5e3))
    expected = voltage_divider.reach_ohm(uneven, exact(2e-3), 0.7, exact(100.0)).value
    seen = sensitivity(detector(DIVIDER, leg_negative="8 kohm"), 100.0, (0.7,))
    assert expected == pytest.approx(at(seen, 0.7))
