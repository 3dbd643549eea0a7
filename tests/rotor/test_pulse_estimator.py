"""What the pulse estimator promises on records that are what they are said to be.

Its door is `estimate`. Records come from `tests.rotor.records` and from the simulated rotor; noise
is drawn from fixed seeds, so that a run repeats.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import hypot, inf, log, tanh

import numpy as np
import pytest
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st

from gateway.rotor.measured import Measured
from gateway.rotor.pulse_estimator import RecordError, estimate
from gateway.rotor.pulse_record import Estimate, FlagKind, PulseEstimate, PulseRecord
from gateway.tags import (
    BAD_OUT_OF_RANGE,
    GOOD,
    UNCERTAIN,
    Limit,
)
from simulator import rotor as simulated
from simulator.record import Digitizer, Harmonic, PulseSource, sample_record
from tests.rotor import records
from tests.rotor.records import Points, Rotor, Sampling, record

AT_LEAST = GOOD.with_limit(Limit.HIGH)
AT_MOST = GOOD.with_limit(Limit.LOW)
TERMINAL = Rotor(10e3, 0.3, 0.2e-6, 12e3, 0.0, 24.0)
MIDDLE = Rotor()
NOISE = 1e-4  # of what the amplitude drives through the source resistance

# Worked rows of the settled method: coupling, field voltage, place, resistance, and both settled
# currents from a nodal solution of the whole network.
SETTLED = [
    (12e3, 0.0, 24.0, 250.0, 0.3, 10e3, 4.500000e-3, 2.318182e-3),
    (12e3, 0.0, 24.0, 400.0, 0.75, 2e3, 23.142857e-3, 19.714286e-3),
    (12e3, 0.0, 24.0, 125.0, 0.0, 50e3, 0.387097e-3, -0.387097e-3),
    (12e3, 0.0, 24.0, 60.0, 1.0, 500e3, 0.164062e-3, 0.070312e-3),
    (31e3, 0.5, 36.0, 300.0, 0.2, 5e3, -1500.0e-6, -3500.0e-6),
    (31e3, 0.5, 36.0, 300.0, 0.5, 5e3, 1000.0e-6, -1000.0e-6),
    (31e3, 0.5, 36.0, 480.0, 0.9, 80e3, 2054.0541e-6, 1405.4054e-6),
    (31e3, 0.5, 36.0, 110.0, 0.0, 1e3, -593.75e-6, -2843.75e-6),
    (31e3 - 10e3 / 3, 1 / 3, 36.0, 300.0, 0.2, 5e3, -122.4490e-6, -2326.5306e-6),
]
# Field voltage of the positive and of the negative halves, both currents, and what their mean
# voltage would make of it.
MOVED = [
    (Rotor(10e3, 0.3, 0.2e-6, 12e3, 0.0, 24.0), 250.0, 230.0, 4.5e-3, 2.045455e-3, 7555.556),
    (Rotor(20e3, 0.9, 0.2e-6), 300.0, 330.0, 3058.8235e-6, 1882.3529e-6, 30200.0),
    (Rotor(100e3, 1.0, 0.2e-6, 12e3, 0.0, 24.0), 110.0, 120.0, 1196.4286e-6, 857.1429e-6, 129473.7),
]
# Half-cycles that do not settle: half-cycle, both last currents, and what reading them tells.
UNSETTLED = [
    (Rotor(20e3, 0.2, 1e-6), 0.5, -1058.8235e-6, -2470.5882e-6, 20.0000e3, 0.200000),
    (Rotor(1000e3, 0.2, 2e-6), 0.25, -17.6632e-6, -156.9246e-6, 486.0135e3, 0.349560),
    (Rotor(200e3, 0.7, 3e-6), 0.15, 685.7780e-6, -166.2975e-6, 53.4996e3, 0.573160),
]


def told(rotor: Rotor, seen: PulseRecord, u_e: float = 0.0, u_r0: float = 0.0) -> PulseEstimate:
    return estimate(seen, records.source(rotor, u_e, u_r0))


def away(found: Estimate, truth: float) -> float:
    """By how many of its standard uncertainties an estimate is away from the truth."""
    assert found.value is not None, found
    assert found.u is not None, found
    return abs(found.value - truth) / found.u


def number(found: Estimate) -> tuple[float, float]:
    assert found.value is not None, found
    assert found.u is not None, found
    return found.value, found.u


def assert_true(found: PulseEstimate, rotor: Rotor, within: float = 4.0) -> None:
    assert away(found.fault_resistance_ohm, rotor.fault_ohm) < within
    assert away(found.fault_location_pu, rotor.place_pu) < within


def kinds(found: PulseEstimate) -> list[FlagKind]:
    return [flag.kind for flag in found.flags]


def noisy(rotor: Rotor, sampling: Sampling | None = None, **more: object) -> PulseRecord:
    return record(rotor, sampling, noise_a=NOISE * rotor.full_a, **more)  # type: ignore[arg-type]


# --- the worked rows -------------------------------------------------------------------------


@pytest.mark.parametrize("row", SETTLED)
def test_settled_rows(row: tuple[float, ...]) -> None:
    """Resistance, place and settled currents of the worked rows come back from sampled records."""
    r0, tap, e_v, field_v, place, fault_ohm, positive_a, negative_a = row
    rotor = Rotor(fault_ohm, place, 0.2e-6, r0, tap, e_v)
    found = told(rotor, record(rotor, field=field_v, noise_a=1e-7 * rotor.full_a))
    resistance, location = found.fault_resistance_ohm, found.fault_location_pu
    assert (GOOD, GOOD, ()) == (resistance.status, location.status, found.flags)
    assert pytest.approx(fault_ohm, rel=2e-6) == resistance.value
    assert pytest.approx(place, abs=2e-6) == location.value
    # The rows have seven digits at most, or six behind the point of milliamperes.
    assert pytest.approx(positive_a, rel=1e-6, abs=1e-9) == found.current_positive_a.value
    assert pytest.approx(negative_a, rel=1e-6, abs=1e-9) == found.current_negative_a.value


@pytest.mark.parametrize("row", SETTLED[:5])
def test_settled_rows_with_a_sampled_field_voltage(row: tuple[float, ...]) -> None:
    """A column of the field voltage gives what the one number gives."""
    r0, tap, e_v, field_v, place, fault_ohm, positive_a, negative_a = row
    rotor = Rotor(fault_ohm, place, 0.2e-6, r0, tap, e_v)
    seen = record(rotor, field=field_v, noise_a=1e-7 * rotor.full_a, column=True)
    found = told(rotor, seen)
    assert (GOOD, ()) == (found.fault_location_pu.status, found.flags)
    assert pytest.approx(fault_ohm, rel=2e-6) == found.fault_resistance_ohm.value
    assert pytest.approx(place, abs=2e-6) == found.fault_location_pu.value
    assert pytest.approx(field_v, rel=1e-9) == found.field_voltage_v.value
    assert pytest.approx(positive_a, rel=1e-6, abs=1e-9) == found.current_positive_a.value
    assert pytest.approx(negative_a, rel=1e-6, abs=1e-9) == found.current_negative_a.value


@pytest.mark.parametrize(
    ("rotor", "half_s", "positive_a", "negative_a", "read", "place"), UNSETTLED
)
def test_unsettled_half_cycles(
    rotor: Rotor, half_s: float, positive_a: float, negative_a: float, read: float, place: float
) -> None:
    """Where reading the last samples is wrong by a known amount, the estimator is right."""
    sampling = Sampling(2 * half_s, 2, 1000, offset=1.0)
    clean = record(rotor, sampling)
    # The worked currents at the end of the second positive and negative half-cycle (where the
    # generator already sees what follows, one interval before).
    at_end = records.current_a(
        rotor, np.array([3 * half_s, 4 * half_s]) - 1e-12, 2 * half_s, ((0.0, 300.0),)
    )
    assert pytest.approx((positive_a, negative_a), rel=2e-6) == tuple(at_end)
    apart = at_end[0] - at_end[1]
    naive_ohm = 72 / apart - 31e3
    naive_place = 0.5 + 36 / 300 * at_end.sum() / apart
    assert pytest.approx((read, place), rel=2e-6) == (naive_ohm, naive_place)
    # The closed form of that error.
    loop_ohm = 31e3 + rotor.fault_ohm
    closed = 31e3 / (1 - rotor.fault_ohm / loop_ohm * tanh(half_s / (2 * rotor.tau_s))) - 31e3
    assert pytest.approx(read, rel=2e-6) == closed
    for seed in range(5):
        random = np.random.default_rng(seed).standard_normal(1000)
        found = told(rotor, records.with_current(clean, clean.current_a + 1e-6 * random))
        assert_true(found, rotor)
        assert away(found.winding_capacitance_f, rotor.capacitance_f) < 4
        assert away(found.time_constant_s, rotor.tau_s) < 4
    if half_s < 0.5:
        assert abs(number(found.fault_resistance_ohm)[0] - rotor.fault_ohm) < 0.05 * (
            rotor.fault_ohm - read
        )


def test_one_half_settles_after_less_than_five_time_constants() -> None:
    """A half-cycle that is too short to settle is remarked, with its length in time constants."""
    short = Rotor(200e3, 0.7, 3e-6)
    found = told(short, noisy(short, Sampling(0.3)))
    expected = (
        f"a half-cycle lasts {0.15 / short.tau_s:.2g} time constants; the end is extrapolated"
    )
    assert [(FlagKind.NOT_SETTLED, expected)] == [(f.kind, f.text) for f in found.flags]
    enough = Sampling(10 * short.tau_s)
    assert () == told(short, noisy(short, enough)).flags


@pytest.mark.parametrize("column", [True, False])
@pytest.mark.parametrize(
    ("rotor", "first_v", "second_v", "positive_a", "negative_a", "naive_ohm"), MOVED
)
def test_a_field_voltage_that_moves_between_halves(
    rotor: Rotor,
    first_v: float,
    second_v: float,
    positive_a: float,
    negative_a: float,
    naive_ohm: float,
    column: bool,
) -> None:
    """A field voltage of its own in each half is corrected with its samples."""
    levels = [(0.5 * k, first_v if k % 2 == 0 else second_v) for k in range(6)]
    points: Points = tuple(
        point
        for k, (t, v) in enumerate(levels)
        for point in ((t, levels[max(k - 1, 0)][1]), (t, v))
    )
    clean = records.current_a(rotor, np.array([0.4999, 0.9999]), 1.0, points)
    assert pytest.approx((positive_a, negative_a), rel=2e-6) == tuple(clean)
    assert pytest.approx(naive_ohm, rel=2e-6) == (
        2 * rotor.amplitude_v / (positive_a - negative_a) - rotor.source_ohm
    )
    found = told(rotor, record(rotor, field=points, noise_a=1e-6 * rotor.full_a, column=column))
    if column:
        assert_true(found, rotor)
        assert pytest.approx(rotor.fault_ohm, rel=1e-4) == found.fault_resistance_ohm.value
        low, high = sorted((first_v, second_v))
        text = f"between {low:.4g} and {high:.4g} V; corrected"
        assert [(FlagKind.FIELD_MOVED, text)] == [(f.kind, f.text) for f in found.flags]
    else:
        # Nobody can tell a voltage that moves with the source from the source itself.
        assert pytest.approx(naive_ohm, rel=0.05) == found.fault_resistance_ohm.value


# --- field voltage ---------------------------------------------------------------------------


@pytest.mark.parametrize("rotor", [TERMINAL, MIDDLE, Rotor(300e3, 0.8, 0.5e-6)])
@pytest.mark.parametrize("half_cycles", [4, 5, 7])
@pytest.mark.parametrize("column", [True, False])
def test_a_linear_drift_does_not_move_the_place(
    rotor: Rotor, half_cycles: int, column: bool
) -> None:
    """A drift of 5 % over the record leaves the place where it is, with or without a column."""
    half_s = 8 * rotor.tau_s
    sampling = Sampling(2 * half_s, half_cycles / 2, 250 * half_cycles)
    drift: Points = ((0.0, 290.0), (half_cycles * half_s, 305.0))
    off = []
    for seed in range(4):
        seen = record(
            rotor, sampling, drift, noise_a=NOISE * rotor.full_a, seed=seed, column=column
        )
        found = told(rotor, seen)
        assert_true(found, rotor, within=5.0)
        value, u = number(found.fault_location_pu)
        off.append((value - rotor.place_pu) / u)
        assert [FlagKind.FIELD_MOVED] == kinds(found)
    # A second-order part of the lag, 2e-5 of the place, is left without a column.
    assert abs(np.mean(off)) < (1.7 if column else 3.5)


def test_a_drift_of_the_current_is_told_as_what_it_is() -> None:
    """Without a column a drift is remarked with its size, as a share of the field's current."""
    drift: Points = ((0.0, 290.0), (3.0, 305.0))
    found = told(MIDDLE, noisy(MIDDLE, field=drift))
    (flag,) = found.flags
    assert FlagKind.FIELD_MOVED == flag.kind
    share = float(flag.text.removeprefix("its share of the current drifts by ").split("%")[0])
    assert pytest.approx(100 * 15 / 297.5, rel=0.05) == share
    assert flag.text.endswith("%; corrected")


