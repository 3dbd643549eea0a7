"""Telling one more fault from a worse one: the stated rates, the delays, and what stays untold."""

import json
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from math import inf, nan, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats  # type: ignore[import-untyped]

from gateway.rotor.measured import Measured
from gateway.rotor.second_fault import Leakage
from gateway.rotor.sequential import Change, Kind, Tuning, Watch, Weighed, step

U_G, U_M, R = 1e-7, 1.2e-7, 0.5  # repeatability of a reading [S], and its correlation
COVARIANCE = R * U_G * U_M
_ROOT = np.linalg.cholesky([[U_G**2, COVARIANCE], [COVARIANCE, U_M**2]])
QUICK = Tuning(false_alarm_probability=0.02, baseline_readings=16)
FIRST = (5e-5, 1.5e-5)  # 20 kohm at 0.3


def plus(fault: tuple[float, float], conductance_s: float, place: float) -> tuple[float, float]:
    """What is read once a fault of this conductance has come at this place."""
    return fault[0] + conductance_s, fault[1] + place * conductance_s


def readings(
    rng: np.random.Generator, means: Iterable[tuple[float, float]], scatter: float = 1.0
) -> Iterator[Leakage]:
    for g, m in means:
        e_g, e_m = scatter * _ROOT @ rng.standard_normal(2)
        yield Leakage(Measured(g + e_g, U_G), Measured(m + e_m, U_M), COVARIANCE)


def watched(stream: Iterable[Leakage], watch: Watch) -> tuple[Watch, list[Change]]:
    said = []
    for reading in stream:
        watch, change = step(watch, reading)
        said.append(change)
    return watch, said


def after(
    seed: int,
    before: tuple[float, float],
    now: Iterable[tuple[float, float]],
    tuning: Tuning = QUICK,
) -> list[Change]:
    """What is said of these readings once a baseline has been learnt."""
    rng = np.random.default_rng(seed)
    watch, _ = watched(readings(rng, [before] * tuning.baseline_readings), Watch(tuning))
    if watch.baseline is None:  # scattered by chance: once more
        watch, _ = watched(readings(rng, [before] * tuning.baseline_readings), watch)
    return watched(readings(rng, now), watch)[1]


def rate(runs: list[list[Change]], *kinds: Kind) -> tuple[float, float]:
    """Share of readings of these kinds, with its standard error from the runs, which are apart."""
    shares = [sum(c.kind in kinds for c in run) / len(run) for run in runs]
    return float(np.mean(shares)), float(np.std(shares, ddof=1) / sqrt(len(shares)))


def test_false_alarm_rate_is_the_one_stated() -> None:
    """Without a change a reading names one with no more than the stated probability."""
    runs = [after(seed, FIRST, [FIRST] * 80) for seed in range(300)]
    share, error = rate(runs, *(set(Kind) - {Kind.NO_CHANGE}))
    p = QUICK.false_alarm_probability
    assert share - 3 * error < p  # not above it, at 99.9 %
    assert share + 3 * error > p / 3  # and no empty promise: the bound is near
    # Within n readings a first false alarm has probability n*p at most.
    for n in (1, 5, 20):
        early = sum(any(c.kind != Kind.NO_CHANGE for c in run[:n]) for run in runs)
        assert stats.binomtest(early, len(runs), n * p, alternative="greater").pvalue > 1e-3


def test_statistic_is_chi_square() -> None:
    """The first reading after the baseline alarms as often as the chi-square tail says."""
    # Only one of the five windows is there yet: a fifth of p, by the distributions of scipy.
    tuning = Tuning(false_alarm_probability=0.1, baseline_readings=16)
    assert 0.02 == pytest.approx(stats.chi2.sf(tuning.threshold, 2))
    assert 0.02 == pytest.approx(2 * stats.norm.sf(tuning.factor))
    first = [after(seed, FIRST, [FIRST], tuning)[0].kind for seed in range(2000)]
    learnt = [kind for kind in first if kind != Kind.LEARNING]
    hits = sum(kind != Kind.NO_CHANGE for kind in learnt)
    assert stats.binomtest(hits, len(learnt), 0.02).pvalue > 1e-3


