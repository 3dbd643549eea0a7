"""What the door of the physics says of its inputs, and whether that is true."""

from collections import Counter
from collections.abc import Mapping
from math import inf
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.rotor import estimate
from gateway.site.model import PulseInjection
from gateway.site.units import UNITS, Unit
from gateway.tags import (
    BAD_COMMUNICATION_ERROR,
    BAD_OUT_OF_RANGE,
    BAD_SENSOR_FAILURE,
    GOOD,
    UNCERTAIN,
    UNCERTAIN_CONFIGURATION_ERROR,
    UNCERTAIN_ENGINEERING_UNITS_EXCEEDED,
    UNCERTAIN_LAST_USABLE_VALUE,
    UNCERTAIN_SUB_NORMAL,
    Limit,
    Sample,
    Status,
)
from tests.rotor.circuits import loop_current_a

TAGS = ("I.POS", "I.NEG", "U.POS", "U.NEG")
E, R0, TAP = 36.0, 31e3, 0.5


def settings(**changes: Any) -> PulseInjection:
    written = {
        "amplitude": "36 V",
        "amplitude_accuracy": "0.1 %",
        "source_resistance": "31 kohm",
        "source_resistance_accuracy": "0.1 %",
        "tap": "50 %",
        "current_positive": "I.POS",
        "current_negative": "I.NEG",
        "field_voltage_positive": "U.POS",
        "field_voltage_negative": "U.NEG",
        "fault_resistance": {"tag": "R", "unit": "kohm", "range": ("0 kohm", "10 Mohm")},
        "fault_location": {"tag": "L", "unit": "%", "range": ("0 %", "100 %")},
    }
    return PulseInjection.model_validate(written | changes)


def seen(
    values: tuple[float, float, float, float],
    u: tuple[float, float, float, float] = (0.1, 0.1, 0.5, 0.5),
) -> dict[str, Sample]:
    """Currents in uA and field voltages in V with their standard uncertainties."""
    rows = zip(TAGS, values, u, strict=True)
    return {tag: Sample(tag, v, GOOD, 1_000, s) for tag, v, s in rows}


def microamperes(rf_ohm: float, location_pu: float, field_v: float) -> tuple[float, float]:
    return (
        1e6 * loop_current_a(E, field_v, R0 + rf_ohm, location_pu, TAP),
        1e6 * loop_current_a(-E, field_v, R0 + rf_ohm, location_pu, TAP),
    )


def units(current: str = "uA") -> Mapping[str, Unit]:
    names = (current, current, "V", "V")
    return {tag: UNITS[name] for tag, name in zip(TAGS, names, strict=True)}


def told(
    samples: Mapping[str, Sample], written: PulseInjection | None = None
) -> tuple[Sample, Sample]:
    return estimate.pulse_injection(written or settings(), samples, units())


def test_a_plain_fault_is_told_in_the_units_of_the_tags() -> None:
    """Currents in uA or mA give kilohms and percent, Good, with their uncertainties."""
    i_p, i_n = microamperes(20e3, 0.2, 300)
    for unit, scale in (("uA", 1.0), ("mA", 1e-3)):
        currents = (0.1 * scale, 0.1 * scale, 0.0, 0.0)
        samples = seen((i_p * scale, i_n * scale, 300, 300), currents)
        resistance, location = estimate.pulse_injection(settings(), samples, units(unit))
        assert ("R", GOOD, "L", GOOD) == (
            resistance.tag,
            resistance.status,
            location.tag,
            location.status,
        )
        assert 20.0 == pytest.approx(resistance.value)
        assert 20.0 == pytest.approx(location.value)
        # The worked budget with a tenth of the noise: the parts of E and R0 and 3.6 ohm a current.
        expected = (29.445**2 + 17.898**2 + 2 * 3.6125**2) ** 0.5 / 1e3
        assert expected == pytest.approx(resistance.uncertainty, rel=1e-4)


