"""What disturbs a record is left out, corrected or said; nothing wrong is ever plainly Good."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from gateway.rotor.measured import Measured
from gateway.rotor.pulse_estimator import RecordError, estimate
from gateway.rotor.pulse_record import Estimate, Flag, FlagKind, PulseEstimate, PulseRecord
from gateway.tags import GOOD
from tests.rotor import records
from tests.rotor.records import Points, Rotor, Sampling, record

TERMINAL = Rotor(10e3, 0.3, 2e-6, 12e3, 0.0, 24.0)
MIDDLE = Rotor()
FEEBLE = Rotor(500e3, 0.8, 2e-6)
ROTORS = [TERMINAL, MIDDLE, FEEBLE]
each_rotor = pytest.mark.parametrize("rotor", ROTORS)
NOISE = 1e-4
SEEDS = range(2)


def noisy(rotor: Rotor, sampling: Sampling | None = None, **more: object) -> PulseRecord:
    return record(rotor, sampling, noise_a=NOISE * rotor.full_a, **more)  # type: ignore[arg-type]


def told(rotor: Rotor, seen: PulseRecord) -> PulseEstimate:
    return estimate(seen, rotor.source)


def away(found: Estimate, truth: float) -> float:
    assert found.value is not None, found
    assert found.u is not None, found
    return abs(found.value - truth) / found.u


def assert_true(found: PulseEstimate, rotor: Rotor, within: float = 5.0) -> None:
    assert away(found.fault_resistance_ohm, rotor.fault_ohm) < within, found.flags
    assert away(found.fault_location_pu, rotor.place_pu) < within, found.flags
    assert away(found.winding_capacitance_f, rotor.capacitance_f) < within, found.flags


def kinds(found: PulseEstimate) -> list[FlagKind]:
    return [flag.kind for flag in found.flags if flag.kind != FlagKind.NOT_SETTLED]


def texts(found: PulseEstimate, kind: FlagKind) -> list[str]:
    return [flag.text for flag in found.flags if flag.kind == kind]


def assert_not_plainly_wrong(found: PulseEstimate, rotor: Rotor) -> None:
    """A Good number without any flag is within six uncertainties, a Good bound is true."""
    if kinds(found):
        return
    for said, truth in (
        (found.fault_resistance_ohm, rotor.fault_ohm),
        (found.fault_location_pu, rotor.place_pu),
        (found.winding_capacitance_f, rotor.capacitance_f),
    ):
        if said.status == GOOD:
            assert away(said, truth) < 6, (said, truth)


# --- clean records ---------------------------------------------------------------------------


def test_a_clean_record_has_no_flag() -> None:
    """In 400 records with nothing but noise, of all kinds, at most two have anything to say."""
    random = np.random.default_rng(31)
    flagged = []
    for seed in range(400):
        rotor = Rotor(
            float(np.exp(random.uniform(np.log(500), np.log(5e6)))),
            float(random.uniform(0, 1)),
            float(np.exp(random.uniform(np.log(0.05e-6), np.log(5e-6)))),
            float(np.exp(random.uniform(np.log(5e3), np.log(100e3)))),
            float(random.choice([0.0, 0.5])),
            float(random.uniform(10, 100)),
        )
        length = float(random.uniform(5, 30))
        sampling = Sampling(2 * length * rotor.tau_s, samples=int(random.integers(400, 1600)))
        noise_a = 10 ** random.uniform(-5, -3) * rotor.full_a
        seen = record(
            rotor, sampling, random.uniform(50, 500), noise_a=noise_a, seed=seed,
            column=bool(seed % 2),
        )  # fmt: skip
        found = estimate(seen, rotor.source)
        if found.flags:
            flagged.append((seed, found.flags))
        assert_not_plainly_wrong(found, rotor)
    assert len(flagged) <= 2, flagged


# --- single samples --------------------------------------------------------------------------


@each_rotor
@pytest.mark.parametrize("size", [0.003, 0.1, 30.0])
def test_outliers_are_left_out(rotor: Rotor, size: float) -> None:
    """Nine single spikes, small or huge, are left out, counted and do not move the result."""
    at = (37, 151, 222, 401, 555, 700, 803, 999, 1100)
    for seed in SEEDS:
        seen = noisy(rotor, seed=seed)
        found = told(rotor, records.with_outliers(seen, at, size * rotor.full_a))
        assert_true(found, rotor)
        assert [FlagKind.OUTLIERS] == kinds(found)
        (text,) = texts(found, FlagKind.OUTLIERS)
        assert f"9 samples, the first at {seen.time_s[37]:.6g} s; left out" == text
        assert list(at) == np.flatnonzero(~found.used).tolist()


@each_rotor
@pytest.mark.parametrize("first", [150, 333, 1190])
def test_a_burst_is_left_out(rotor: Rotor, first: int) -> None:
    """Ten disturbed samples in a row are left out, and do not move the result."""
    for seed in SEEDS:
        seen = noisy(rotor, seed=seed)
        found = told(rotor, records.with_burst(seen, first, 10, 0.05 * rotor.full_a))
        assert_true(found, rotor)
        assert not found.used[first : first + 10].any()
        assert [FlagKind.OUTLIERS] == kinds(found)


@each_rotor
@pytest.mark.parametrize("first", [0, 201, 395])
def test_a_burst_beside_a_reversal_makes_nothing_plainly_wrong(rotor: Rotor, first: int) -> None:
    """Where it looks like a transient of another size, a burst is said in some way."""
    for seed in SEEDS:
        seen = noisy(rotor, seed=seed)
        found = told(rotor, records.with_burst(seen, first, 10, 0.05 * rotor.full_a))
        assert [] != kinds(found)
        if found.fault_resistance_ohm.status == GOOD:
            assert away(found.fault_resistance_ohm, rotor.fault_ohm) < 6


@each_rotor
def test_a_doubled_value_does_no_harm(rotor: Rotor) -> None:
    """A sample that repeats the one before is found where noise makes all others differ."""
    for at in (100, 400, 801):
        seen = noisy(rotor, seed=at)
        found = told(rotor, records.value_twice(seen, at))
        assert_true(found, rotor)
        expected = Flag(
            FlagKind.DOUBLED,
            f"1 samples, the first at {seen.time_s[at]:.6g} s; taken over from the one before",
        )
        assert [expected] == [flag for flag in found.flags if flag.kind != FlagKind.NOT_SETTLED]
        assert [at] == np.flatnonzero(~found.used).tolist()


@each_rotor
def test_a_doubled_row_is_left_out(rotor: Rotor) -> None:
    """A row that was written twice counts once."""
    for at in (5, 400, 1100):
        seen = noisy(rotor, seed=at, column=bool(at % 2))
        found = told(rotor, records.row_twice(seen, at))
        assert_true(found, rotor)
        text = f"1 samples at the time of the one before, the first at {seen.time_s[at]:.6g} s"
        assert [f"{text}; left out"] == texts(found, FlagKind.DOUBLED)
        assert [FlagKind.DOUBLED] == kinds(found)
        assert 1201 == len(found.used) == len(found.fitted_a)
        assert (1, True) == (int(np.sum(~found.used[at : at + 2])), np.isnan(found.fitted_a).any())


@each_rotor
@pytest.mark.parametrize("first", [1, 190, 300, 1150])
def test_missing_rows_are_borne(rotor: Rotor, first: int) -> None:
    """A block of rows lost, at a reversal too, is said and changes nothing."""
    for column in (True, False):
        seen = noisy(rotor, seed=first, column=column)
        found = told(rotor, records.without(seen, first, 25))
        assert_true(found, rotor)
        text = f"25 samples, the first after {seen.time_s[first - 1]:.6g} s"
        assert [(FlagKind.MISSING, text)] == [
            (flag.kind, flag.text) for flag in found.flags if flag.kind != FlagKind.NOT_SETTLED
        ]


@each_rotor
@pytest.mark.parametrize("step", [0.3, 3.0, 30.0])
def test_coarse_steps_are_noise(rotor: Rotor, step: float) -> None:
    """A converter's steps, finer or coarser than the noise, make nothing plainly wrong."""
    for seed in SEEDS:
        seen = records.quantised(noisy(rotor, seed=seed), step * NOISE * rotor.full_a)
        found = told(rotor, seen)
        assert_not_plainly_wrong(found, rotor)
        if step < 10:
            assert_true(found, rotor)
            if rotor is not FEEBLE:
                assert [] == kinds(found)


