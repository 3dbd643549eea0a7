"""The pulse estimator beside the Cramer-Rao bound, the usual last-sample method and curve_fit.

Run by name: `python -m pytest tests/benchmarks/bench_pulse_estimator.py -s`. Times are process
times of one run, and only their ratios mean something on a shared machine.
"""

import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import product
from math import exp, log

import numpy as np
import pytest
from scipy.optimize import curve_fit

from gateway.rotor.measured import Measured
from gateway.rotor.pulse_estimator import estimate
from gateway.rotor.pulse_injection import HalfCycles, Solution, Source, solve
from gateway.rotor.pulse_record import PulseRecord
from gateway.rotor.pulse_stream import PulseStream
from tests.rotor.bound import CLEAN, KINDS, cramer_rao, slopes_of
from tests.rotor.records import Floats, Rotor, Sampling, record
from tests.rotor.test_pulse_accuracy import (
    QUANTITIES,
    bins,
    coverage,
    gross_unflagged,
    judge,
    rms,
    told_of,
)

RECORDS = 10_000
DRAWS = 400
NOISE = 1e-4  # of the current that the amplitude drives through the source resistance
FIELD_V = 250.0
HALF_CYCLES, SAMPLES = 4, 2000
PERIODS_S = (1.0, 8.0)
LAST = 0.1  # of a half-cycle: the samples that the usual method takes
REPEATS = 60
TENTH = 0.1


@dataclass(frozen=True)
class Case:
    """A rotor and the period with which it is pulsed."""

    rotor: Rotor
    period_s: float

    @property
    def sampling(self) -> Sampling:
        return Sampling(self.period_s, HALF_CYCLES / 2, SAMPLES)

    @property
    def noise_a(self) -> float:
        return NOISE * self.rotor.full_a

    def record(self, seed: int, column: bool = False) -> PulseRecord:
        return record(
            self.rotor, self.sampling, FIELD_V, noise_a=self.noise_a, seed=seed, column=column
        )

    def __str__(self) -> str:
        ohm, farad = self.rotor.fault_ohm, self.rotor.capacitance_f
        taus = self.period_s / 2 / self.rotor.tau_s
        return f"{ohm / 1e3:5g} kohm {farad * 1e6:3g} uF {self.period_s:g} s ({taus:5.3g} tau)"


CASES = [
    Case(Rotor(ohm, 0.3, farad, 100e3, 0.0, 50.0), period_s)
    for ohm, farad, period_s in product((1e3, 50e3, 1e6, 10e6), (0.5e-6, 3e-6), PERIODS_S)
]


def last_samples(one: PulseRecord, source: Source) -> Solution:
    """The usual reading: means of the last samples of each half-cycle, taken as settled."""
    assert one.period_s is not None
    assert isinstance(one.field_voltage_v, Measured)
    place = one.time_s / (one.period_s / 2)
    late = place % 1 > 1 - LAST
    means = []
    for odd in (0, 1):
        current = one.current_a[late & (place.astype(int) % 2 == odd)]
        means.append(Measured(float(current.mean()), float(current.std()) / len(current) ** 0.5))
    field_v = one.field_voltage_v
    return solve(HalfCycles(means[0], means[1], field_v, field_v), source)


def test_accuracy_of_representative_cases() -> None:
    """Prints errors in per cent of the value (of the winding's length for the place)."""
    print(
        f"\nnoise {NOISE:g} of the full current, {SAMPLES} samples, {HALF_CYCLES} half-cycles, "
        f"{DRAWS} draws; errors in % of the value, of the winding for the place\n"
        "fault, capacitance, period (half)    what            bound (drift known)      RMS   mean u"
        "  covered | last samples: bias      RMS"
    )
    for case in CASES:
        slopes = slopes_of(case.rotor, case.sampling, FIELD_V, None)
        bound = cramer_rao(slopes, case.rotor, case.noise_a)
        known = cramer_rao(slopes[:4], case.rotor, case.noise_a)
        records = [case.record(seed) for seed in range(DRAWS)]
        found = [estimate(one, case.rotor.source) for one in records]
        usual = [last_samples(one, case.rotor.source) for one in records]
        for quantity, name in QUANTITIES.items():
            truth = float(getattr(case.rotor, name))
            scale = 100 if name == "place_pu" else 100 / truth
            told = [getattr(one, quantity) for one in found]
            numbers = [t for t in told if t.u is not None]
            if not numbers:
                print(f"{case}   {name:14s} not told as a number")
                continue
            errors = np.array([t.value - truth for t in numbers])
            u = np.array([t.u for t in numbers])
            text = (
                f"{case}   {name:14s} {scale * getattr(bound, name):9.4f} "
                f"({scale * getattr(known, name):9.4f}) {scale * rms(errors):9.4f} "
                f"{scale * u.mean():8.4f}  {np.mean(np.abs(errors) <= 2 * u):7.3f}"
            )
            if hasattr(usual[0], quantity):
                away = np.array([getattr(one, quantity).value - truth for one in usual])
                text += f" | {scale * away.mean():18.4f} {scale * rms(away):9.4f}"
            print(text if len(numbers) == DRAWS else f"{text} ({len(numbers)} told)")
            assert rms(errors) <= 1.2 * getattr(bound, name)