def test_a_perfect_winding_is_at_least() -> None:
    """No current at all is a Good 'at least', and the place is Uncertain over the winding."""
    resistance, location = told(seen((0.0, 0.0, 300.0, 300.0)))
    assert GOOD.with_limit(Limit.HIGH) == resistance.status
    assert resistance.value is not None
    assert resistance.value > 1_000
    assert UNCERTAIN == location.status
    assert 50.0 == pytest.approx(location.value)
    assert 100 / 12**0.5 == pytest.approx(location.uncertainty)


def test_the_bound_of_a_perfect_winding_takes_off_r0_and_what_is_not_known_of_it() -> None:
    """'At least' is what two standard uncertainties of the current and of R0 leave."""
    roughly = settings(source_resistance_accuracy="20 %")
    resistance, _ = told(seen((0.0, 0.0, 300.0, 300.0), (20.0, 20.0, 0.5, 0.5)), roughly)
    # G = (i+ - i-)/2E at equal field voltages; R0 is rectangular within its 20 % (GUM 4.3.7).
    u_conductance_s = 2**0.5 * 20e-6 / (2 * E)
    expected_ohm = 1 / (2 * u_conductance_s) - R0 - 2 * 0.2 * R0 / 3**0.5
    assert expected_ohm / 1e3 == pytest.approx(resistance.value, rel=1e-9)


def test_no_more_is_promised_than_the_tag_can_show() -> None:
    """Exact zero currents are 'at least' the top of the range, not a number out of nowhere."""
    resistance, _ = told(seen((0.0, 0.0, 300.0, 300.0), (0.0, 0.0, 0.0, 0.0)))
    assert GOOD.with_limit(Limit.HIGH) == resistance.status
    assert 10_000.0 == pytest.approx(resistance.value)


def test_a_measurement_drowned_in_noise_is_not_good() -> None:
    """Where nothing can be told, neither open nor dead, 'at least zero' is Uncertain."""
    resistance, _ = told(seen((0.0, 0.0, 300.0, 300.0), (5e3, 5e3, 0.5, 0.5)))
    assert (0.0, Limit.HIGH) == (resistance.value, resistance.status.limit)
    assert resistance.status.is_uncertain


def test_a_dead_fault_is_at_most() -> None:
    """A resistance that cannot be told from zero is 'at most' a little, and is Good."""
    i_p, i_n = microamperes(0.0, 0.8, 300)
    resistance, location = told(seen((i_p, i_n, 300, 300)))
    assert GOOD.with_limit(Limit.LOW) == resistance.status
    assert isinstance(resistance.value, float)
    assert 0.0 <= resistance.value < 0.2
    assert 80.0 == pytest.approx(location.value, abs=1e-6)


def test_a_dead_fault_behind_a_wrong_r0_is_still_there() -> None:
    """R0 set 10 % too high makes a dead fault negative: at most zero, settings contradicted."""
    i_p, i_n = microamperes(0.0, 0.8, 300)
    wrong = settings(source_resistance="34 kohm")
    resistance, location = told(seen((i_p, i_n, 300, 300)), wrong)
    assert UNCERTAIN_CONFIGURATION_ERROR.with_limit(Limit.LOW) == resistance.status
    assert 0.0 == resistance.value
    assert resistance.measured_now
    assert 80.0 == pytest.approx(location.value, abs=1e-6)


def test_swapped_half_cycles_are_no_perfect_winding() -> None:
    """A negative conductance is impossible: Bad, never 'at least' anything."""
    i_p, i_n = microamperes(1e3, 0.5, 0)
    resistance, location = told(seen((i_n, i_p, 0.0, 0.0)))
    assert resistance.status.is_bad
    assert not location.status.is_good


def test_without_field_voltage_the_place_is_uncertain() -> None:
    """At standstill the resistance is told and the place is not."""
    i_p, i_n = microamperes(20e3, 0.2, 0)
    resistance, location = told(seen((i_p, i_n, 0.0, 0.0)))
    assert GOOD == resistance.status
    assert 20.0 == pytest.approx(resistance.value)
    assert UNCERTAIN == location.status
    assert 50.0 == pytest.approx(location.value)