def test_coarse_steps_on_a_slope_are_no_doubled_samples() -> None:
    """Steps of a converter, seen while the current still moves, are not doubled samples."""
    for seed in range(6):
        seen = records.quantised(noisy(FEEBLE, seed=seed), 3 * NOISE * FEEBLE.full_a)
        assert [] == kinds(told(FEEBLE, seen))


# --- saturation ------------------------------------------------------------------------------


@each_rotor
def test_saturated_transients_are_left_out(rotor: Rotor) -> None:
    """Where the range ends in the transients, what is left of them tells the fault."""
    positive_a, negative_a = rotor.settled_a(300.0)
    beyond_a = 0.3 * rotor.full_a
    for seed in SEEDS:
        seen = records.clipped(
            noisy(rotor, seed=seed), negative_a - beyond_a, positive_a + beyond_a
        )
        found = told(rotor, seen)
        assert_true(found, rotor)
        assert [FlagKind.SATURATED] == kinds(found)
        ends = (seen.current_a == seen.current_a.max()) | (seen.current_a == seen.current_a.min())
        first_s = seen.time_s[ends][0]
        text = f"{ends.sum()} samples at an end of the range, the first at {first_s:.6g} s"
        assert [f"{text}; left out"] == texts(found, FlagKind.SATURATED)
        assert not found.used[ends].any()