@pytest.mark.parametrize("signal_to_noise", [6.0, 500.0])
def test_a_worsening_is_not_called_one_more(signal_to_noise: float) -> None:
    """While the place stays, 'one more' is said with no more than the stated probability."""
    # The baseline's own conductance is barely told, or told well.
    g = signal_to_noise * U_G / sqrt(QUICK.baseline_readings)
    first, worse = (g, 0.3 * g), plus((g, 0.3 * g), 30 * U_G, 0.3)
    runs = [after(seed, first, [worse] * 30) for seed in range(400)]
    told = [run for run in runs if not any(c.kind == Kind.FIRST_FAULT for c in run)]
    assert len(told) > 250
    share, error = rate(told, Kind.ONE_MORE, Kind.OTHER)
    assert share - 3 * error < QUICK.false_alarm_probability
    assert share > 0  # seen at all, so the test can fail
    assert rate(told, Kind.WORSENING)[0] > 0.95


def test_a_creeping_fault_is_a_worsening() -> None:
    """Slow loss of resistance at one place is told, and is no second fault."""
    tuning = Tuning(1e-4, 32)
    creep = [plus(FIRST, 0.05 * U_G * k, 0.3) for k in range(300)]
    said = Counter(c.kind for seed in range(10) for c in after(seed, FIRST, creep, tuning))
    assert 0 == said[Kind.ONE_MORE] + said[Kind.OTHER]
    assert said[Kind.WORSENING] > 2000


@pytest.mark.parametrize(
    ("size", "detected", "named"), [(2.0, 10, 40), (3.0, 5, 20), (5.0, 2, 7), (10.0, 1, 3)]
)
def test_delay_of_one_more_fault(size: float, detected: int, named: int) -> None:
    """One more fault half a winding away is told and named within so many readings, median."""
    tuning = Tuning()  # the defaults: p = 1e-5, 64 readings
    both = plus(FIRST, size * U_G, 0.8)
    told, called = [], []
    for seed in range(15):
        kinds = [c.kind for c in after(seed, FIRST, [both] * 64, tuning)]
        told.append(next((k + 1 for k, c in enumerate(kinds) if c != Kind.NO_CHANGE), 999))
        called.append(next((k + 1 for k, c in enumerate(kinds) if c == Kind.ONE_MORE), 999))
    assert np.median(told) <= detected
    assert np.median(called) <= named
    assert Kind.ONE_MORE == kinds[-1]


def test_one_more_fault_is_measured() -> None:
    """What was added is the second fault, within its uncertainty."""
    last = after(3, FIRST, [plus(FIRST, 5e-6, 0.9)] * 16)[-1]
    assert Kind.ONE_MORE == last.kind
    assert last.difference is not None
    g, m = last.difference.conductance_s, last.difference.moment_s
    assert 5e-6 == pytest.approx(g.value, abs=4 * g.u)
    assert 0.9 * 5e-6 == pytest.approx(m.value, abs=4 * m.u)
    assert U_G * sqrt(1 / 16 + 1 / 16) == pytest.approx(g.u)


def test_same_place_cannot_be_told() -> None:
    """A second fault at the place of the first reads as a worsening, and the words say both."""
    last = after(5, FIRST, [plus(FIRST, 2e-6, 0.3)] * 16)[-1]
    assert Kind.WORSENING == last.kind
    assert "or there is a second one at the same place" in last.kind
    assert last.resolved_pu is not None
    # Nearer than this it is a worsening, further off one more.
    assert 0.0 < last.resolved_pu < 0.3
    near = after(5, FIRST, [plus(FIRST, 2e-6, 0.3 + 0.2 * last.resolved_pu)] * 16)[-1]
    far = after(5, FIRST, [plus(FIRST, 2e-6, 0.3 + 2.0 * last.resolved_pu)] * 16)[-1]
    assert (Kind.WORSENING, Kind.ONE_MORE) == (near.kind, far.kind)


