"""What an alarm of DC injection can mean: bands of resistance over the location, in plain words."""

from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.diagnosis.dc_band import DcBand
from gateway.tags import (
    GOOD,
    UNCERTAIN_ENGINEERING_UNITS_EXCEEDED,
    UNCERTAIN_LAST_USABLE_VALUE,
    Limit,
)
from tests.diagnosis.access_site import MACHINES, sample, seen, site

EXACT = {**MACHINES["O1"]["detector"], "pickup_accuracy": "0 %", "part_accuracy": "0 %"}
BANDS = DcBand(site(O1={"detector": EXACT}), "O1")
NEAR = 1e-6


def test_a_contact_means_the_published_ratio_over_the_winding():
    """A pick-up at 1 mA means at most 12, 137 or 262 kohm, as the fault sits.

    Check: E = 24 V, Rs = 12 kohm, Uf = 250 V: Rf = (E + alpha * Uf) / 1 mA - Rs; that pick-up
    over the ends has a ratio of 21.83 (Kirchhoff, worked by hand).
    """
    band = BANDS.of_contact(seen({"O1.UF": 250.0}), True)
    assert 12e3 == pytest.approx(band.at_negative_end.highest_ohm, NEAR)
    assert 137e3 == pytest.approx(band.in_the_middle.highest_ohm, NEAR)
    assert 262e3 == pytest.approx(band.at_positive_end.highest_ohm, NEAR)
    assert (0.0, 262e3) == (band.over_winding.lowest_ohm, pytest.approx(262e3, NEAR))
    assert (
        "Picking up above 1 mA at a field voltage of 250 V fits an earth fault of at most "
        "12 kohm at the negative end, at most 137 kohm in the middle, at most 262 kohm at the "
        "positive end; at most 262 kohm wherever it sits (k = 2)." == band.text
    )


def test_no_contact_leaves_all_that_it_cannot_see():
    """A detector that has not picked up leaves every fault above its reach open."""
    band = BANDS.of_contact(seen({"O1.UF": 250.0}), False)
    assert (12e3, inf) == (
        pytest.approx(band.at_negative_end.lowest_ohm, NEAR),
        band.over_winding.highest_ohm,
    )
    assert "at least 262 kohm at the positive end; at least 12 kohm wherever it sits" in band.text


def test_a_current_means_one_resistance_for_each_place():
    """A reading of 1.46 mA is another resistance at each place, within its uncertainty.

    Check: (24 V + alpha * 250 V) / 1.46 mA - 12 kohm = 4438, 90055 and 175671 ohm.
    """
    told = {"O1.UF": 250.0, "O1.I": sample("O1.I", 1460.0, u=1e-6)}
    band = BANDS.of_current(seen(told), "O1.I")
    for at, expected in (
        (band.at_negative_end, 4438.356),
        (band.in_the_middle, 90054.79),
        (band.at_positive_end, 175671.2),
    ):
        assert expected == pytest.approx(at.lowest_ohm, 1e-4)
        assert expected == pytest.approx(at.highest_ohm, 1e-4)
    wider = BANDS.of_current(seen({**told, "O1.I": sample("O1.I", 1460.0, u=20.0)}), "O1.I")
    assert wider.at_negative_end.lowest_ohm < 4438 < wider.at_negative_end.highest_ohm
    assert (
        "An injected current of 1.46 mA ± 0.04 mA at a field voltage of 250 V fits an earth fault "
        "of 4 kohm to 4.9 kohm at the negative end" in wider.text
    )


@pytest.mark.parametrize(
    "field",
    [
        None,
        sample("O1.UF", 250.0, status=UNCERTAIN_LAST_USABLE_VALUE),
        sample("O1.UF", 800.0, status=UNCERTAIN_ENGINEERING_UNITS_EXCEEDED.with_limit(Limit.HIGH)),
    ],
)
def test_an_unknown_field_voltage_is_told(field):
    """Without a field voltage of now the band is that over all of 0 to rated, and says so."""
    samples = {} if field is None else {"O1.UF": field}
    band = BANDS.of_contact(seen(samples), True)
    assert None is band.field_voltage_v
    assert (
        "Picking up above 1 mA, if the field voltage is within 0 V to 250 V, fits an earth fault "
        "of at most 12 kohm at the negative end" in band.text
    )
    assert 262e3 == pytest.approx(band.over_winding.highest_ohm, NEAR)