@pytest.mark.parametrize("at_s", [0.31, 0.5, 1.0, 1.777, 2.6])
@pytest.mark.parametrize("rotor", [replace(TERMINAL, capacitance_f=2e-6), MIDDLE])
def test_a_step_of_the_field_voltage_is_corrected(rotor: Rotor, at_s: float) -> None:
    """A sampled step of 10 % moves neither resistance nor place, wherever it happens."""
    steps: Points = ((0.0, 300.0), (at_s, 300.0), (at_s, 270.0))
    for seed in range(4):
        found = told(rotor, noisy(rotor, field=steps, column=True, seed=seed))
        assert_true(found, rotor, within=5.0)
        assert [FlagKind.FIELD_MOVED] == kinds(found)


@pytest.mark.parametrize(
    ("field_v", "column"),
    [
        (0.0, True),
        *[(0.0, False), (9e-4, True), (9e-4, False), (-9e-4, True), (-9e-4, False)],
    ],
)
def test_without_field_voltage_there_is_no_place(field_v: float, column: bool) -> None:
    """At standstill the resistance is told and the place is not."""
    found = told(MIDDLE, noisy(MIDDLE, field=field_v, column=column))
    assert Estimate(UNCERTAIN) == found.fault_location_pu
    assert away(found.fault_resistance_ohm, MIDDLE.fault_ohm) < 4
    assert pytest.approx(field_v) == found.field_voltage_v.value