@pytest.mark.parametrize(
    "now",
    [
        (5e-5, 2.0e-5),  # the place has moved up, the resistance has not
        (5e-5, 1.0e-5),  # or down
        (4e-5, 1.2e-5),  # the fault has healed
        (6e-5, 3.0e-5),  # a second fault would lie at 1.5
        (6e-5, 1.0e-5),  # or at -0.5
        (4e-5, 3.0e-5),  # less leakage and another place
    ],
)
def test_what_no_fault_can_add(now: tuple[float, float]) -> None:
    """A change that no added fault explains is a fault that moved, or the measurement."""
    assert {Kind.OTHER} == {c.kind for c in after(1, FIRST, [now] * 20)[4:]}


def test_a_place_beyond_the_end_may_worsen() -> None:
    """A first fault that reads outside the winding, for a wrong tap, still just worsens."""
    outside = (5e-5, 5.5e-5)
    assert Kind.WORSENING == after(1, outside, [plus(outside, 5e-6, 1.1)] * 16)[-1].kind


def test_a_change_without_a_direction_is_undecided() -> None:
    """What cannot happen by chance, but shows no clear gain of leakage, is given no name."""
    # Conductance and moment err together; this reading has them two u apart, against each other.
    covariance = 0.95 * U_G**2
    sound = Leakage(Measured(0.0, U_G), Measured(0.0, U_G), covariance)
    odd = Leakage(Measured(2 * U_G, U_G), Measured(-2 * U_G, U_G), covariance)
    said = watched([*[sound] * 17, odd], Watch(QUICK))[1]
    assert [Kind.NO_CHANGE, Kind.UNDECIDED] == [c.kind for c in said[-2:]]


def test_moved_faults_are_not_called_one_more() -> None:
    """While the conductance stays, 'one more' is said with no more than the stated probability."""
    moved = (FIRST[0], FIRST[1] + 6 * U_M)
    runs = [after(seed, FIRST, [moved] * 30) for seed in range(200)]
    share, error = rate(runs, Kind.ONE_MORE)
    assert share - 3 * error < QUICK.false_alarm_probability
    assert rate(runs, Kind.OTHER)[0] > 0.9


def test_first_fault_of_a_sound_winding() -> None:
    """Where no leakage could be told before, it is the first fault and no worsening."""
    said = after(2, (0.0, 0.0), [plus((0.0, 0.0), 1e-6, 0.7)] * 16)
    assert Kind.FIRST_FAULT == said[-1].kind
    assert None is said[-1].resolved_pu
    odd = after(2, (0.0, 0.0), [(0.0, 1e-6)] * 16)
    assert Kind.OTHER == odd[-1].kind


def test_scatter_beyond_its_uncertainty_is_no_baseline() -> None:
    """Readings that scatter more than they say are refused, and learning begins again."""
    rng = np.random.default_rng(4)
    watch, said = watched(readings(rng, [FIRST] * 16, scatter=2.0), Watch(QUICK))
    assert [*[Kind.LEARNING] * 15, Kind.SCATTER] == [c.kind for c in said]
    assert Watch(QUICK) == watch
    # A change while the baseline is learnt is such scatter.
    early = [FIRST] * 8 + [plus(FIRST, 5 * U_G, 0.8)] * 8
    assert Kind.SCATTER == watched(readings(rng, early), Watch(QUICK))[1][-1].kind
    refused = sum(
        watched(readings(np.random.default_rng(s), [FIRST] * 16), Watch(QUICK))[1][-1].kind
        == Kind.SCATTER
        for s in range(500)
    )
    assert stats.binomtest(refused, 500, QUICK.false_alarm_probability).pvalue > 1e-3