def test_a_place_of_a_feeble_fault_is_uncertain() -> None:
    """The less current a fault draws, the less is known of its place; then it is Uncertain."""
    i_p, i_n = microamperes(5e6, 0.2, 300)
    _, location = told(seen((i_p, i_n, 300, 300), (4.0, 4.0, 0.5, 0.5)))
    assert UNCERTAIN == location.status
    assert isinstance(location.uncertainty, float)
    assert location.uncertainty > 8.0


def test_a_place_of_a_current_within_the_noise_is_not_told() -> None:
    """At the tap the place seems sharp however little current flows; it is not told then."""
    resistance, location = told(seen((1.0, -1.0, 300, 300), (0.8, 0.8, 0.5, 0.5)))
    assert Limit.HIGH == resistance.status.limit
    assert UNCERTAIN == location.status
    assert 100 / 12**0.5 == pytest.approx(location.uncertainty)


def test_a_place_outside_the_winding_is_bad() -> None:
    """A place that no fault can have is shown as no place at all."""
    i_p, i_n = microamperes(20e3, 1.2, 300)
    resistance, location = told(seen((i_p, i_n, 300, 300)))
    assert BAD_OUT_OF_RANGE == location.status
    assert None is location.value
    assert 20.0 == pytest.approx(resistance.value)


def test_a_place_just_outside_is_noise() -> None:
    """A place within 5 % outside the winding is shown as it was found."""
    i_p, i_n = microamperes(20e3, 1.04, 300)
    _, location = told(seen((i_p, i_n, 300, 300)))
    assert GOOD == location.status
    assert 104.0 == pytest.approx(location.value)


@pytest.mark.parametrize("tag", TAGS)
def test_worst_status_and_oldest_time_are_carried_over(tag: str) -> None:
    """One worse and one older input of four decide status and time of both results."""
    i_p, i_n = microamperes(20e3, 0.2, 300)
    for status in (UNCERTAIN_LAST_USABLE_VALUE, UNCERTAIN_SUB_NORMAL):
        samples = seen((i_p, i_n, 300, 300))
        samples[tag] = Sample(tag, samples[tag].value, status, 400, samples[tag].uncertainty)
        for result in told(samples):
            assert (status, 400) == (result.status, result.time_ns)
            assert 20.0 == pytest.approx(result.value)


@pytest.mark.parametrize("tag", TAGS)
def test_a_bad_input_leaves_no_value(tag: str) -> None:
    """One Bad input of four makes both results Bad for the same cause, without its limit bits."""
    samples = seen((1.0, -1.0, 300, 300))
    samples[tag] = Sample(tag, None, BAD_SENSOR_FAILURE.with_limit(Limit.LOW), 400)
    for result in told(samples):
        assert (None, BAD_SENSOR_FAILURE, 400) == (result.value, result.status, result.time_ns)


def test_of_two_bad_inputs_the_first_cause_is_kept() -> None:
    """Of equally bad inputs the first one names the cause."""
    samples = seen((1.0, -1.0, 300, 300))
    samples["I.NEG"] = Sample("I.NEG", None, BAD_SENSOR_FAILURE, 400)
    samples["U.POS"] = Sample("U.POS", None, BAD_COMMUNICATION_ERROR, 300)
    assert [BAD_SENSOR_FAILURE] * 2 == [s.status for s in told(samples)]


def test_a_clipped_input_makes_no_good_result() -> None:
    """A current that the device could only bound gives no Good resistance."""
    i_p, i_n = microamperes(5e3, 0.9, 480)
    for clipped in (GOOD, UNCERTAIN_ENGINEERING_UNITS_EXCEEDED):
        samples = seen((i_p, i_n, 480, 480))
        samples["I.POS"] = Sample("I.POS", i_p, clipped.with_limit(Limit.HIGH), 1_000, 0.1)
        resistance, location = told(samples)
        assert (True, Limit.NONE) == (resistance.status.is_uncertain, resistance.status.limit)
        assert location.status.is_uncertain


DRAWS = 600
CASES = [
    (rf, noise)
    for rf in (0.0, 50.0, 2e3, 50e3, 1e6, 5e6, 2e7, inf)
    for noise in (0.05, 0.5, 5.0, 50.0, 500.0)
]


