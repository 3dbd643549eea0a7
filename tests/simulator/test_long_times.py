"""Long times at once: leaps show what every cycle would have shown."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import pytest

from simulator.installation import Installation
from simulator.monitor import LONG_CYCLES, PulseReading

if TYPE_CHECKING:
    from tests.simulator.conftest import Write

STORIES = {
    "a brush that lifts": "  - {at: 0 s, machine: U1, brush: {contact: 20 s, every: 10 min}}\n"
    "  - {at: 700 s, machine: U1, fault: {location: 0.3, resistance: 9 kohm}}\n",
    "a brush that is stuck": "  - {at: 0 s, machine: U1, brush: {contact: 20 s, every: 5 min}}\n"
    "  - {at: 400 s, machine: U1, brush: drive stuck}\n"
    "  - {at: 410 s, machine: U1, fault: {location: 0.3, resistance: 9 kohm}}\n",
    "a frozen monitor": "  - {at: 500 s, device: u3-monitor, state: frozen}\n"
    "  - {at: 600 s, machine: U3, fault: {location: 0.3, resistance: 9 kohm}}\n",
    "lost telemetry": "  - {at: 500 s, device: u3-monitor, state: telemetry lost}\n"
    "  - {at: 600 s, machine: U3, fault: {location: 0.3, resistance: 9 kohm}}\n",
    "a self-test": "  - {at: 0 s, machine: U3, self_test: {every: 5 min, lasts: 90 s}}\n"
    "  - {at: 660 s, machine: U3, fault: {location: 0.3, resistance: 9 kohm}}\n",
    "a stuck loop": "  - {at: 500 s, loop: u1-resistance-loop, state: stuck}\n"
    "  - {at: 600 s, machine: U1, fault: {location: 0.3, resistance: 9 kohm}}\n",
    "moisture": "  - {at: 0 s, machine: U3, moisture: 90 %, humidity: 20 %}\n"
    "  - {at: 400 s, machine: U3, temperature: {to: 90 degC, over: 200 s}}\n",
    "a fault within its drop-out": "  - {at: 300 s, machine: U1, fault: {location: 0.3, "
    "resistance: 19 kohm}}\n  - {at: 400 s, machine: U1, fault: {location: 0.3, "
    "resistance: 21 kohm}}\n",
}


@pytest.mark.parametrize("told", STORIES)
@pytest.mark.parametrize("until_s", [662.0, 947.0])
def test_a_leap_ends_where_every_cycle_would(scenario: Write, told: str, until_s: float) -> None:
    """After one step of many minutes all registers are what small steps give, to rounding."""
    story = scenario(STORIES[told])
    leapt, stepped = Installation(story), Installation(story)
    leapt.advance(until_s)
    for time_s in range(1, int(until_s) + 1):
        stepped.advance(float(time_s))
    for device in story.plant.devices.values():
        if device.kind == "analog input module":
            assert pytest.approx(stepped.registers(device), abs=1) == leapt.registers(device)
        elif not device.machine:
            assert stepped.registers(device) == leapt.registers(device)
    for name, monitor in leapt.monitors.items():
        one, other = monitor.reading, stepped.monitors[name].reading
        assert other.status == one.status
        assert other.heartbeat == one.heartbeat
        if isinstance(one, PulseReading) and isinstance(other, PulseReading):
            assert pytest.approx(other.plus_a, abs=1e-11) == one.plus_a
            assert pytest.approx(other.own_resistance_ohm, rel=1e-4) == one.own_resistance_ohm


def test_ten_days_in_steps_of_ten_minutes_take_seconds(scenario: Write) -> None:
    """The cost of a step does not grow with the time that it spans."""
    story = scenario("  - {at: 0 s, machine: U1, brush: {contact: 60 s, every: 8 h}}\n")
    installation = Installation(story)
    began_s = time.perf_counter()
    for step in range(1, 1441):
        installation.advance(step * 600.0)
    # About 0.8 s on one core of 2020; every cycle of ten days would take half an hour.
    assert time.perf_counter() - began_s < 30.0
    beats = installation.monitors["U3"].reading.heartbeat
    assert (864_000 + 4) % 65536 == beats


def test_short_steps_are_not_leapt_through(scenario: Write) -> None:
    """Up to so many cycles at once each one is worked through: a turn of a fault is seen."""
    story = scenario(
        "  - {at: 0 s, machine: U1, fault: {location: 0.3, resistance: 9 kohm, "
        "only: {duty: 20 %, period: 10 s}}}\n"
    )
    installation = Installation(story)
    for step in range(1, 20):
        before_s = installation.time_s
        installation.advance(step * float(LONG_CYCLES - 6))
        monitor = installation.monitors["U1"]
        assert monitor.alarm_changed_s > before_s