@pytest.mark.parametrize("rotor", [MIDDLE, TERMINAL])
def test_a_saturated_plateau_is_said(rotor: Rotor) -> None:
    """With one plateau at the end of the range nothing is plainly wrong, and it is said."""
    positive_a, negative_a = rotor.settled_a(300.0)
    for seed in SEEDS:
        for low_a, high_a in (
            (-np.inf, positive_a - 0.05 * rotor.full_a),
            (negative_a + 0.05 * rotor.full_a, np.inf),
        ):
            seen = records.clipped(noisy(rotor, seed=seed), low_a, high_a)
            found = told(rotor, seen)
            assert FlagKind.SATURATED in kinds(found)
            for said, truth in (
                (found.fault_resistance_ohm, rotor.fault_ohm),
                (found.fault_location_pu, rotor.place_pu),
            ):
                if said.status == GOOD:
                    assert away(said, truth) < 6, said


def test_a_plateau_at_the_end_of_the_range_is_not_believed() -> None:
    """Where the range ends within the noise of a plateau, the rest of it is no fair sample."""
    positive_a, _ = MIDDLE.settled_a(300.0)
    for sigmas in (-1.0, 0.0):
        for seed in SEEDS:
            high_a = positive_a + sigmas * NOISE * MIDDLE.full_a
            found = told(MIDDLE, records.clipped(noisy(MIDDLE, seed=seed), -np.inf, high_a))
            assert FlagKind.SATURATED in kinds(found)
            resistance = found.fault_resistance_ohm
            assert resistance.status != GOOD or away(resistance, MIDDLE.fault_ohm) < 6