def test_a_field_voltage_that_nobody_knows() -> None:
    """Without any field voltage the resistance is told, and no place."""
    found = told(MIDDLE, replace(noisy(MIDDLE), field_voltage_v=None))
    assert Estimate(UNCERTAIN) == found.fault_location_pu
    assert Estimate(UNCERTAIN) == found.field_voltage_v
    assert GOOD == found.fault_resistance_ohm.status
    assert away(found.fault_resistance_ohm, MIDDLE.fault_ohm) < 4


def test_a_wrong_field_polarity_mirrors_the_place() -> None:
    """With the field voltage's sign swapped a place comes out mirrored about the tap."""
    for rotor in (MIDDLE, replace(MIDDLE, place_pu=0.9)):
        seen = noisy(rotor)
        right = told(rotor, seen)
        wrong = told(rotor, replace(seen, field_voltage_v=Measured(-300.0, 0.0)))
        assert pytest.approx(1 - number(right.fault_location_pu)[0], abs=1e-9) == (
            wrong.fault_location_pu.value
        )
        assert right.fault_resistance_ohm == wrong.fault_resistance_ohm
    # Behind the negative terminal the mirrored place is outside the winding, and said to be.
    found = told(TERMINAL, replace(noisy(TERMINAL), field_voltage_v=Measured(-300.0, 0.0)))
    assert Estimate(BAD_OUT_OF_RANGE) == found.fault_location_pu
    text = "check tap, field voltage and its polarity, or look for a second path"
    assert [(FlagKind.OUTSIDE, text)] == [(f.kind, f.text) for f in found.flags]


def test_an_inverting_field_is_no_other_case() -> None:
    """A negative field voltage that is known as such gives the true place."""
    for rotor in (MIDDLE, TERMINAL):
        for column in (True, False):
            assert_true(told(rotor, noisy(rotor, field=-250.0, column=column)), rotor)


# --- limits ----------------------------------------------------------------------------------


@pytest.mark.parametrize("rotor", [replace(MIDDLE, fault_ohm=inf), replace(MIDDLE, fault_ohm=1e10)])
def test_a_healthy_winding_is_at_least(rotor: Rotor) -> None:
    """Beyond what noise allows to measure it is 'at least N', and in 95 % of records truly so."""
    wrong, off, told_ohm = 0, 0, []
    # Ends that the measurement would reach by itself: 2 u of the conductance of 1200 samples.
    for seed in range(60):
        found = told(rotor, noisy(rotor, seed=seed))
        resistance = found.fault_resistance_ohm
        assert Estimate(UNCERTAIN) == found.fault_location_pu
        assert resistance.value is not None
        if resistance.status != AT_LEAST:
            # Where noise passes two deviations it is told as a number, which is skewed there.
            off += resistance.u is None or away(resistance, rotor.fault_ohm) > 2
            continue
        wrong += resistance.value > rotor.fault_ohm
        told_ohm.append(resistance.value)
    assert wrong <= 3
    assert off <= 8
    # Two deviations of the mean of 1200 samples, and a few times less where noise was in the way.
    reach_ohm = 31e3 / (2 * NOISE / 1200**0.5)
    assert 0.3 * reach_ohm < np.median(told_ohm) < 1.1 * reach_ohm


@pytest.mark.parametrize("fault_ohm", [1.5e9, 3e9, 5e9])
def test_at_least_is_true_near_the_limit(fault_ohm: float) -> None:
    """Around the largest resistance that can be told, what is said is true in 95 % of records."""
    rotor = replace(MIDDLE, fault_ohm=fault_ohm)
    wrong = 0
    for seed in range(120):
        resistance = told(rotor, noisy(rotor, seed=seed)).fault_resistance_ohm
        assert resistance.value is not None
        if resistance.status.limit == Limit.HIGH:
            wrong += resistance.value > fault_ohm
        else:
            wrong += away(resistance, fault_ohm) > 2
    assert wrong <= 12  # 6 expected; 2.5 deviations more


@pytest.mark.parametrize(
    ("rotor", "fault_ohm"),
    [
        *[(MIDDLE, 1.0), (TERMINAL, 1.0)],
        (MIDDLE, 1e-3),
        (TERMINAL, 1e-3),
    ],
)
def test_a_dead_fault_is_at_most(rotor: Rotor, fault_ohm: float) -> None:
    """A dead short is 'at most' a little, Good, and its place is told."""
    dead = replace(rotor, fault_ohm=fault_ohm, place_pu=0.8)
    wrong = 0
    for seed in range(60):
        found = told(dead, noisy(dead, seed=seed), u_r0=1e-4)
        resistance = found.fault_resistance_ohm
        assert (AT_MOST, None, ()) == (resistance.status, resistance.u, found.flags)
        assert resistance.value is not None
        # A winding without transients leaves it open how much of the noise is one.
        assert 0 <= resistance.value < 0.01 * rotor.source_ohm
        wrong += resistance.value < fault_ohm
        assert away(found.fault_location_pu, 0.8) < 5
    assert wrong <= 3


def test_a_resistance_below_zero_is_a_contradiction() -> None:
    """R0 set too high makes a dead fault negative: at most zero, Uncertain, and remarked."""
    dead = replace(MIDDLE, fault_ohm=1e-3, capacitance_f=1e-12)
    found = told(replace(dead, source_ohm=34e3), noisy(dead))
    resistance = found.fault_resistance_ohm
    assert (0.0, Limit.LOW, True) == (
        resistance.value,
        resistance.status.limit,
        resistance.status.is_uncertain,
    )
    assert FlagKind.CONTRADICTION in kinds(found)
    texts = [flag.text for flag in found.flags if flag.kind == FlagKind.CONTRADICTION]
    assert ["check source resistance, amplitude and the order of the half-cycles"] == texts