def test_accuracy_over_the_grid() -> None:
    """Prints errors over bounds, coverage and what goes unflagged, of all drawn records."""
    records = [judge(number) for number in range(RECORDS)]
    print(f"\n{RECORDS} records; clean ones: RMS/bound, the same with the drift known, coverage")
    for name, chosen in bins().items():
        text = f"{name:24s}"
        for quantity in QUANTITIES:
            told = told_of(records, quantity, chosen)
            text += (
                f"| {len(told):5d} {rms(t.by_bound for t in told):6.3f} "
                f"{rms(t.by_bound_without_drift for t in told):6.3f} {coverage(told):6.3f} "
            )
        print(text)
    print("\nkind, records, flagged or refused, gross errors, those unflagged; coverage")
    for kind in dict.fromkeys(KINDS):
        these = [one for one in records if one.kind == kind]
        gross = sum(any(t.is_gross for t in one.told) for one in these)
        silent = {t.number for t in gross_unflagged(these)}
        covered = [coverage(told_of(these, q, lambda _: True)) for q in QUANTITIES]
        print(
            f"{kind:16s} {len(these):5d} {sum(bool(one.flags) for one in these):5d} {gross:5d} "
            f"{len(silent):5d}  " + "  ".join(f"{share:.3f}" for share in covered)
        )
    for told in gross_unflagged(records):
        kind = KINDS[told.number % len(KINDS)]
        print(f"not flagged: record {told.number}, {kind}, {told.quantity}, off by {told.by_u} u")
    for quantity in QUANTITIES:
        clean = told_of(records, quantity, lambda one: one.kind == CLEAN)
        assert 0.93 <= coverage(clean) <= 0.97
        assert rms(t.by_bound for t in told_of(records, quantity, bins()["all"])) <= 1.2


def curve(one: PulseRecord, source: Source) -> Callable[..., Floats]:
    """The circuit at a level field voltage for curve_fit: ln Rf, place, ln C, charge, drift.

    Everything that does not depend on the parameters is computed once.
    """
    assert one.period_s is not None
    half_s, field_v = one.period_s / 2, one.field_voltage_v
    volts = field_v.value if isinstance(field_v, Measured) else float(np.mean(field_v))
    r0_ohm, share = source.source_resistance_ohm.value, volts / source.amplitude_v.value
    time_s = one.time_s
    half = np.floor(time_s / half_s).astype(int)
    since_s, sign = time_s - half * half_s, 1.0 - 2.0 * (half % 2)
    middle = (time_s - time_s.mean()) / (time_s[-1] - time_s[0])

    def model(
        _: Floats, ln_ohm: float, place: float, ln_f: float, charge: float, drift: float = 0.0
    ) -> Floats:
        kappa = r0_ohm / (r0_ohm + exp(min(max(ln_ohm, -60.0), 60.0)))
        tau_s = exp(min(max(ln_f, -60.0), 60.0)) * r0_ohm * (1 - kappa)
        left = exp(-half_s / tau_s)
        # What decays from each reversal on, the charge at the beginning first.
        high = [charge]
        for k in range(int(half[-1])):
            high.append(high[-1] * left - 2 * (1 - kappa) * (1 if k % 2 == 0 else -1))
        settled = kappa * (place - source.tap_pu) * share * (1 + drift * middle)
        return kappa * sign + settled + np.array(high)[half] * np.exp(since_s / -tau_s)

    return model