def test_nothing_but_saturation_is_not_good() -> None:
    """A converter at its ends all the time leaves no Good result, and it is said why."""
    for rotor in ROTORS:
        middle_a = sum(rotor.settled_a(300.0)) / 2
        for swing in (0.01, 0.02, 0.05):
            swing_a = swing * rotor.full_a
            seen = records.clipped(noisy(rotor), middle_a - swing_a, middle_a + swing_a)
            found = told(rotor, seen)
            assert FlagKind.SATURATED in kinds(found)
            assert not found.fault_resistance_ohm.status.is_good
            assert not found.fault_location_pu.status.is_good


# --- a fault that appears --------------------------------------------------------------------


def assert_changed_at(found: PulseEstimate, at_s: float, says: str) -> None:
    """One of the changes that are told is there, within a tenth of a half-cycle."""
    spans = []
    for text in texts(found, FlagKind.CHANGED):
        words = text.split()
        assert ("between", "and", "s;") == (words[0], words[2], words[4])
        spans.append((float(words[1]), float(words[3])))
        assert text.endswith(says)
    assert any(begin_s - 0.05 <= at_s <= end_s + 0.05 for begin_s, end_s in spans), spans


FAULTS = [(8e3, 0.9), (300e3, 0.1)]
each_fault = pytest.mark.parametrize("fault", FAULTS)


@each_rotor
@each_fault
@pytest.mark.parametrize("at_s", [0.31, 0.5, 1.21, 1.83])
def test_a_fault_that_appears_is_told(
    rotor: Rotor, at_s: float, fault: tuple[float, float]
) -> None:
    """With a reversal after it, what is told is the new fault, Good, from samples after it."""
    after = rotor.with_fault(*fault)
    found = told(rotor, noisy(rotor, later=((at_s, after),), seed=int(100 * at_s)))
    assert_true(found, after)
    assert FlagKind.CHANGED in kinds(found)
    assert found.fault_resistance_ohm.status == GOOD
    assert not found.used[np.isnan(found.fitted_a)].any()
    assert not found.used[Sampling().time_s < at_s - 0.05].any()


@each_rotor
@pytest.mark.parametrize("at_s", [0.31, 1.0, 2.2])
def test_the_instant_of_a_change_is_told(rotor: Rotor, at_s: float) -> None:
    """It is said when the fault came, and which state is told."""
    found = told(rotor, noisy(rotor, later=((at_s, rotor.with_fault(8e3, 0.9)),)))
    assert_changed_at(found, at_s, "what is told is the state after it")


def test_the_instant_of_any_change_is_told() -> None:
    """It is said when the fault came, also where the change looks like something else first."""
    for rotor, at_s in ((FEEBLE, 0.76), (TERMINAL, 1.83)):
        for seed in SEEDS:
            seen = noisy(rotor, later=((at_s, rotor.with_fault(8e3, 0.9)),), seed=seed)
            assert_changed_at(told(rotor, seen), at_s, "what is told is the state after it")


def test_a_fault_shortly_before_the_last_reversal_is_told() -> None:
    """Two fifths of a half-cycle and one reversal are enough to tell the new fault."""
    for rotor in ROTORS:
        for fault in FAULTS:
            after = rotor.with_fault(*fault)
            assert_true(told(rotor, noisy(rotor, later=((2.31, after),))), after)


@pytest.mark.parametrize("rotor", [TERMINAL, MIDDLE])
@pytest.mark.parametrize("at_s", [2.55, 2.75])
def test_a_fault_that_appears_too_late_leaves_the_state_before(rotor: Rotor, at_s: float) -> None:
    """Without a reversal after it, what is told is the fault before, Uncertain."""
    after = rotor.with_fault(8e3, 0.9)
    for seed in SEEDS:
        found = told(rotor, noisy(rotor, later=((at_s, after),), seed=seed))
        assert_true(found, rotor)
        assert ["too little follows to tell that state; what is told is the state before it"] == [
            text.split("; ", 1)[1] for text in texts(found, FlagKind.CHANGED)
        ]
        for one in (found.fault_resistance_ohm, found.fault_location_pu):
            assert one.status.is_uncertain
        assert not found.used[np.isnan(found.fitted_a)].any()
        assert not found.used[Sampling().time_s > at_s + 0.05].any()