def test_a_place_outside_the_winding_is_bad() -> None:
    """A place that no fault can have is shown as no place at all, and remarked."""
    outside = replace(MIDDLE, place_pu=1.2)
    found = told(outside, noisy(outside))
    assert Estimate(BAD_OUT_OF_RANGE) == found.fault_location_pu
    assert [FlagKind.OUTSIDE] == kinds(found)
    assert away(found.fault_resistance_ohm, outside.fault_ohm) < 4


@pytest.mark.parametrize("capacitance_f", [0.05e-6, 1e-6, 5e-6])
@pytest.mark.parametrize("rotor", [MIDDLE, TERMINAL, replace(MIDDLE, fault_ohm=5e6)])
def test_the_capacitance_is_told(rotor: Rotor, capacitance_f: float) -> None:
    """Where its transients are seen, the winding's capacitance and time constant are told."""
    rotor = replace(rotor, capacitance_f=capacitance_f)
    sampling = Sampling(10 * rotor.tau_s, samples=1500)
    for seed in range(4):
        found = told(rotor, noisy(rotor, sampling, seed=seed))
        assert away(found.winding_capacitance_f, capacitance_f) < 4.5
        assert away(found.time_constant_s, rotor.tau_s) < 4.5


@pytest.mark.parametrize("capacitance_f", [1e-12, 3e-9, 3e-8])
def test_a_capacitance_without_trace_is_at_most(capacitance_f: float) -> None:
    """Transients that are over before the first sample leave 'at most', and truly so."""
    rotor = replace(MIDDLE, capacitance_f=capacitance_f)
    sampling = Sampling()
    for seed in range(10):
        found = told(rotor, noisy(rotor, sampling, seed=seed))
        capacitance = found.winding_capacitance_f
        if capacitance.status.limit != Limit.LOW:
            assert away(capacitance, capacitance_f) < 4.5
            continue
        assert (AT_MOST, None) == (capacitance.status, capacitance.u)
        assert capacitance.value is not None
        assert capacitance_f <= capacitance.value
        # One interval is a time constant of 0.2 uF here.
        assert capacitance.value < 0.2e-6
    assert (capacitance_f < 1e-8) == (capacitance.status.limit == Limit.LOW)


def test_a_capacitance_beside_a_dead_fault_is_not_seen() -> None:
    """A dead fault shorts the capacitance, of which nothing is told then but what is true."""
    dead = replace(MIDDLE, fault_ohm=0.1)
    for seed in range(10):
        capacitance = told(dead, noisy(dead, seed=seed)).winding_capacitance_f
        if capacitance.value is not None:
            assert Limit.LOW == capacitance.status.limit
            assert capacitance.value >= dead.capacitance_f


# --- uncertainty -----------------------------------------------------------------------------

Quantity = Callable[[PulseEstimate], Estimate]
QUANTITIES: dict[str, Quantity] = {
    "resistance": lambda found: found.fault_resistance_ohm,
    "place": lambda found: found.fault_location_pu,
    "capacitance": lambda found: found.winding_capacitance_f,
    "positive": lambda found: found.current_positive_a,
    "negative": lambda found: found.current_negative_a,
    "time constant": lambda found: found.time_constant_s,
}
SMALL = 1e-5  # too little to be seen as a mismatch in the noise, which is ten times as large


@pytest.mark.parametrize("name", QUANTITIES)
@pytest.mark.parametrize(
    ("rotor", "half"), [(MIDDLE, 8), (TERMINAL, 8), (Rotor(500e3, 0.8, 2e-6), 2.5)]
)
@pytest.mark.parametrize("column", [True, False])
def test_uncertain_settings_move_what_moving_them_moves(
    name: str, rotor: Rotor, half: float, column: bool
) -> None:
    """The uncertainty from amplitude, R0 and field voltage is that of really moving each.

    Moving a setting of the same samples and asking again (central differences) knows nothing of
    how the estimator propagates (GUM 5.1.3, note 2).
    """
    quantity = QUANTITIES[name]
    sampling = Sampling(2 * half * rotor.tau_s)
    seen = record(rotor, sampling, noise_a=1e-4 * rotor.full_a, column=column)
    alone = number(quantity(told(rotor, seen)))[1]

    def moved(e: float = 0.0, r0: float = 0.0, field: float = 0.0) -> float:
        source = records.source(
            replace(
                rotor,
                amplitude_v=rotor.amplitude_v * (1 + e),
                source_ohm=rotor.source_ohm * (1 + r0),
            )
        )
        voltage = seen.field_voltage_v
        if field:
            voltage = Measured(300.0 * (1 + field), 0.0)
        value, _ = number(quantity(estimate(replace(seen, field_voltage_v=voltage), source)))
        return value

    by_e = (moved(e=SMALL) - moved(e=-SMALL)) / 2
    by_r0 = (moved(r0=SMALL) - moved(r0=-SMALL)) / 2
    for u_e, u_r0, by in ((SMALL, 0.0, by_e), (0.0, SMALL, by_r0)):
        value, u = number(quantity(told(rotor, seen, u_e, u_r0)))
        assert pytest.approx(hypot(by, alone), rel=0.01, abs=1e-8 * abs(value)) == u
    both = number(quantity(told(rotor, seen, SMALL, SMALL)))[1]
    assert pytest.approx(hypot(by_e, by_r0, alone), rel=0.01) == both
    if column:
        return
    by_field = (moved(field=SMALL) - moved(field=-SMALL)) / 2
    vague = replace(seen, field_voltage_v=Measured(300.0, 300.0 * SMALL))
    _, u = number(quantity(told(rotor, vague)))
    assert pytest.approx(hypot(by_field, alone), rel=0.01) == u


def test_the_worked_budget() -> None:
    """The worked budget of the settled method comes out, part by part.

    E, R0 0.1 %, U 1 %, all rectangular; Rf 29.445 and 17.898 ohm, place 1.732e-4 and 1.7321e-3.
    """
    # Without capacitance the record has nothing but settled half-cycles.
    rotor = replace(MIDDLE, capacitance_f=1e-13)
    seen = record(rotor, noise_a=1e-7 * MIDDLE.full_a)
    rectangular = 1e-3 / 3**0.5
    parts = {
        "E": (rectangular, 0.0, 0.0, 29.445, 1.732e-4),
        "R0": (0.0, rectangular, 0.0, 17.898, 0.0),
        "U": (0.0, 0.0, 3.0 / 3**0.5, 0.0, 1.7321e-3),
    }
    for u_e, u_r0, u_v, u_ohm, u_place in parts.values():
        found = told(MIDDLE, replace(seen, field_voltage_v=Measured(300.0, u_v)), u_e, u_r0)
        # The floor of the noise adds a little to each.
        assert pytest.approx(u_ohm, rel=1e-3, abs=0.02) == found.fault_resistance_ohm.u
        assert pytest.approx(u_place, rel=1e-3, abs=2e-7) == found.fault_location_pu.u