@pytest.mark.parametrize(("rf_ohm", "noise_ua"), CASES)
def test_what_is_said_is_true(rf_ohm: float, noise_ua: float) -> None:
    """Of seeded noisy readings few make the door say what is not so, and none a Good nonsense.

    A bound is one-sided at k = 2 (2.3 % of a normal distribution lie beyond), a number is
    two-sided (4.6 %) and skewed where the conductance is barely known.
    """
    generator = np.random.default_rng(11)
    i_p, i_n = microamperes(rf_ohm, 0.3, 300) if rf_ohm < inf else (0.0, 0.0)
    wrong: Counter[str] = Counter()
    for noise in generator.normal(0, 1, (DRAWS, 6)):
        e, r0 = E * (1 + noise[4] * 1e-3 / 3**0.5), R0 * (1 + noise[5] * 1e-3 / 3**0.5)
        values = (i_p + noise_ua * noise[0], i_n + noise_ua * noise[1], 300.0, 300.0)
        written = settings(amplitude=f"{e:.9f} V", source_resistance=f"{r0:.9f} ohm")
        resistance, _ = told(seen(values, (noise_ua, noise_ua, 0.0, 0.0)), written)
        if resistance.value is None:
            wrong["bad"] += 1
            continue
        said_ohm = resistance.value * 1e3
        match resistance.status.limit:
            case Limit.HIGH:
                wrong["at least"] += said_ohm > rf_ohm
            case Limit.LOW:
                wrong["at most"] += said_ohm < rf_ohm
            case _:
                u_ohm = (resistance.uncertainty or 0.0) * 1e3
                wrong["number"] += abs(said_ohm - rf_ohm) > 2 * u_ohm
    share = {kind: count / DRAWS for kind, count in wrong.items()}
    assert share.get("at least", 0) <= 0.04
    assert share.get("at most", 0) <= 0.04
    assert share.get("number", 0) <= 0.11
    assert share.get("bad", 0) <= 0.005


@pytest.mark.parametrize("location_pu", [0.02, 0.5, 0.95])
@pytest.mark.parametrize(
    ("noise_ua", "most"),
    # 4.6 % of a normal distribution lie beyond k = 2, and 600 draws scatter by 0.9 %; where the
    # noise is as large as the current itself, no place may come out as Good at all.
    [(0.5, 0.08), (5.0, 0.08), (15.0, 0.08), (50.0, 0.002)],
)
def test_a_good_place_is_a_true_place(location_pu: float, noise_ua: float, most: float) -> None:
    """No more readings show a wrong place as Good than k = 2 allows, and none in mere noise."""
    i_p, i_n = microamperes(1e6, location_pu, 300)
    wrong = 0
    for noise in np.random.default_rng(5).normal(0, noise_ua, (DRAWS, 2)):
        values = (i_p + noise[0], i_n + noise[1], 300.0, 300.0)
        _, location = told(seen(values, (noise_ua, noise_ua, 0.0, 0.0)))
        if location.status.is_good and location.value is not None:
            wrong += abs(location.value - 100 * location_pu) > 2 * (location.uncertainty or 0.0)
    assert wrong <= most * DRAWS


@given(
    st.tuples(*[st.floats(-1e5, 1e5)] * 2, *[st.floats(-1e3, 1e3)] * 2),
    st.tuples(*[st.floats(0, 1e3)] * 4),
    st.sampled_from([GOOD, UNCERTAIN_LAST_USABLE_VALUE, UNCERTAIN_SUB_NORMAL]),
)
def test_the_door_never_breaks_and_never_betters(
    values: tuple[float, float, float, float],
    u: tuple[float, float, float, float],
    status: Status,
) -> None:
    """Any finite inputs give two Samples of which none is better than the worst input."""
    samples = seen(values, u)
    samples["U.NEG"] = Sample("U.NEG", values[3], status, 1_000, u[3])
    for result in told(samples):
        assert status >> 30 <= result.status >> 30
        assert result.value is None or result.tag == "L" or result.value >= 0