def test_the_instant_of_a_late_change_is_told() -> None:
    """It is said when the fault came whose state is not told."""
    for rotor in (TERMINAL, MIDDLE):
        for at_s in (2.55, 2.75, 2.9):
            found = told(rotor, noisy(rotor, later=((at_s, rotor.with_fault(8e3, 0.9)),)))
            assert_changed_at(found, at_s, "what is told is the state before it")


def test_two_faults_after_each_other_are_told_at_last() -> None:
    """Of three states in one record the last one is told."""
    sampling = Sampling(periods=5, samples=2000)
    second = MIDDLE.with_fault(30e3, 0.9)
    third = second.with_fault(5e3, 0.5)
    for seed in SEEDS:
        found = told(
            MIDDLE, noisy(MIDDLE, sampling, later=((1.3, second), (3.2, third)), seed=seed)
        )
        assert_true(found, third)
        assert FlagKind.CHANGED in kinds(found)


@pytest.mark.parametrize("place_pu", [0.5, 0.9])
def test_a_healthy_winding_that_fails_inside_the_record(place_pu: float) -> None:
    """A fault in a healthy winding is told as soon as the source has turned once after it."""
    healthy = replace(MIDDLE, fault_ohm=1e9)
    after = healthy.with_fault(5e3, place_pu)
    for at_s in (0.8, 2.3):
        for seed in SEEDS:
            found = told(healthy, noisy(healthy, later=((at_s, after),), seed=seed))
            assert_true(found, after)
            assert FlagKind.CHANGED in kinds(found)


# --- the field voltage -----------------------------------------------------------------------


@each_rotor
@pytest.mark.parametrize("at_s", [0.31, 1.0, 1.777, 2.31])
def test_a_field_step_without_a_column_is_no_plain_result(rotor: Rotor, at_s: float) -> None:
    """A step of the field voltage that nobody sampled is seen in the current and said."""
    steps: Points = ((0.0, 300.0), (at_s, 300.0), (at_s, 270.0))
    for seed in SEEDS:
        found = told(rotor, noisy(rotor, field=steps, seed=seed))
        assert [] != kinds(found)


@each_rotor
@pytest.mark.parametrize("at_s", [0.31, 1.0, 1.777, 2.31])
def test_a_field_step_with_a_column_is_no_plain_error(rotor: Rotor, at_s: float) -> None:
    """A step that was sampled is corrected: results within five uncertainties, and it is said."""
    steps: Points = ((0.0, 300.0), (at_s, 300.0), (at_s, 270.0))
    for seed in SEEDS:
        found = told(rotor, noisy(rotor, field=steps, column=True, seed=seed))
        assert_true(found, rotor)
        assert [FlagKind.FIELD_MOVED] == kinds(found)


@pytest.mark.parametrize("field_noise_v", [0.05, 0.5])
@pytest.mark.parametrize("moves_v", [0.0, 30.0])
def test_noise_of_the_field_voltage_is_no_change(field_noise_v: float, moves_v: float) -> None:
    """Noise of the voltage's samples neither changes the circuit nor narrows the place."""
    steps: Points = ((0.0, 300.0), (1.31, 300.0), (1.31, 300.0 - moves_v))
    off = []
    for seed in range(24):
        seen = noisy(MIDDLE, field=steps, column=True, seed=seed, field_noise_v=field_noise_v)
        found = told(MIDDLE, seen)
        assert FlagKind.CHANGED not in kinds(found)
        off.append(away(found.fault_location_pu, MIDDLE.place_pu))
    assert np.mean(np.square(off)) ** 0.5 < 1.5


RIPPLED = [(50.0, 1201), (50.3, 1200), (60.0, 1999)]