def start_of(one: PulseRecord, source: Source) -> list[float]:
    """Start values of `curve`: the last-sample method, and when the first transient is at 1/e."""
    assert one.period_s is not None
    usual = last_samples(replace(one, field_voltage_v=Measured(FIELD_V, 0.0)), source)
    assert usual.fault_location_pu is not None
    ohm = max(usual.fault_resistance_ohm.value, 1.0)
    r0_ohm = source.source_resistance_ohm.value
    first = one.time_s < one.period_s / 2
    seen = one.current_a[first] * r0_ohm / source.amplitude_v.value
    transient = seen - seen[-round(LAST * len(seen)) :].mean()
    tau_s = one.time_s[int(np.argmax(np.abs(transient) < abs(transient[0]) / np.e))]
    farad = tau_s * (1 / r0_ohm + 1 / ohm)
    return [log(ohm), usual.fault_location_pu.value, log(farad), float(transient[0]), 0.0]


def timed_s(run: Callable[[], object]) -> float:
    begin_s = time.process_time()
    run()
    return time.process_time() - begin_s


@pytest.mark.parametrize("column", [False, True])
def test_time_of_one_record(column: bool) -> None:
    """Prints how long an estimate takes and how long curve_fit takes on the same model."""
    print(f"\n{SAMPLES} samples, field voltage {'sampled' if column else 'one number'}")
    for case in (c for c in CASES if c.rotor.capacitance_f == 0.5e-6):
        source, one = case.rotor.source, case.record(1, column)
        model = curve(one, source)
        seen = one.current_a / case.rotor.full_a
        begin = start_of(one, source)[: 4 if column else 5]

        def plain(model=model, one=one, seen=seen, begin=begin):
            return curve_fit(model, one.time_s, seen, begin)

        def robust(model=model, one=one, seen=seen, begin=begin):
            options = {"loss": "soft_l1", "f_scale": 2 * NOISE, "x_scale": "jac"}
            return curve_fit(model, one.time_s, seen, begin, method="trf", **options)

        def ours(one=one, source=source):
            return estimate(one, source)

        told = ours().fault_resistance_ohm
        away = [(exp(fit()[0][0]) - told.value) / told.u for fit in (plain, robust)]
        runs = [[timed_s(run) for run in (ours, plain, robust)] for _ in range(REPEATS)]
        ours_s, plain_s, robust_s = (
            statistics.median(column) for column in zip(*runs, strict=True)
        )
        print(
            f"{case}: {1e3 * ours_s:.2f} ms, curve_fit {1e3 * plain_s:.2f} ms, soft_l1 "
            f"{1e3 * robust_s:.2f} ms, {plain_s / ours_s:.1f} and {robust_s / ours_s:.1f} times "
            f"ours; their resistances are {away[0]:+.2f} and {away[1]:+.2f} u from ours"
        )


def test_time_to_a_first_answer() -> None:
    """Prints how soon after the first reversal a stream tells the resistance to 10 % (k = 2)."""
    print("\nfirst answer within 10 % after the first reversal (median of 5), and its error")
    for case in CASES:
        half_s = case.sampling.period_s / 2
        times_s, errors = [], []
        for seed in range(5):
            one = case.record(seed)
            stream = PulseStream(
                case.rotor.source, 10 * half_s, one.period_s, Measured(FIELD_V, 0.0)
            )
            turned = int(np.searchsorted(one.time_s, half_s))
            stream.add(one.time_s[:turned].tolist(), one.current_a[:turned].tolist())
            for k in range(turned, SAMPLES):
                stream.add(float(one.time_s[k]), float(one.current_a[k]))
                result = stream.estimate()
                told = None if result is None else result.fault_resistance_ohm
                if told is not None and told.u is not None and 2 * told.u <= TENTH * told.value:
                    times_s.append(one.time_s[k] - half_s)
                    errors.append(told.value / case.rotor.fault_ohm - 1)
                    break
        if len(times_s) < 5:
            print(f"{case}: not within the record in {5 - len(times_s)} of 5")
            continue
        middle_s = statistics.median(times_s)
        print(
            f"{case}: {middle_s / case.rotor.tau_s:6.3f} time constants, {middle_s / half_s:7.2%} "
            f"of the half-cycle, {middle_s / case.sampling.interval_s:.0f} samples; largest error "
            f"{max(map(abs, errors)):.1%}"
        )
