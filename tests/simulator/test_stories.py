"""What the bundled scenarios do to registers, loops and contacts, at the times that count."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from simulator.installation import Installation
from simulator.monitor import PulseReading
from simulator.scenario import load

if TYPE_CHECKING:
    from tests.simulator.conftest import At

SCENARIOS = Path(__file__).parents[2] / "config" / "scenarios"
MEASURING, HELD, TESTING, LOST, FAILED = 1, 8, 16, 4, 2


def seen(installation: Installation, what: str) -> float:
    """Read one thing as it stands in registers, on a loop (mA) or in a circuit (1 closed)."""
    plant = installation.scenario.plant
    if what in plant.loops:
        return installation.loop_current_ma(plant.loops[what])
    if what in plant.contacts:
        return installation.circuit_closed(plant.contacts[what])
    machine, _, point = what.partition(".")
    device = next(d for d in plant.devices.values() if d.machine == machine)
    raw = installation.registers(device)
    if isinstance(installation.monitors[machine].reading, PulseReading):
        names = ["status", "beat", "plus_uA", "minus_uA", "plus_V", "minus_V", "kohm", "percent"]
        names += ["tenths_degC", "tenths_ohm", "permille"]
        fields = struct.unpack(">HH6fhHH", struct.pack(">17H", *raw))
        return float(dict(zip(names, fields, strict=True))[point])
    return {"status": raw[0], "beat": raw[1], "uA": raw[2] | raw[3] << 16, "permille": raw[8]}[
        point
    ]


# Resistances, currents and levels from Kirchhoff's laws for the sources and resistors of the plant
# files; loop currents from 4 mA + 16 mA * log10(R / 1 kohm) / 4.
TOLD = [
    ("brush-at-intervals", 15.0, {"U1.status": MEASURING, "u1-brush-contact": 1}),
    ("brush-at-intervals", 40.0, {"U1.status": HELD, "u1-brush-contact": 0}),
    ("brush-failed-contact", 15.0, {"U1.kohm": 12.0, "u1-alarm-contact": 0}),
    (
        "brush-failed-contact",
        75.0,
        {"U1.status": MEASURING, "U1.kohm": 9999, "U1.tenths_ohm": 65535, "u1-brush-contact": 1,
         "u1-resistance-loop": 20.0, "u1-alarm-contact": 1},
    ),
    ("brush-drive-stuck", 75.0, {"U1.status": HELD, "u1-brush-contact": 0}),
    ("brush-poor-contact", 75.0, {"U1.tenths_ohm": (200, 350)}),
    ("brush-poor-contact", 200.0, {"U1.tenths_ohm": (4500, 6554)}),
    ("lamp-dirty", 200.0, {"U2.permille": (60, 100), "u2-dark-contact": 0, "U2.uA": (20, 40),
                           "u2-light-loop": (4.8, 5.8)}),
    ("light-circuit-failed", 9.0, {"U2.permille": 0, "u2-dark-contact": 0, "U2.uA": (20, 40)}),
    # (24 V + 0.9 * 250 V) / (12 + 20) kohm
    ("dark-on-fault", 9.0, {"U2.permille": 0, "u2-dark-contact": 0, "U2.uA": 7809}),
    # 24 V / 5.012 Mohm
    ("dark-without-excitation", 9.0, {"U2.permille": 0, "u2-dark-contact": 0, "U2.uA": (2, 8),
                                      "u2-breaker-contact": 0, "u2-speed-loop": 17.333}),
    ("dark-without-excitation", 110.0, {"u2-speed-loop": (3.97, 4.03)}),
    ("dark-contact-stuck", 9.0, {"U2.permille": 0, "u2-dark-contact": 1}),
    ("dark-contact-wire-break", 9.0, {"U2.permille": (930, 970), "u2-dark-contact": 0}),
    ("telemetry-weak", 64.0, {"U3.permille": (500, 600)}),
    ("collector-rings", 9.0, {"U4.status": MEASURING, "U4.kohm": 6.0, "U4.percent": 70.0,
                              "u4-alarm-contact": 0}),
    ("collector-rings-open-brush", 9.0, {"U4.kohm": 6.0}),
    ("collector-rings-open-brush", 15.0, {"U4.kohm": 9999, "U4.tenths_ohm": 65535,
                                          "u4-brush-contact": 1}),
    ("moisture", 3600.0, {"U3.kohm": (20, 50), "U3.tenths_degC": 180, "u3-breaker-contact": 0}),
    ("moisture", 86400.0, {"U3.kohm": (2000, 5000), "U3.tenths_degC": 700}),
    # Usual temperature 70 degC: 15 K colder and 15 K warmer, 2^1.5 up and down.
    ("temperature-dependent", 3600.0, {"U3.kohm": 169.7}),
    ("temperature-dependent", 14 * 3600.0, {"U3.kohm": 21.21}),
    ("speed-dependent", 20.0, {"U1.kohm": 9.0}),
    ("speed-dependent", 120.0, {"U1.kohm": (4500, 5500), "u1-speed-loop": 4.0}),
    ("speed-dependent", 215.0, {"U1.kohm": 9.0}),
    ("load-dependent", 10.0, {"U1.kohm": (4500, 5500)}),
    ("load-dependent", 100.0, {"U1.kohm": 9.0, "u1-load-loop": 16.0}),
    # Half of ten days down from 5 Mohm to 10 kohm: their geometric mean.
    ("steady-decline", 5 * 86400.0, {"U3.kohm": 223.6}),
    ("sudden-step", 20.0, {"U3.kohm": (4500, 5500)}),
    ("sudden-step", 40.0, {"U3.kohm": 59.3}),
    ("values-stuck", 40.0, {"U3.status": MEASURING, "U3.kohm": (4500, 5500), "U3.beat": 44,
                            "u3-alarm-contact": 1}),
    ("impossible-value", 9.0, {"U3.status": MEASURING, "U3.kohm": -1.0, "U3.plus_uA": 90e3,
                               "U3.tenths_degC": -3000, "u3-resistance-loop": 18.796}),
    ("self-test", 50.0, {"U3.status": MEASURING}),
    ("self-test", 65.0, {"U3.status": TESTING}),
    ("self-test", 75.0, {"U3.status": MEASURING, "U3.kohm": (4500, 5500)}),
    ("self-test-failed", 65.0, {"U3.status": TESTING}),
    ("self-test-failed", 75.0, {"U3.status": MEASURING | FAILED}),
    ("loop-stuck", 40.0, {"U1.kohm": 8.0, "u1-alarm-contact": 0, "u1-resistance-loop": 18.796}),
    ("loop-drift", 80.0, {"U1.kohm": (4900, 5100), "u1-resistance-loop": 15.796}),
    ("loop-short", 9.0, {"u1-resistance-loop": 24.0}),
    ("loop-failure", 9.0, {"u1-resistance-loop": 3.5}),
    ("contact-stuck", 40.0, {"U1.kohm": 8.0, "u1-alarm-contact": 1}),
    ("contact-wire-break", 9.0, {"U1.kohm": (4900, 5100), "u1-alarm-contact": 0}),
    ("exciter-mismatch", 2.0, {"u3-exciter-loop": 12.0, "U3.plus_V": 300.0}),
    ("exciter-mismatch", 9.0, {"u3-exciter-loop": 15.2, "U3.plus_V": 300.0}),
]  # fmt: skip


@pytest.mark.parametrize(("name", "time_s", "expected"), TOLD)
def test_a_scenario_shows_what_it_tells(
    at: At, name: str, time_s: float, expected: dict[str, float | tuple[float, float]]
) -> None:
    """What its comment says stands in registers, on loops and in circuits, and nowhere else."""
    installation = at(load(SCENARIOS / f"{name}.yaml"), time_s)
    for what, wanted in expected.items():
        value = seen(installation, what)
        if isinstance(wanted, tuple):
            assert wanted[0] <= value <= wanted[1], what
        else:
            exact = what.endswith((".status", ".beat", "-contact"))
            assert pytest.approx(wanted, rel=0 if exact else 0.01, abs=0) == value, what


def spread(name: str, what: str, begin_s: int, end_s: int) -> list[float]:
    """Return what one point shows after each second."""
    installation = Installation(load(SCENARIOS / f"{name}.yaml"))
    values = []
    for time_s in range(begin_s, end_s):
        installation.advance(float(time_s))
        values.append(seen(installation, what))
    return values


def test_an_intermittent_fault_has_its_share_of_the_time() -> None:
    """A quarter of 20 periods reads 7 kohm, in 20 pieces at changing places of the period."""
    values = spread("intermittent", "U3.kohm", 1, 801)
    there = [value < 100 for value in values]
    assert pytest.approx(200, abs=25) == sum(there)
    begins = [t for t in range(1, 800) if there[t] and not there[t - 1]]
    assert 18 <= len(begins) <= 20
    assert len({begin % 40 for begin in begins}) > 5


def test_a_weak_radio_path_loses_cycles() -> None:
    """With 15 % of link quality about half of the cycles say that they are lost, none is wrong."""
    lost = [status == LOST for status in spread("telemetry-weak", "U3.status", 200, 400)]
    assert 60 < sum(lost) < 140
    assert all(4500 < value < 5500 for value in spread("telemetry-weak", "U3.kohm", 200, 250))


def test_noise_is_absent_from_registers_only() -> None:
    """Currents stand still, heartbeat and loop move."""
    assert 1 == len(set(spread("noise-absent", "U3.plus_uA", 10, 30)))
    assert 20 == len(set(spread("noise-absent", "U3.beat", 10, 30)))
    assert 10 < len(set(spread("noise-absent", "u3-resistance-loop", 10, 30)))


def test_jumps_are_in_registers_only() -> None:
    """Values jump by more than a factor of three at times; the loop stays within 0.1 mA."""
    values = spread("jumping-value", "U3.kohm", 10, 60)
    assert max(values) > 3 * min(values)
    currents_ma = spread("jumping-value", "u3-resistance-loop", 10, 60)
    assert max(currents_ma) - min(currents_ma) < 0.1


def test_a_dead_module_is_silent(at: At) -> None:
    """The state of the module is what its server and the reader of its registers go by."""
    assert "silent" == at(load(SCENARIOS / "module-dead.yaml"), 9.0).state("analog-inputs")


def test_every_scenario_of_the_trade_is_told_here_or_beside() -> None:
    """No bundled scenario is without a test of what it shows."""
    here = {name for name, _, _ in TOLD}
    here |= {"intermittent", "noise-absent", "jumping-value", "module-dead"}
    # Of these tests/scenarios tells the end, on every way out of the gateway.
    ends = {"healthy", "slow-insulation-loss", "sudden-fault-near-an-end", "second-fault"}
    ends |= {"wire-break", "loop-over-range", "frozen-value", "telemetry-loss", "monitor-dead"}
    ends |= {"noisy-link", "demo"}
    assert here | ends == {path.stem for path in SCENARIOS.glob("*.yaml")}