def rippled(rotor: Rotor, mains_hz: float, samples: int, column: bool, seed: int) -> PulseRecord:
    """Ripple of six pulses, sampled too slowly to be seen as such."""
    waves = records.six_pulse(300.0, mains_hz, phase=1.0 + seed)
    return noisy(rotor, Sampling(samples=samples), waves=waves, column=column, seed=seed)


@pytest.mark.parametrize("rotor", [MIDDLE, FEEBLE])
@pytest.mark.parametrize("column", [True, False])
@pytest.mark.parametrize(("mains_hz", "samples"), RIPPLED)
def test_aliased_ripple_is_taken_off(
    rotor: Rotor, column: bool, mains_hz: float, samples: int
) -> None:
    """Behind a midpoint coupling, ripple of the field voltage does not move the result."""
    for seed in SEEDS:
        found = told(rotor, rippled(rotor, mains_hz, samples, column, seed))
        assert_true(found, rotor)
        # It may be too small to be seen, where the capacitance shorts it.
        assert set(kinds(found)) <= {FlagKind.RIPPLE}


@pytest.mark.parametrize("column", [True, False])
@pytest.mark.parametrize(("mains_hz", "samples"), RIPPLED)
def test_large_ripple_makes_nothing_plainly_wrong(
    column: bool, mains_hz: float, samples: int
) -> None:
    """At a terminal, half of the field voltage's ripple drives a current; that is always said."""
    for seed in SEEDS:
        found = told(TERMINAL, rippled(TERMINAL, mains_hz, samples, column, seed))
        assert FlagKind.RIPPLE in kinds(found)
        for said, truth in (
            (found.fault_resistance_ohm, TERMINAL.fault_ohm),
            (found.fault_location_pu, TERMINAL.place_pu),
        ):
            if said.status == GOOD:
                assert away(said, truth) < 6


@each_rotor
@pytest.mark.parametrize("hum", [0.001, 0.03])
def test_hum_is_taken_off(rotor: Rotor, hum: float) -> None:
    """Hum of 50 Hz in the current is taken off, and its frequency is said."""
    for seed in SEEDS:
        seen = noisy(rotor, seed=seed)
        wave_a = hum * rotor.full_a * np.sin(2 * np.pi * 50.02 * seen.time_s + seed)
        found = told(rotor, records.with_current(seen, seen.current_a + wave_a))
        assert_true(found, rotor)
        assert [FlagKind.RIPPLE] == kinds(found)
        if hum < 0.01:
            assert ["lines at 50.02 Hz; taken off"] == texts(found, FlagKind.RIPPLE)
        assert pytest.approx(NOISE * rotor.full_a, rel=0.08) == found.noise_a


# --- wrong settings --------------------------------------------------------------------------


WRONG = [(which, factor) for which in ("amplitude_v", "source_ohm") for factor in (0.95, 1.05)]
each_wrong = pytest.mark.parametrize(("which", "factor"), WRONG)


def set_wrong(rotor: Rotor, which: str, factor: float) -> Rotor:
    return replace(rotor, **{which: factor * getattr(rotor, which)})


@each_rotor
@each_wrong
def test_wrong_settings_are_said(rotor: Rotor, which: str, factor: float) -> None:
    """An amplitude or R0 that is 5 % off is said in some way."""
    for seed in SEEDS:
        found = estimate(noisy(rotor, seed=seed), set_wrong(rotor, which, factor).source)
        assert [] != kinds(found)


def assert_size_told(rotor: Rotor) -> None:
    for which, factor in WRONG:
        for seed in SEEDS:
            found = estimate(noisy(rotor, seed=seed), set_wrong(rotor, which, factor).source)
            (text,) = texts(found, FlagKind.SOURCE_MISMATCH)
            assert text.startswith("its transients are ")
            assert text.endswith("; check both, and the unit of the current")
            gain = float(text.split()[3])
            expected = 1 / factor if which == "amplitude_v" else factor
            assert pytest.approx(expected, rel=0.005) == gain