@pytest.mark.parametrize("rotor", [MIDDLE, TERMINAL, Rotor(1e6, 0.9, 1e-6)])
@pytest.mark.parametrize("length", [1.5, 8.0])
def test_noise_scatters_results_as_they_say(rotor: Rotor, length: float) -> None:
    """Over many records the results scatter about the truth with their own uncertainty."""
    sampling = Sampling(2 * length * rotor.tau_s, samples=600)
    off: dict[str, list[float]] = {"resistance": [], "place": [], "capacitance": []}
    truths = {
        "resistance": rotor.fault_ohm,
        "place": rotor.place_pu,
        "capacitance": rotor.capacitance_f,
    }
    draws = 150
    for seed in range(draws):
        found = told(rotor, noisy(rotor, sampling, seed=1000 + seed))
        for name, truth in truths.items():
            value, u = number(QUANTITIES[name](found))
            off[name].append((value - truth) / u)
    for name, one in off.items():
        # Three deviations of the spread and of the mean of so many normal draws, and some.
        assert pytest.approx(1.0, abs=3.3 / (2 * draws) ** 0.5) == np.std(one), name
        assert abs(np.mean(one)) < 3.5 / draws**0.5, name


def test_more_periods_tell_more() -> None:
    """Four and sixteen times as many periods halve and quarter the uncertainty."""
    u = []
    for periods in (2, 8, 32):
        sampling = Sampling(0.5, periods, 100 * periods)
        found = told(MIDDLE, noisy(MIDDLE, sampling))
        assert_true(found, MIDDLE)
        u.append((found.fault_resistance_ohm.u, found.fault_location_pu.u))
    for k in (0, 1):
        one, four, sixteen = (pair[k] or 0.0 for pair in u)
        assert pytest.approx(0.5, rel=0.15) == four / one
        assert pytest.approx(0.25, rel=0.2) == sixteen / one


def test_noise_is_told() -> None:
    """The noise of one sample is told in amperes."""
    expected = NOISE * MIDDLE.full_a
    for column in (True, False):
        for length in (1.0, 8.0):
            sampling = Sampling(2 * length * MIDDLE.tau_s)
            found = told(MIDDLE, noisy(MIDDLE, sampling, column=column))
            assert pytest.approx(expected, rel=0.08) == found.noise_a


# --- symmetries ------------------------------------------------------------------------------


def test_units_do_not_matter() -> None:
    """Volts times 30, ohms times 1000: the place stays, ohms are thousandfold, farads less."""
    seen = noisy(MIDDLE)
    one = told(MIDDLE, seen)
    for volts, ohms in ((30.0, 1.0), (1.0, 1e3), (1e-2, 1e2)):
        scaled = replace(
            seen,
            current_a=seen.current_a * volts / ohms,
            field_voltage_v=Measured(300.0 * volts, 0.0),
        )
        rotor = replace(MIDDLE, amplitude_v=36 * volts, source_ohm=31e3 * ohms)
        other = told(rotor, scaled)
        for name, factor in {
            "resistance": ohms,
            "place": 1.0,
            "capacitance": 1 / ohms,
            "time constant": 1.0,
            "positive": volts / ohms,
        }.items():
            here, there = number(QUANTITIES[name](one)), number(QUANTITIES[name](other))
            assert pytest.approx((here[0] * factor, here[1] * factor), rel=1e-6) == there


def test_time_has_no_unit_but_the_second() -> None:
    """A record ten times as slow has ten times the capacitance and the same fault."""
    slow = replace(MIDDLE, capacitance_f=10 * MIDDLE.capacitance_f)
    one, ten = told(MIDDLE, noisy(MIDDLE)), told(slow, noisy(slow, Sampling(10.0)))
    for name, factor in {"resistance": 1.0, "place": 1.0, "capacitance": 10.0}.items():
        here, there = number(QUANTITIES[name](one)), number(QUANTITIES[name](ten))
        assert pytest.approx((here[0] * factor, here[1] * factor), rel=1e-6) == there


def test_a_record_upside_down_is_the_other_half() -> None:
    """With source, field and current turned over nothing else changes.

    Half a period later a square wave is the negative of itself.
    """
    seen = noisy(MIDDLE)
    turned = replace(
        seen,
        time_s=seen.time_s + 0.5,
        current_a=-seen.current_a,
        field_voltage_v=Measured(-300.0, 0.0),
    )
    one, other = told(MIDDLE, seen), told(MIDDLE, turned)
    for name in ("resistance", "place", "capacitance"):
        here, there = number(QUANTITIES[name](one)), number(QUANTITIES[name](other))
        assert pytest.approx(here, rel=1e-6) == there
    assert pytest.approx(-number(one.current_positive_a)[0]) == other.current_negative_a.value


def test_whole_periods_may_change_places() -> None:
    """Settled periods in another order give the same result."""
    periods, each = 4, 400
    sampling = Sampling(1.0, periods, periods * each)
    seen = noisy(MIDDLE, sampling)
    one = told(MIDDLE, seen)
    blocks = seen.current_a.reshape(periods, each)
    shuffled = records.with_current(seen, blocks[[2, 0, 3, 1]].ravel())
    other = told(MIDDLE, shuffled)
    for name in ("resistance", "place", "capacitance"):
        (a, u), (b, _) = number(QUANTITIES[name](one)), number(QUANTITIES[name](other))
        # What the winding was charged to, and a drift, belong to the whole record.
        assert abs(a - b) < 0.5 * u


def test_a_higher_resistance_reads_higher() -> None:
    """With the same noise the told resistance rises with the true one over the whole range."""
    told_ohm = []
    for fault_ohm in np.geomspace(500, 20e6, 40):
        rotor = replace(MIDDLE, fault_ohm=float(fault_ohm))
        told_ohm.append(number(told(rotor, noisy(rotor)).fault_resistance_ohm)[0])
    assert (np.diff(told_ohm) > 0).all()


# --- records as they come --------------------------------------------------------------------


@pytest.mark.parametrize("begin_s", [0.0, 0.123, 0.5, 0.77, -0.2, -3.5, -7.9, 1000.3, 1.0e6])
def test_a_record_may_begin_anywhere(begin_s: float) -> None:
    """Mid-period, before time 0, with a negative half first, or a million seconds later."""
    seen = noisy(MIDDLE, Sampling(begin_s=begin_s))
    found = told(MIDDLE, seen)
    assert_true(found, MIDDLE, within=5.0)
    assert () == found.flags
    halves = np.arange(np.floor(2 * begin_s) + 1, np.ceil(2 * (begin_s + 3))) / 2
    assert pytest.approx(tuple(halves)) == found.reversals_s


