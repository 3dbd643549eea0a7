"""The pulse estimator, the formulas and the simulator against ngspice, which knows none of them.

Noise is drawn from fixed seeds, so that a run repeats; bounds are those of its distribution.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import exp, log

import numpy as np
import pytest
from scipy.stats import binom  # type: ignore[import-untyped]

from gateway.rotor.measured import Measured
from gateway.rotor.pulse_estimator import estimate
from gateway.rotor.pulse_injection import solve
from gateway.rotor.pulse_record import Estimate, PulseEstimate, PulseRecord
from simulator import rotor
from simulator.record import PulseSource, sample_record
from tests.rotor import spice
from tests.rotor.circuits import Coupling, exact, exact_half_cycles, exact_source
from tests.rotor.spice import Bench, Floats, Points, source_current_a

MIDDLE = Coupling(60e3, 60e3, 1e3)
UNEQUAL = Coupling(80e3, 40e3, 1e3)
NEGATIVE = Coupling(None, 0.0, 12e3)

HALF_CYCLES, PER_HALF_CYCLE = 6, 250
DRAWS = 4
# White noise, as a share of the current that the amplitude drives through the source's resistance.
NOISE = 4e-4
FIELDS = ("constant", "ramp", "step", "zero")
# Half-cycles in time constants: far from settled, unsettled, within 5 %, settled.
LENGTHS = (0.7, 1.5, 3.0, 8.0)
SHORTEST_S = 0.01


def field_of(kind: str, volts: float, half_s: float) -> Points:
    if kind == "zero":
        return ((0.0, 0.0),)
    if kind == "constant":
        return ((0.0, volts),)
    if kind == "ramp":
        return ((0.0, volts), (6 * half_s, 1.1 * volts))
    low, high = 0.92 * volts, 1.05 * volts
    steps = ((2 * half_s, volts), (2 * half_s, low), (5 * half_s, low), (5 * half_s, high))
    return ((0.0, volts), *steps)


@dataclass(frozen=True, slots=True)
class Case:
    name: str
    bench: Bench


def case(
    kind: str,
    volts: float,
    faults: tuple[tuple[float, float], ...],
    capacitance_f: float,
    coupling: Coupling,
    amplitude_v: float,
    length: float,
) -> Case:
    """A case whose half-cycle lasts so many time constants, but not below the shortest."""
    brief = Bench(faults, capacitance_f, coupling, amplitude_v, 1.0, ((0.0, 0.0),))
    half_s = max(length * brief.tau_s, SHORTEST_S)
    bench = Bench(
        faults, capacitance_f, coupling, amplitude_v, half_s, field_of(kind, volts, half_s)
    )
    where = "+".join(f"{ohm:.3g}ohm@{place:.3g}" for place, ohm in faults)
    through = "midpoint" if coupling.positive_ohm else "terminal"
    return Case(
        f"{where}-{capacitance_f * 1e6:.2g}uF-{through}-{bench.source_ohm / 1e3:.3g}kohm-"
        f"{amplitude_v:.3g}V-{kind}-{half_s / bench.tau_s:.2g}tau",
        bench,
    )


def between(share: float, low: float, high: float) -> float:
    """A geometric mean."""
    return exp(log(low) + float(share) * log(high / low))


def spread_cases(count: int) -> list[Case]:
    """Cases spread evenly over all ranges at once, with fields and couplings mixed.

    Additive recurrence with powers of the root of x^8 = x + 1 (M. Roberts, 2018): the golden ratio
    in seven dimensions.
    """
    root = 2.0
    for _ in range(60):
        root = (1 + root) ** (1 / 8)
    steps = root ** -np.arange(1.0, 8.0)
    found = []
    for k in range(count):
        row = (0.5 + k * steps) % 1
        source_ohm = between(row[3], 5e3, 100e3)
        middle = Coupling(1.9 * source_ohm, 1.9 * source_ohm, 0.05 * source_ohm)
        coupling = middle if k % 2 else Coupling(None, 0.0, source_ohm)
        fault_ohm, place = between(row[0], 500, 20e6), round(float(row[1]), 4)
        faults: tuple[tuple[float, float], ...] = ((place, fault_ohm),)
        if k % 6 == 5:
            faults = ((place, 2 * fault_ohm), (round(1 - place**2, 4), 2 * fault_ohm))
        found.append(
            case(
                FIELDS[k // 2 % 4],
                60 + 440 * float(row[5]),
                faults,
                between(row[2], 0.05e-6, 5e-6),
                coupling,
                between(row[4], 10, 100),
                LENGTHS[int(4 * row[6])],
            )
        )
    return found


CORNERS = [
    case("constant", 300, ((0.0, 500.0),), 5e-6, Coupling(None, 0.0, 5e3), 100, 8),
    case("ramp", 300, ((1.0, 500.0),), 0.05e-6, Coupling(190e3, 190e3, 5e3), 10, 8),
    case("step", 500, ((1.0, 20e6),), 5e-6, Coupling(38e3, 38e3, 1e3), 100, 1.5),
    case("zero", 0, ((0.5, 20e6),), 0.05e-6, Coupling(None, 0.0, 100e3), 100, 8),
    case("constant", -300, ((0.8, 20e3),), 1e-6, MIDDLE, 36, 3),
    case("ramp", 300, ((0.2, 5e3),), 1e-6, UNEQUAL, 36, 1.5),
]
# Rows worked by hand: faults, then what they look like together.
TOGETHER = [
    (((0.3, 20e3), (0.8, 5e3)), 4000.0, 0.7),
    (((0.1, 10e3), (0.9, 10e3)), 5000.0, 0.5),
    (((0.5, 50e3), (0.05, 2e3)), 1923.0769, 0.067308),
    (((0.1, 30e3), (0.5, 60e3), (0.9, 20e3)), 10000.0, 0.566667),
]
CASES = spread_cases(64) + CORNERS
CASES += [case("constant", 300, faults, 1e-6, MIDDLE, 36, 3) for faults, _, _ in TOGETHER]
each_case = pytest.mark.parametrize("number", range(len(CASES)), ids=[c.name for c in CASES])


def instants_of(bench: Bench) -> Floats:
    return (np.arange(HALF_CYCLES * PER_HALF_CYCLE) + 0.5) * bench.half_s / PER_HALF_CYCLE


def full_a(bench: Bench) -> float:
    return bench.amplitude_v / bench.source_ohm


@cache
def simulated_a(number: int) -> Floats:
    bench = CASES[number].bench
    return source_current_a(bench, instants_of(bench))


@cache
def estimated(number: int) -> tuple[PulseEstimate, ...]:
    """What the estimator makes of the case's current, each time with other noise on it."""
    bench = CASES[number].bench
    times = instants_of(bench)
    moves = len(bench.field_v) > 1
    field_v = bench.field_at(times) if moves else exact(bench.field_v[0][1])
    source = exact_source(bench.amplitude_v, bench.source_ohm, bench.tap_pu)
    found = []
    for draw in range(DRAWS):
        noise = np.random.default_rng((number, draw)).normal(0.0, NOISE * full_a(bench), len(times))
        record = PulseRecord(times, simulated_a(number) + noise, 2 * bench.half_s, field_v)
        found.append(estimate(record, source))
    return tuple(found)