def test_memory_is_bounded_and_plain() -> None:
    """However many readings, no more are kept than the baseline has, as plain numbers."""
    rng = np.random.default_rng(0)
    watch, _ = watched(readings(rng, [FIRST] * 16), Watch(QUICK))
    assert () == watch.recent  # what made the baseline is not compared with it
    watch, _ = watched(readings(rng, [FIRST] * 200), watch)
    assert 16 == len(watch.recent)
    saved = json.loads(json.dumps(asdict(watch), allow_nan=False))
    restored = Watch(
        Tuning(**saved["tuning"]),
        Weighed(**saved["baseline"]),
        tuple(Weighed(**w) for w in saved["recent"]),
    )
    assert watch == restored


def test_a_step_changes_nothing_behind_its_back() -> None:
    """The same memory and reading say the same again."""
    rng = np.random.default_rng(0)
    watch, _ = watched(readings(rng, [FIRST] * 40), Watch(QUICK))
    (reading,) = readings(rng, [plus(FIRST, 1e-6, 0.9)])
    assert step(watch, reading) == step(watch, reading)


def test_varying_uncertainty_is_weighed() -> None:
    """A vague reading neither alarms nor drowns the good ones."""
    rng = np.random.default_rng(9)
    watch, _ = watched(readings(rng, [FIRST] * 16), Watch(QUICK))
    vague = Leakage(Measured(1e-4, 5e-5), Measured(5e-5, 5e-5))
    watch, said = watched([vague], watch)
    assert Kind.NO_CHANGE == said[0].kind
    _, said = watched(readings(rng, [plus(FIRST, 1e-6, 0.9)] * 3), watch)
    assert Kind.ONE_MORE == said[-1].kind


@settings(max_examples=30)
@given(st.integers(0, 10_000), st.floats(1e-3, 1e3), st.floats(0.0, 8.0), st.floats(-0.5, 1.5))
def test_units_and_ends_do_not_matter(seed: int, factor: float, size: float, place: float) -> None:
    """In other units, or counted from the other end, the same is said."""
    rng = np.random.default_rng(seed)
    means = [FIRST] * 16 + [plus(FIRST, size * U_G, place)] * 8
    stream = list(readings(rng, means))

    def kinds(stream: list[Leakage]) -> list[Kind]:
        return [c.kind for c in watched(stream, Watch(QUICK))[1]]

    def scaled(m: Measured) -> Measured:
        return Measured(m.value * factor, m.u * factor)

    def mirrored(x: Leakage) -> Leakage:
        g, m, c = x.conductance_s, x.moment_s, x.covariance_s2
        u = sqrt(g.u**2 + m.u**2 - 2 * c)
        return Leakage(g, Measured(g.value - m.value, u), g.u**2 - c)

    expected = kinds(stream)
    assert expected == kinds([mirrored(x) for x in stream])
    assert expected == kinds(
        [
            Leakage(scaled(x.conductance_s), scaled(x.moment_s), x.covariance_s2 * factor**2)
            for x in stream
        ]
    )


@pytest.mark.parametrize(
    "reading",
    [
        Leakage(Measured(1e-5, 0.0), Measured(1e-6, 1e-7)),
        Leakage(Measured(1e-5, 1e-7), Measured(1e-6, 1e-7), 1e-14),
        Leakage(Measured(nan, 1e-7), Measured(1e-6, 1e-7)),
        Leakage(Measured(1e-5, inf), Measured(1e-6, 1e-7)),
    ],
)
def test_readings_without_uncertainty_are_refused(reading: Leakage) -> None:
    """Nothing can be promised of exact, fully correlated or missing numbers; the text says so."""
    with pytest.raises(ValueError, match="both need an uncertainty above zero and must not be"):
        step(Watch(QUICK), reading)


def test_impossible_tuning_is_refused() -> None:
    """A rate that is none and a baseline without scatter are refused, with what to give."""
    with pytest.raises(ValueError, match="0 is not between 0 and 1; 1e-5 gives at least 50000"):
        Tuning(false_alarm_probability=0.0)
    with pytest.raises(ValueError, match="1 readings do not show any scatter; give two or more"):
        Tuning(baseline_readings=1)