@pytest.mark.parametrize("charged_v", [-500.0, -36.0, 0.0, 80.0, 500.0])
@pytest.mark.parametrize("length", [1.0, 4.0])
def test_the_winding_may_be_charged_to_anything(charged_v: float, length: float) -> None:
    """What the winding was charged to before the record does not matter."""
    sampling = Sampling(2 * length * MIDDLE.tau_s, periods=2, begin_s=0.3 * MIDDLE.tau_s)
    for seed in range(3):
        found = told(MIDDLE, noisy(MIDDLE, sampling, charged_v=charged_v, seed=seed))
        assert_true(found, MIDDLE, within=5.0)
        assert away(found.winding_capacitance_f, MIDDLE.capacitance_f) < 5


def test_one_reversal_is_enough() -> None:
    """A record of half a half-cycle on either side of one reversal tells the fault."""
    for begin_s in (0.25, 0.75):
        for column in (True, False):
            found = told(
                MIDDLE, noisy(MIDDLE, Sampling(1.0, 0.5, 400, begin_s=begin_s), column=column)
            )
            assert_true(found, MIDDLE)
            assert () == found.flags


@pytest.mark.parametrize("offset", [0.0, 0.004, 0.996])
def test_samples_at_a_reversal_are_ignored(offset: float) -> None:
    """Whatever a sample at the very instant of a reversal shows, it does not count."""
    sampling = Sampling(offset=offset)
    seen = noisy(MIDDLE, sampling)
    turns = np.abs(seen.time_s * 2 - np.round(seen.time_s * 2)) < 1e-4
    assert turns.sum() >= 5
    found = told(MIDDLE, seen)
    wild = seen.current_a.copy()
    wild[turns] += 0.01 * MIDDLE.full_a * np.arange(1, turns.sum() + 1)
    other = told(MIDDLE, records.with_current(seen, wild))
    assert not found.used[turns].any()
    assert found.used[~turns].all()
    assert_true(found, MIDDLE)
    assert number(found.fault_resistance_ohm) == number(other.fault_resistance_ohm)
    assert number(found.fault_location_pu) == number(other.fault_location_pu)


@pytest.mark.parametrize(
    ("with_period", "late"), [(True, 0.0), (True, 0.9), (False, 0.0), (False, 0.3), (False, 0.9)]
)
@pytest.mark.parametrize("begin_s", [0.0, 0.6])
def test_the_source_may_be_sampled(with_period: bool, late: float, begin_s: float) -> None:
    """Turns that are known to a sample only, on a period's grid or off it, do not disturb.

    The source turns a share of the sampling interval later than a multiple of half a period.
    """
    sampling = Sampling(1.0, begin_s=begin_s)
    late_s = late * sampling.interval_s
    for seed in range(3):
        # A source that turns later is a record that began earlier.
        early = replace(sampling, begin_s=begin_s - late_s)
        seen = noisy(MIDDLE, early, seed=seed)
        seen = replace(seen, time_s=sampling.time_s)
        seen = records.pulsing(seen, MIDDLE, 1.0, late_s)
        found = told(MIDDLE, seen if with_period else replace(seen, period_s=None))
        assert_true(found, MIDDLE, within=5.0)
        assert () == found.flags
        assert len(found.reversals_s) in (5, 6)


def test_turns_off_the_grid_are_kept_as_sampled() -> None:
    """A source whose turns are nowhere near the period's grid is followed by its own samples."""
    seen = noisy(MIDDLE, Sampling(begin_s=-0.2))
    seen = replace(seen, time_s=seen.time_s + 0.2, pulse_v=None)
    shifted = records.pulsing(seen, MIDDLE, 1.0, 0.2)
    found = told(MIDDLE, shifted)
    assert_true(found, MIDDLE, within=5.0)
    assert pytest.approx((0.2, 0.7, 1.2, 1.7, 2.2, 2.7), abs=0.003) == found.reversals_s


def test_what_is_fitted_is_shown() -> None:
    """The fitted current follows the clean one at each sample, and all samples were used."""
    clean = record(MIDDLE)
    found = told(MIDDLE, noisy(MIDDLE))
    assert len(clean.current_a) == len(found.fitted_a) == len(found.used)
    assert np.max(np.abs(found.fitted_a - clean.current_a)) < 0.6 * NOISE * MIDDLE.full_a
    assert found.used.all()
    assert (0.5, 1.0, 1.5, 2.0, 2.5) == found.reversals_s


def test_the_record_is_left_as_it_is() -> None:
    """The door writes into none of the caller's arrays, and answers alike when asked again."""
    seen = records.pulsing(noisy(MIDDLE, column=True, field_noise_v=0.3), MIDDLE, 1.0)
    spoilt = records.with_outliers(seen, (100, 300), MIDDLE.full_a)
    arrays = [spoilt.time_s, spoilt.current_a, spoilt.field_voltage_v, spoilt.pulse_v]
    copies = [np.array(one) for one in arrays]
    for one in arrays:
        assert isinstance(one, np.ndarray)
        one.flags.writeable = False
    first, second = told(MIDDLE, spoilt), told(MIDDLE, spoilt)
    assert first.fault_resistance_ohm == second.fault_resistance_ohm
    assert first.flags == second.flags
    assert all(np.array_equal(a, b) for a, b in zip(copies, arrays, strict=True))


# --- against the simulated rotor -------------------------------------------------------------


def injection_of(rotor: Rotor) -> simulated.Injection:
    if not rotor.tap_pu:
        return simulated.TerminalInjection(rotor.source_ohm)
    measuring = 1e3
    together = rotor.source_ohm - measuring
    return simulated.MidpointInjection(
        together / rotor.tap_pu, together / (1 - rotor.tap_pu), measuring
    )


@pytest.mark.parametrize("tap_pu", [0.0, 0.5, 1 / 3])
@pytest.mark.parametrize("fault_ohm", [500.0, 20e3, 1e6])
@pytest.mark.parametrize("place_pu", [0.0, 0.37, 1.0])
def test_the_simulated_rotor_gives_its_fault_back(
    tap_pu: float, fault_ohm: float, place_pu: float
) -> None:
    """What the simulator's ladder of a hundred segments was given is what is told of its record."""
    rotor = Rotor(fault_ohm, place_pu, 1e-6, 31e3, tap_pu)
    winding = simulated.Winding(0.2, 1e12, 1e-6, (simulated.Fault(place_pu, fault_ohm),))
    seen = sample_record(
        Sampling().time_s,
        winding,
        PulseSource(36.0, 1.0, injection_of(rotor)),
        field_v=300.0,
        digitizer=Digitizer(noise_a=NOISE * rotor.full_a, seed=5),
    )
    found = told(rotor, PulseRecord(seen.time_s, seen.current_a, 1.0, Measured(300.0, 0.0)))
    assert_true(found, rotor, within=4.5)
    assert () == found.flags