def deviations(number: int) -> dict[str, list[float]]:
    """How many of its own standard uncertainties each estimate is away from the netlist."""
    bench = CASES[number].bench
    truths = {
        "fault_resistance_ohm": bench.fault_ohm,
        "winding_capacitance_f": bench.capacitance_f,
        "time_constant_s": bench.tau_s,
    }
    if bench.field_v[0][1]:
        truths["fault_location_pu"] = bench.place_pu
    found: dict[str, list[float]] = {name: [] for name in truths}
    for told in estimated(number):
        for name, truth in truths.items():
            one: Estimate = getattr(told, name)
            assert one.value is not None, (name, one)
            assert one.u is not None, (name, one)
            found[name].append((one.value - truth) / one.u)
    return found


@each_case
def test_what_is_told_is_what_the_netlist_has(number: int) -> None:
    """Resistance, place, capacitance and time constant are within k = 2 of the netlist's.

    The mean of four records is looked at: for one record one in 22 would be beyond by noise alone,
    for the mean of four it is one in 16 000.
    """
    for name, found in deviations(number).items():
        assert abs(float(np.mean(found))) <= 2.0, name


def test_no_field_voltage_no_place() -> None:
    """Without field voltage the place is not told."""
    without = [n for n, c in enumerate(CASES) if not c.bench.field_v[0][1]]
    assert len(without) > 15
    for number in without:
        assert all(told.fault_location_pu.value is None for told in estimated(number))


@pytest.mark.parametrize(
    "name",
    ["fault_resistance_ohm", "fault_location_pu", "winding_capacitance_f", "time_constant_s"],
)
def test_uncertainties_are_neither_too_small_nor_too_large(name: str) -> None:
    """Over all cases no more lie beyond two uncertainties than a normal distribution has there."""
    found = [z for number in range(len(CASES)) for z in deviations(number).get(name, [])]
    assert len(found) > 50 * DRAWS
    beyond = int(np.sum(np.abs(found) > 2.0))
    assert beyond <= binom.ppf(0.99, len(found), 0.0455)
    # Three deviations of the spread of so many draws of a normal distribution.
    assert pytest.approx(1.0, abs=3 * (2 * len(found)) ** -0.5) == np.std(found)


@each_case
def test_noise_is_found(number: int) -> None:
    """The noise that the estimator finds in the record is what was put there."""
    expected = NOISE * full_a(CASES[number].bench)
    assert pytest.approx([expected] * DRAWS, rel=0.1) == [t.noise_a for t in estimated(number)]