def test_a_reading_at_its_limit_is_at_least_what_it_says():
    """A clipped current means at most a resistance."""
    clipped = sample("O1.I", 50000.0, status=GOOD.with_limit(Limit.HIGH))
    band = BANDS.of_current(seen({"O1.UF": 250.0, "O1.I": clipped}), "O1.I")
    assert (None, None) == (band.at_negative_end, band.over_winding)
    assert "fits no earth fault" in band.text  # a dead short draws 22.8 mA at most
    lower = sample("O1.I", 10000.0, status=GOOD.with_limit(Limit.HIGH))
    band = BANDS.of_current(seen({"O1.UF": 250.0, "O1.I": lower}), "O1.I")
    assert (0.0, 15400.0) == (
        band.over_winding.lowest_ohm,
        pytest.approx(band.over_winding.highest_ohm, NEAR),
    )
    assert "(none fits at the negative end)" in band.text
    least = sample("O1.I", 1460.0, status=GOOD.with_limit(Limit.HIGH))
    band = BANDS.of_current(seen({"O1.UF": 250.0, "O1.I": least}), "O1.I")
    assert 0.0 == band.at_positive_end.lowest_ohm
    assert band.text.startswith("An injected current of at least 1.46 mA at a field voltage")


def test_an_unknown_field_voltage_may_cancel_the_injection():
    """Where some field voltage cancels the source, any lower resistance explains the current too.

    Check: 24 V against 42 V drive 1.46 mA through 12 kohm and 329 ohm.
    """
    bands = DcBand(site(O1={"detector": {**EXACT, "pole_to_winding": "negative"}}), "O1")
    band = bands.of_current(seen({"O1.I": sample("O1.I", 1460.0, u=1e-6)}), "O1.I")
    assert 0.0 == band.at_positive_end.lowest_ohm
    assert 226 / 1.46e-3 - 12e3 == pytest.approx(band.at_positive_end.highest_ohm, 1e-4)


def test_nothing_is_told_of_another_detector_or_an_old_current():
    """No band without a DC-injection detector, without a current of now, or of a blind tag."""
    assert None is DcBand(site(), "C1").of_contact(seen({}), True)
    held = sample("O1.I", 1460.0, status=UNCERTAIN_LAST_USABLE_VALUE)
    assert None is BANDS.of_current(seen({"O1.I": held}), "O1.I")
    assert None is BANDS.of_current(seen({}), "O1.I")
    assert None is BANDS.of_current(seen({"O1.I": 1.0}, blind=("O1.I",)), "O1.I")


@given(
    st.floats(0, 250),
    st.floats(0, 1),
    st.floats(0, 1e6),
    st.sampled_from(["positive", "negative"]),
    st.booleans(),
)
def test_the_band_holds_the_fault_that_made_the_report(field_v, place_pu, fault_ohm, pole, known):
    """Whatever fault there is, the band of what it makes the monitor say holds it."""
    bands = DcBand(site(O1={"detector": {**EXACT, "pole_to_winding": pole}}), "O1")
    source_v = 24.0 if pole == "positive" else -24.0
    current_a = (source_v + place_pu * field_v) / (12e3 + fault_ohm)
    samples = {"O1.I": sample("O1.I", abs(current_a) * 1e6, u=1e-3)}
    if known:
        samples["O1.UF"] = field_v
    band = bands.of_current(seen(samples), "O1.I").over_winding
    assert band.lowest_ohm <= fault_ohm * (1 + NEAR) + NEAR
    assert band.highest_ohm * (1 + NEAR) + NEAR >= fault_ohm
    picked_up = current_a > 1e-3 if pole == "positive" else current_a < -1e-3
    band = bands.of_contact(seen(samples), picked_up).over_winding
    assert band.lowest_ohm * (1 - NEAR) - NEAR <= fault_ohm <= band.highest_ohm * (1 + NEAR) + NEAR