def test_wrong_settings_are_said_with_their_size() -> None:
    """It is said by how much: the transients are as large as amplitude over R0."""
    assert_size_told(FEEBLE)


def test_wrong_settings_beside_a_strong_fault_are_said_with_their_size() -> None:
    """It is said by how much also where the fault is strong."""
    assert_size_told(MIDDLE)
    assert_size_told(TERMINAL)


def test_wrong_settings_give_no_good_result() -> None:
    """A resistance that is 5 % off, and known to contradict the settings, is not Good."""
    for which, factor in WRONG:
        found = estimate(noisy(FEEBLE), set_wrong(FEEBLE, which, factor).source)
        assert not found.fault_resistance_ohm.status.is_good


def test_wrong_settings_beside_short_transients_are_no_outliers() -> None:
    """Where transients last a few samples, what contradicts the settings is not left out."""
    for capacitance_f in (0.1e-6, 0.2e-6, 0.4e-6):
        rotor = replace(MIDDLE, capacitance_f=capacitance_f)
        for factor in (0.95, 1.05):
            found = estimate(noisy(rotor), set_wrong(rotor, "amplitude_v", factor).source)
            assert FlagKind.SOURCE_MISMATCH in kinds(found)
            assert not found.fault_resistance_ohm.status.is_good


@each_rotor
def test_a_swapped_source_is_bad(rotor: Rotor) -> None:
    """With the halves of the period swapped the conductance is negative: Bad, and said why."""
    for seed in SEEDS:
        seen = noisy(rotor, seed=seed)
        found = told(rotor, replace(seen, time_s=seen.time_s + 0.5))
        assert (None, True) == (
            found.fault_resistance_ohm.value,
            found.fault_resistance_ohm.status.is_bad,
        )
        assert not found.fault_location_pu.status.is_good
        assert ["check source resistance, amplitude and the order of the half-cycles"] == texts(
            found, FlagKind.CONTRADICTION
        )


@each_rotor
@pytest.mark.parametrize("wrong_by", [0.9, 1.1, 2.0])
def test_a_wrong_period_is_not_plainly_wrong(rotor: Rotor, wrong_by: float) -> None:
    """A period that the source does not have makes no plain Good result."""
    for seed in SEEDS:
        seen = noisy(rotor, seed=seed)
        found = told(rotor, replace(seen, period_s=wrong_by))
        assert [] != kinds(found)
        assert not found.fault_resistance_ohm.status.is_good


# --- no record of a pulse --------------------------------------------------------------------

GARBAGE: dict[str, Callable[[np.random.Generator], np.ndarray]] = {
    "noise": lambda random: random.normal(0, 1, 1200),
    "walk": lambda random: np.cumsum(random.normal(0, 0.05, 1200)),
    "sawtooth": lambda random: np.arange(1200) % random.integers(130, 350) / 200,
    "sine": lambda random: np.sin(np.arange(1200) * random.uniform(0.01, 0.06)),
    "switched": lambda random: np.repeat(random.choice([-0.5, 0.5], 24), 50),
    "steps": lambda random: np.repeat(random.normal(0, 0.5, 12), 100),
}


@pytest.mark.parametrize("kind", GARBAGE)
def test_garbage_is_never_plain(kind: str) -> None:
    """What is no answer to a pulse gets a flag, no Good result or a refusal.

    White noise says 'at least nothing', which is true of it.
    """
    for seed in range(2):
        shape = GARBAGE[kind](np.random.default_rng(seed))
        grain = np.random.default_rng(seed).normal(0, 1e-4, 1200)
        seen = PulseRecord(
            Sampling().time_s, MIDDLE.full_a * (shape + grain), 1.0, Measured(300.0, 0.0)
        )
        try:
            found = estimate(seen, MIDDLE.source)
        except RecordError:
            continue
        if not kinds(found):
            assert found.fault_resistance_ohm.u is None, found.fault_resistance_ohm
            assert not found.fault_location_pu.status.is_good
