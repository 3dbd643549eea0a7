"""Monitors, loops and contacts over scenario time, without a socket."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator import loop
from simulator.installation import Installation, dc_registers, pulse_registers
from simulator.monitor import DcReading, PulseReading
from simulator.plant import Loop

if TYPE_CHECKING:
    from tests.simulator.conftest import At, Write

FAULT = "  - {at: 3 s, machine: U3, fault: {location: 0.97, resistance: 3 kohm}}\n"
LOG = Loop("log", "U1", "resistance", "ai", 0, "logarithmic", 1e3, 1e7, 0.0)
LINEAR = Loop("linear", "U2", "light level", "ai", 1, "linear", 0.0, 1.0, 0.0)


def everything(installation: Installation) -> list[list[int]]:
    """Return the registers of all devices."""
    devices = installation.scenario.plant.devices.values()
    return [installation.registers(device) for device in devices]


def test_same_seed_and_time_give_the_same_registers(scenario: Write) -> None:
    """How often and when somebody looks changes no number."""
    told = scenario(FAULT)
    often, once = Installation(told), Installation(told)
    for tenth in range(1, 81):
        often.advance(tenth / 10)
        everything(often)
    once.advance(8.0)
    assert everything(once) == everything(often)


def test_another_seed_gives_other_noise(scenario: Write, at: At) -> None:
    """The seed is what the noise of every monitor and loop comes from, each on its own."""
    first, second = (at(scenario(FAULT, seed=seed), 8.0) for seed in (7, 8))
    names = list(first.scenario.plant.devices)
    for name, one, other in zip(names, everything(first), everything(second), strict=True):
        assert (one == other) is (name == "contact-inputs")


def test_registers_of_a_pulse_monitor() -> None:
    """Floats stand with the high word first: 123.456 is 42F6 E979, -2.5 is C020 0000 (IEEE 754)."""
    reading = PulseReading(
        0b0101, 65535, 123.456e-6, -2.5e-6, 47.3, 1.0, 1e9, 0.5, -4.2, 12.34, 0.876
    )
    assert [
        *(5, 65535, 0x42F6, 0xE979, 0xC020, 0x0000, 0x423D, 0x3333, 0x3F80, 0x0000),
        *(0x4974, 0x2400, 0x4248, 0x0000, 0x10000 - 42, 123, 876),
    ] == pulse_registers(reading)


def test_registers_of_a_dc_monitor() -> None:
    """305419896 uA stands with the low word first: 5678 1234; a negative voltage is signed."""
    reading = DcReading(1, 2, 305.419896, -12.3, 0.876)
    assert [1, 2, 0x5678, 0x1234, 0x10000 - 123, 0, 0, 0, 876] == dc_registers(reading)


def test_a_frozen_monitor_stops_exactly(scenario: Write, at: At) -> None:
    """All registers, heartbeat included, stay as they were, while the rotor fails."""
    told = scenario("  - {at: 2 s, device: u3-monitor, state: frozen}\n" + FAULT)
    monitor = told.plant.devices["u3-monitor"]
    assert at(told, 2.5).registers(monitor) == at(told, 9.0).registers(monitor)
    assert at(told, 1.5).registers(monitor) != at(told, 9.0).registers(monitor)


def test_lost_telemetry_keeps_values_and_says_so(scenario: Write, at: At) -> None:
    """Values stop, the bit is set, nothing is measured, the heartbeat goes on; then all returns."""
    told = scenario(
        "  - {at: 2 s, device: u3-monitor, state: telemetry lost}\n"
        "  - {at: 8 s, device: u3-monitor, state: healthy}\n" + FAULT
    )
    monitor = told.plant.devices["u3-monitor"]
    early, late, after = (at(told, time_s).registers(monitor) for time_s in (3.0, 7.0, 9.0))
    assert early[2:] == late[2:]
    assert 0b0100 == late[0]
    assert early[1] + 4 == late[1]
    assert 0b0001 == after[0]
    assert late[2:] != after[2:]


def test_a_failed_self_test_is_a_bit(scenario: Write, at: At) -> None:
    """The bit comes with the next cycle, beside measuring."""
    told = scenario("  - {at: 2 s, device: u1-monitor, state: self-test failed}\n")
    monitor = told.plant.devices["u1-monitor"]
    assert 0b01 == at(told, 2.0).registers(monitor)[0]
    assert 0b11 == at(told, 3.0).registers(monitor)[0]


def test_a_lifted_brush_holds_the_values(scenario: Write, at: At) -> None:
    """Outside the window of 20 s in 60 s the values are held, with the bit; inside they move."""
    told = scenario("  - {at: 0 s, machine: U1, brush: {contact: 20 s, every: 60 s}}\n")
    monitor = told.plant.devices["u1-monitor"]
    inside, lifted, still, again = (
        at(told, time_s).registers(monitor) for time_s in (20.0, 21.0, 60.0, 61.0)
    )
    assert [0b0001, 0b1000, 0b1000, 0b0001] == [inside[0], lifted[0], still[0], again[0]]
    assert inside[2:] == lifted[2:] == still[2:]
    assert still[2:] != again[2:]


@pytest.mark.parametrize(
    ("event", "light", "closed"),
    [
        ("machine: U2, temperature: 60 degC", 0.95, True),
        ("machine: U2, lamp: 12 %", 0.12, False),
        ("machine: U2, field_voltage: 0 V", 0.0, False),
        # 24 V + 0.9 * 250 V over 12 + 100 kohm is 2.2 mA: above the threshold of 1 mA.
        ("machine: U2, fault: {location: 0.9, resistance: 100 kohm}", 0.0, False),
        # 24 V over 12 + 100 kohm is 0.2 mA: the same fault at the other end does not trip.
        ("machine: U2, fault: {location: 0.0, resistance: 100 kohm}", 0.95, True),
    ],
)
def test_the_light_goes_out_for_three_reasons(
    scenario: Write, at: At, event: str, light: float, closed: bool
) -> None:
    """A fault, a dirty lamp and a dead field all open the dark contact; a low fault may not."""
    told = scenario(f"  - {{at: 2 s, {event}}}\n")
    installation = at(told, 5.0)
    reading = installation.monitors["U2"].reading
    assert isinstance(reading, DcReading)
    assert pytest.approx(light, abs=0.02) == reading.light
    assert closed == installation.circuit_closed(told.plant.contacts["u2-dark-contact"])


def test_an_alarm_contact_opens_and_bounces(scenario: Write) -> None:
    """The circuit is closed, then both open and closed for 12 ms, then open."""
    told = scenario(FAULT)
    contact = told.plant.contacts["u3-alarm-contact"]
    installation = Installation(told)
    seen = []
    for time_ms in range(3990, 4020):
        installation.advance(time_ms / 1000)
        seen.append(installation.circuit_closed(contact))
    assert all(seen[:10])
    assert {True, False} == set(seen[10:22])
    assert not any(seen[22:])


@pytest.mark.parametrize(
    ("state", "count"),
    [
        ("wire break", -6912),
        # 24 mA is more than 16 signed bits hold.
        ("short", 32767),
        ("failure high", 30240),
        ("failure low", -864),
        ("20.3 mA", 28166),
    ],
)
def test_loop_defects_stand_on_the_input(scenario: Write, at: At, state: str, count: int) -> None:
    """A defect shows as its current, (I - 4 mA) * 27648 / 16 mA, give or take 5 sigma of noise."""
    told = scenario(f"  - {{at: 2 s, loop: u3-resistance-loop, state: {state}}}\n")
    module = told.plant.devices["analog-inputs"]
    raw = at(told, 2.0).registers(module)[2]
    signed = struct.unpack(">h", struct.pack(">H", raw))[0]
    assert pytest.approx(count, abs=0 if state in ("wire break", "short") else 35) == signed
    healthy = at(told, 1.9).registers(module)[2]
    # 5 Mohm on 1 kohm to 10 Mohm is 18.795880 mA.
    assert pytest.approx(25567, abs=50) == healthy


@pytest.mark.parametrize(
    ("value_ohm", "current_ma"),
    [
        (20e3, 9.204120),
        (470e3, 14.688391),
        (5e6, 18.795880),
        (1e3, 4.0),
        (0.0, 3.8),
        (float("inf"), 20.5),
    ],
)
def test_logarithmic_loop_rows(value_ohm: float, current_ma: float) -> None:
    """Worked values of a loop of 1 kohm to 10 Mohm, saturating at the ends of NAMUR NE 43."""
    assert pytest.approx(current_ma, abs=1e-6) == loop.transmitted_ma(LOG, value_ohm)


def test_linear_loop_rows() -> None:
    """5 % and 37.5 % of a linear range are 4.8 and 10 mA."""
    assert pytest.approx(4.8) == loop.transmitted_ma(LINEAR, 0.05)
    assert pytest.approx(10.0) == loop.transmitted_ma(LINEAR, 0.375)


@given(st.floats(allow_nan=False))
def test_a_working_transmitter_never_looks_failed(value: float) -> None:
    """Whatever it measures, the current stays between 3.8 and 20.5 mA."""
    for told in (LOG, LINEAR):
        assert 3.8 <= loop.transmitted_ma(told, value) <= 20.5


def test_ripple_disturbs_the_currents(scenario: Write, at: At) -> None:
    """A ripple that does not fit the half-cycle moves the currents from cycle to cycle."""
    spreads = []
    for told in (
        scenario(),
        scenario("  - {at: 0 s, machine: U1, ripple: 6 %, ripple_frequency: 299.7 Hz}\n"),
    ):
        currents_a = []
        for time_s in (3.0, 4.0, 5.0):
            reading = at(told, time_s).monitors["U1"].reading
            assert isinstance(reading, PulseReading)
            currents_a.append(reading.plus_a)
        spreads.append(max(currents_a) - min(currents_a))
    assert spreads[0] < 2e-7 < spreads[1]


def test_a_poor_brush_adds_to_the_measuring_circuit(scenario: Write, at: At) -> None:
    """A brush of 2 kohm, new 5 ohm, in series with a fault of 10 kohm reads 11.995 kohm (Ohm)."""
    told = scenario(
        "  - {at: 0 s, machine: U1, fault: {location: 0.3, resistance: 10 kohm}}\n"
        "  - {at: 0 s, machine: U1, insulation: 1e6 Mohm, brush_resistance: 2 kohm}\n"
    )
    reading = at(told, 9.0).monitors["U1"].reading
    assert isinstance(reading, PulseReading)
    assert pytest.approx(11_995, rel=1e-3) == reading.own_resistance_ohm
    assert pytest.approx(2000, rel=0.25) == reading.contact_ohm


@pytest.mark.parametrize(("device", "machine"), [("u1-monitor", "U1"), ("u2-monitor", "U2")])
def test_a_self_test_measures_no_rotor(scenario: Write, at: At, device: str, machine: str) -> None:
    """While it runs the values are those from before, of either kind of monitor; a bit says so."""
    told = scenario(
        f"  - {{at: 0 s, machine: {machine}, self_test: {{every: 20 s, lasts: 5 s}}}}\n"
        f"  - {{at: 21 s, machine: {machine}, fault: {{location: 0.5, resistance: 5 kohm}}}}\n"
    )
    monitor = told.plant.devices[device]
    before, running, after = (at(told, time_s).registers(monitor) for time_s in (20, 24.5, 27))
    assert [0b00001, 0b10000, 0b00001] == [before[0], running[0], after[0]]
    assert before[2:16] == running[2:16] != after[2:16]