@each_case
def test_the_simulated_rotor_draws_the_same_current(number: int) -> None:
    """ngspice and the simulator's ladder agree within a millionth of a reversal's jump."""
    bench = CASES[number].bench
    c = bench.coupling
    injection = (
        rotor.TerminalInjection(c.measuring_ohm)
        if c.positive_ohm is None
        else rotor.MidpointInjection(c.positive_ohm, c.negative_ohm, c.measuring_ohm)
    )
    turns = rotor.Winding(
        bench.copper_ohm, 1e15, bench.capacitance_f, tuple(rotor.Fault(*f) for f in bench.faults)
    )
    record = sample_record(
        instants_of(bench),
        turns,
        PulseSource(bench.amplitude_v, 2 * bench.half_s, injection),
        field_v=bench.field_v,
    )
    apart = np.max(np.abs(record.current_a - simulated_a(number)))
    assert apart <= 1e-6 * 2 * full_a(bench)


def test_one_capacitor_charges_as_in_the_textbook() -> None:
    """Without copper to speak of, ngspice's current is a + b exp(-t/tau) within a millionth."""
    bench = Bench(((0.2, 20e3),), 1e-6, MIDDLE, 36, 0.1, ((0.0, 300.0),), copper_ohm=1e-3)
    half_cycle = (np.arange(100) + 0.5) * 1e-3
    found = source_current_a(bench, half_cycle)
    settled_a = (36 + (0.2 - 0.5) * 300) / 51e3
    # The capacitance keeps its voltage, so that a reversal's whole jump is at R0 first.
    left = exp(-0.1 / bench.tau_s)
    first_a = settled_a + 72 / 31e3 * (20 / 51) / (1 + left)
    expected = settled_a + (first_a - settled_a) * np.exp(-half_cycle / bench.tau_s)
    assert np.max(np.abs(found - expected)) < 1e-6 * 72 / 31e3


@pytest.mark.parametrize(
    ("fault_ohm", "capacitance_f", "coupling", "tau_ms"),
    [
        # Worked rows of C R0 Rf / (R0 + Rf).
        (20e3, 1e-6, MIDDLE, 12.1569),
        (200e3, 3e-6, MIDDLE, 80.5195),
        (1e6, 2e-6, MIDDLE, 60.1358),
        (10e3, 0.5e-6, NEGATIVE, 2.7273),
    ],
)
def test_time_constants_are_those_of_the_formula(
    fault_ohm: float, capacitance_f: float, coupling: Coupling, tau_ms: float
) -> None:
    """Three currents of a charging winding give the time constant of the worked rows."""
    tau_s = tau_ms / 1e3
    bench = Bench(((0.3, fault_ohm),), capacitance_f, coupling, 36, 5 * tau_s, ((0.0, 300.0),))
    i1, i2, i3 = source_current_a(bench, np.array([0.3, 1.3, 2.3]) * tau_s)
    assert pytest.approx(tau_s, rel=2e-5) == -tau_s / np.log((i3 - i2) / (i2 - i1))


@pytest.mark.parametrize("coupling", [NEGATIVE, MIDDLE, UNEQUAL])
@pytest.mark.parametrize(
    ("faults", "fault_ohm", "place_pu"),
    [(((0.137, 20e3),), 20e3, 0.137), (((1.0, 2e3),), 2e3, 1.0), *TOGETHER],
)
def test_settled_half_cycles_are_solved(
    coupling: Coupling,
    faults: tuple[tuple[float, float], ...],
    fault_ohm: float,
    place_pu: float,
) -> None:
    """Settled currents give the netlist's fault back, with a step of the field between halves."""
    half_s = 0.5
    points = ((0.0, 300.0), (half_s, 300.0), (half_s, 330.0))
    bench = Bench(faults, 1e-6, coupling, 36, half_s, points)
    i_p, i_n = source_current_a(bench, np.array([0.99, 1.99]) * half_s)
    solution = solve(
        exact_half_cycles(i_p, i_n, 300.0, 330.0),
        exact_source(36, bench.source_ohm, bench.tap_pu),
    )
    assert pytest.approx(fault_ohm, rel=1e-5, abs=0.2) == solution.fault_resistance_ohm.value
    assert isinstance(solution.fault_location_pu, Measured)
    # Two faults draw a current through the copper between them, which moves the place a little.
    assert pytest.approx(place_pu, abs=3e-5) == solution.fault_location_pu.value


def test_a_circuit_that_does_not_run_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """What ngspice has to say reaches whoever runs the test."""
    monkeypatch.setattr(spice, "netlist", lambda *_: "nothing\nR1 a\n.end\n")
    with pytest.raises(RuntimeError, match="ngspice did not simulate"):
        source_current_a(CASES[0].bench, np.array([0.01]))