def test_two_faults_are_told_as_one() -> None:
    """Conductances add and places are weighted with them (worked row: 4 kohm at 0.7)."""
    winding = simulated.Winding(
        0.2, 1e12, 1e-6, (simulated.Fault(0.3, 20e3), simulated.Fault(0.8, 5e3))
    )
    seen = sample_record(
        Sampling().time_s, winding, PulseSource(36.0, 1.0, injection_of(MIDDLE)), field_v=300.0
    )
    found = told(MIDDLE, PulseRecord(seen.time_s, seen.current_a, 1.0, Measured(300.0, 0.0)))
    assert pytest.approx(4000.0, rel=1e-5) == found.fault_resistance_ohm.value
    assert pytest.approx(0.7, abs=2e-5) == found.fault_location_pu.value


def test_both_generators_agree() -> None:
    """The tests' own records and the simulated rotor's are one current within 1e-9 of E/R0."""
    points: Points = ((0.2, 300.0), (0.9, 330.0), (0.9, 280.0), (1.6, 280.0))
    times = Sampling(begin_s=-0.37).time_s
    later = ((1.234, MIDDLE.with_fault(8e3, 0.9)),)
    waves = records.six_pulse(300.0)
    one = records.current_a(MIDDLE, times, 1.0, points, waves=waves, later=later)
    other = sample_record(
        times,
        simulated.Winding(1e-6, 1e18, 1e-6, (simulated.Fault(0.2, 20e3),)),
        PulseSource(36.0, 1.0, injection_of(MIDDLE)),
        field_v=points,
        later_faults=((1.234, simulated.Fault(0.9, 8e3)),),
        ripple=tuple(Harmonic(w.volts * np.exp(1j * w.phase), w.hertz) for w in waves),
    )
    assert np.max(np.abs(one - other.current_a)) < 1e-9 * MIDDLE.full_a
    assert np.max(np.abs(records.field_at(points, times, waves) - other.field_voltage_v)) < 1e-9


# --- any record ------------------------------------------------------------------------------


def spread(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(log(low), log(high)).map(lambda x: float(np.exp(x)))


@st.composite
def measured_rotors(draw: st.DrawFn) -> tuple[Rotor, float, float]:
    """A rotor out of the whole grid, its period and the noise as a share of E/R0."""
    period_s = draw(spread(1.0, 20.0))
    source_ohm, fault_ohm = draw(spread(5e3, 100e3)), draw(spread(500, 20e6))
    # A half-cycle holds one time constant or more.
    most_f = min(5e-6, period_s / 2 * (1 / source_ohm + 1 / fault_ohm))
    rotor = Rotor(
        fault_ohm,
        draw(st.floats(0.0, 1.0)),
        draw(spread(0.05e-6, most_f)) if most_f > 0.05e-6 else most_f,
        source_ohm,
        draw(st.sampled_from([0.0, 0.5, 1 / 3])),
        draw(spread(10, 100)),
    )
    return rotor, period_s, draw(spread(1e-5, 1e-3))


@settings(max_examples=150)
@given(measured_rotors(), st.floats(-600, 600), st.booleans(), st.integers(0, 2**32 - 1))
def test_what_is_told_is_what_was_there(
    drawn: tuple[Rotor, float, float], field_v: float, column: bool, seed: int
) -> None:
    """For any rotor of the grid numbers are within 5 u of the truth, and bounds hold it."""
    rotor, period_s, noise = drawn
    sampling = Sampling(period_s, samples=900)
    column = column and abs(field_v) > 1e-3  # exact zeros have a test of their own
    seen = record(rotor, sampling, field_v, noise_a=noise * rotor.full_a, seed=seed, column=column)
    found = told(rotor, seen)
    for said, truth in (
        (found.fault_resistance_ohm, rotor.fault_ohm),
        (found.fault_location_pu, rotor.place_pu),
        (found.winding_capacitance_f, rotor.capacitance_f),
    ):
        assert not said.status.is_bad or abs(field_v) < 1, said
        if said.u is not None:
            assert away(said, truth) < 5, (said, truth)
        elif said.status.limit == Limit.HIGH:
            # Bounds are two deviations away, so that three beyond them are five again.
            assert said.value is not None
            assert 1 / (rotor.source_ohm + truth) < 2.5 / (rotor.source_ohm + said.value) * 1.01
        elif said.status.limit == Limit.LOW:
            assert said.value is not None
            assert truth < 2.5 * said.value + 5 * noise * rotor.source_ohm


SIZES = st.sampled_from([0.0, 1e-300, 1e-30, 1e-9, 1e-3, 1.0, 1e9, 1e150])


@st.composite
def arrays(draw: st.DrawFn, length: int) -> np.ndarray:
    """Numbers of one size: all alike, white, a walk, two values, or whatever was drawn."""
    size = draw(SIZES)
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    kind = draw(st.sampled_from(["constant", "white", "walk", "two", "drawn", "spike"]))
    if kind == "constant":
        return np.full(length, size)
    if kind == "walk":
        return size * np.cumsum(random.normal(0, 1, length))
    if kind == "two":
        return size * random.choice([-1.0, 1.0], length)
    if kind == "drawn":
        few = draw(st.lists(st.floats(-1.0, 1.0), min_size=1, max_size=12))
        return size * np.resize(np.array(few), length)
    if kind == "spike":
        spike = np.zeros(length)
        spike[draw(st.integers(0, length - 1))] = size
        return spike
    return size * random.normal(0, 1, length)


@st.composite
def any_records(draw: st.DrawFn) -> PulseRecord:
    length = draw(st.integers(1, 300))
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    step_s = draw(st.sampled_from([1e-9, 1e-4, 0.01, 1.0, 1e6]))
    times = draw(st.floats(-100, 100)) + np.arange(length) * step_s
    match draw(st.sampled_from(["even", "jitter", "holes", "repeats", "wild"])):
        case "jitter":
            times = times + step_s * random.uniform(-0.14, 0.14, length)
        case "holes":
            times = times[random.random(length) > 0.05]
        case "repeats":
            times = np.sort(np.concatenate((times[1:], times[: length // 10 + 1])))
        case "wild":
            times = step_s * random.normal(0, 1, length)
    length = len(times)
    if not length:
        times, length = np.zeros(1), 1
    current_a = draw(arrays(length))
    period_s = draw(st.sampled_from([None, 1.0, 40 * step_s, 100.3 * step_s, 1e9 * step_s]))
    field = draw(st.sampled_from(["none", "number", "column"]))
    field_v = {
        "none": None,
        "number": Measured(draw(st.floats(-1e3, 1e3)), draw(st.floats(0, 10))),
        "column": draw(arrays(length)),
    }[field]
    pulse_v = None
    if draw(st.booleans()):
        pulse_v = 36.0 * np.where(np.floor(np.arange(length) / 23) % 2 == 0, 1.0, -1.0)
        if draw(st.booleans()):
            pulse_v = draw(arrays(length))
    return PulseRecord(times, current_a, period_s, field_v, pulse_v)


QUIET = PulseRecord(np.arange(24) * 0.01 - 0.63109412, np.zeros(24), 1.003, None)


@settings(max_examples=200, derandomize=True, phases=[Phase.explicit, Phase.generate])
@example(QUIET)
@example(replace(noisy(MIDDLE), field_voltage_v=np.zeros(1200)))
@given(any_records())
def test_anything_finite_is_borne(seen: PulseRecord) -> None:
    """Whatever finite numbers come, there is an answer or one sentence why there is none."""
    try:
        found = told(MIDDLE, seen)
    except RecordError as refused:
        assert len(str(refused)) > 20
        return
    assert len(seen.time_s) == len(found.used) == len(found.fitted_a)
    for quantity in QUANTITIES.values():
        said = quantity(found)
        assert said.value is None or not np.isnan(said.value), said
        assert said.u is None or said.u >= 0, said
        assert not (said.status.is_bad and said.value is not None)


# --- refusals --------------------------------------------------------------------------------


def refused(seen: PulseRecord) -> str:
    with pytest.raises(RecordError) as caught:
        told(MIDDLE, seen)
    return str(caught.value)


def test_too_few_samples_are_refused() -> None:
    """A record of 23 samples is refused, one of 24 is not."""
    short = noisy(MIDDLE, Sampling(samples=23, periods=1.0))
    assert (
        "23 samples are too few; a record needs at least 24, over one reversal of the source or "
        "more"
    ) == refused(short)
    told(MIDDLE, noisy(MIDDLE, Sampling(samples=24, periods=1.0)))


def test_a_record_without_a_reversal_is_refused() -> None:
    """Half a half-cycle says nothing of the source's sign."""
    seen = noisy(MIDDLE, Sampling(1.0, 0.25, 100, begin_s=0.1))
    text = (
        "the source never turns within the record; record at least one whole period, and check "
        "the period"
    )
    assert text == refused(seen)
    assert text == refused(replace(records.pulsing(seen, MIDDLE, 1.0), period_s=None))


def test_time_that_runs_backwards_is_refused() -> None:
    """Samples out of order are refused."""
    seen = noisy(MIDDLE)
    times = seen.time_s.copy()
    times[[100, 101]] = times[[101, 100]]
    expected = "time runs backwards; sort the samples by time"
    assert expected == refused(replace(seen, time_s=times))
    assert expected == refused(replace(seen, time_s=times[::-1].copy()))


def test_time_that_stands_still_is_refused() -> None:
    """Where most samples share their times there is no interval."""
    seen = noisy(MIDDLE)
    expected = "most samples have the time of the one before; give each its own time"
    assert expected == refused(replace(seen, time_s=np.repeat(seen.time_s[::4], 4)))
    assert expected == refused(replace(seen, time_s=np.zeros(1200)))


def test_uneven_samples_are_refused() -> None:
    """Samples with jitter of half an interval are refused, with a tenth they are not."""
    seen = noisy(MIDDLE)
    jitter = np.zeros(1200)
    jitter[600] = -0.5 * 0.0025
    assert (
        "the samples are not evenly spaced (usually 0.0025 s, but down to 0.00125 s); sample with "
        "a constant interval"
    ) == refused(replace(seen, time_s=seen.time_s + jitter))
    told(MIDDLE, replace(seen, time_s=seen.time_s + jitter / 5))


def test_a_period_of_a_few_samples_is_refused() -> None:
    """Half-cycles of fewer than four samples show no transient."""
    assert (
        "a half-cycle of 0.009 s has fewer than 4 samples; sample faster, or check the period"
    ) == refused(replace(noisy(MIDDLE), period_s=0.018))


def test_a_source_that_nobody_knows_is_refused() -> None:
    """Either the period or the source's voltage must be known."""
    assert "neither the period nor the source's voltage is known; give one" == refused(
        replace(noisy(MIDDLE), period_s=None)
    )


def test_a_source_of_another_amplitude_is_refused() -> None:
    """A sampled source that is neither + nor - the amplitude is refused, with the first instant."""
    seen = records.pulsing(noisy(MIDDLE), replace(MIDDLE, amplitude_v=30.0), 1.0)
    assert (
        "at 0.00125 s the source's voltage is 30 V, neither + nor - 36 V; check the amplitude"
    ) == refused(seen)


def test_a_sample_on_an_edge_of_the_source_belongs_to_what_follows() -> None:
    """A recorder may catch the source on its way from one level to the other."""
    edge = records.pulsing(noisy(MIDDLE), MIDDLE, 1.0)
    assert edge.pulse_v is not None
    edge.pulse_v[200] = 3.0
    found = told(MIDDLE, edge)
    assert () == found.flags
    assert away(found.fault_resistance_ohm, MIDDLE.fault_ohm) < 5


@pytest.mark.parametrize(
    ("changed", "text"),
    [
        ({"current_a": np.array([np.nan] * 1200)}, "a value of the current is no number"),
        ({"field_voltage_v": np.array([np.inf] * 1200)}, "a value of the field voltage is no nu"),
        ({"current_a": np.zeros(7)}, "1200 times but 7 of the current"),
        ({"period_s": float("nan")}, "a period of nan s cannot be"),
    ],
)
def test_what_is_no_number_is_refused(changed: dict[str, object], text: str) -> None:
    """Gaps that a recorder fills with no number, and columns of other lengths."""
    assert refused(replace(noisy(MIDDLE), **changed)).startswith(text)


def test_a_source_of_another_period_is_refused() -> None:
    """A sampled source that turns at another pace than the period is refused, with both."""
    seen = records.pulsing(noisy(MIDDLE), MIDDLE, 1.0)
    assert ("the source's voltage turns every 0.5 s, not every 0.6 s; check the period") == refused(
        replace(seen, period_s=1.2)
    )


def test_a_current_that_cannot_flow_is_refused() -> None:
    """Microamperes given as amperes are refused with what could flow at most."""
    seen = noisy(replace(MIDDLE, fault_ohm=5e3))
    text = refused(records.with_current(seen, 1e6 * seen.current_a))
    assert text.endswith(
        " A cannot flow: 336 V drive at most 0.01084 A through 31000 ohm; check the unit of the "
        "current"
    )


def test_a_hole_of_half_a_half_cycle_is_refused() -> None:
    """A longer hole than half of a half-cycle may hide anything; a shorter one is borne."""
    seen = noisy(MIDDLE)
    assert (
        "no samples between 0.74875 and 1.00375 s, more than half of a half-cycle; record again"
    ) == refused(records.without(seen, 300, 101))
    told(MIDDLE, records.without(seen, 300, 90))
