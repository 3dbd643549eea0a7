"""The whole simulated plant at one scenario time, as the registers of its devices.

Register maps, zero-based PDU addresses:

    pulse monitor, input registers (function 4), float32 with the high word first
        0 status bits                         1 heartbeat (cycle counter)
        2-3 current, positive half-cycle, uA  4-5 current, negative half-cycle, uA
        6-7 field voltage, positive half-cycle, V   8-9 field voltage, negative, V
        10-11 own fault resistance, kohm, at most 9999
        12-13 own fault location, %           14 rotor temperature, int16, 0.1 degC
        15 brush contact resistance, uint16, 0.1 ohm, 65535 when open, 0 without a brush
        16 telemetry link quality, uint16, 0.1 %, 0 when lost or without telemetry
    DC-injection monitor, holding registers (function 3)
        0 status bits   1 heartbeat   2-3 injected current, uint32, uA, low word first
        4 field voltage, int16, 0.1 V   5-7 unreadable   8 light level, uint16, 0.1 %
    status bits of both
        0 measuring   1 self-test failed   2 telemetry lost   3 value held   4 self-test running
    analog input module, input registers (function 4)
        0-7 channels, int16, 0 at 4 mA and 27648 at 20 mA
    contact module, discrete inputs (function 2)
        0-7 circuits, 1 when closed

Between two calls of `advance` any time may pass: more than a few cycles are leapt through (see
`simulator.monitor`), so that ten days in steps of ten minutes are as many short steps.

It refuses to go back in time and does no I/O.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping
from types import MappingProxyType

from simulator import loop
from simulator.condition import Condition
from simulator.dc_monitor import DcMonitor
from simulator.monitor import DcReading, PulseReading
from simulator.plant import CHANNELS, Contact, Device, Loop, PulseSetup, Quantity
from simulator.pulse_monitor import PulseMonitor
from simulator.scenario import Scenario
from simulator.timeline import Key

# Quantities of the station that are settings of the machine.
_SETTINGS: Mapping[Quantity, str] = MappingProxyType(
    {
        "speed": "speed",
        "load": "load",
        "humidity": "humidity",
        "field voltage": "field_voltage",
        "rotor temperature": "temperature",
    }
)


class Installation:
    """A plant in a scenario, moved on by `advance`."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.time_s = 0.0
        plant, timeline, seed = scenario.plant, scenario.timeline, scenario.seed
        devices = {device.machine: device.name for device in plant.devices.values()}
        self.conditions = {
            name: Condition(machine, timeline, seed) for name, machine in plant.machines.items()
        }
        self.monitors: dict[str, PulseMonitor | DcMonitor] = {}
        for name, machine in plant.machines.items():
            device, setup, condition = devices.get(name, ""), machine.monitor, self.conditions[name]
            self.monitors[name] = (
                PulseMonitor(condition, setup, device, timeline, seed)
                if isinstance(setup, PulseSetup)
                else DcMonitor(condition, setup, device, timeline, seed)
            )
        self._loops = {
            name: tuple(x for x in plant.loops.values() if x.device == name)
            for name in plant.devices
        }
        self._contacts = {
            name: tuple(x for x in plant.contacts.values() if x.device == name)
            for name in plant.devices
        }
        self._stuck_ma: dict[str, float] = {}
        self._sticking = frozenset(
            key
            for key, track in timeline.numbers.items()
            if key.target == "loop" and any(step.value == loop.STUCK_MA for step in track.steps)
        )
        self._hold_stuck_loops()

    def advance(self, time_s: float) -> None:
        """Let all monitors work through the cycles that have ended by a scenario time."""
        if time_s <= self.time_s:
            return
        if self._sticking:
            timeline = self.scenario.timeline
            for change_s in timeline.changes(self._sticking, self.time_s, time_s):
                self._go(change_s)
                self._hold_stuck_loops()
        self._go(time_s)

    def _go(self, time_s: float) -> None:
        self.time_s = time_s
        for monitor in self.monitors.values():
            monitor.advance(time_s)

    def _hold_stuck_loops(self) -> None:
        for key in self._sticking:
            if self._loop_state_ma(key.name) != loop.STUCK_MA:
                self._stuck_ma.pop(key.name, None)
            elif key.name not in self._stuck_ma:
                wired = self.scenario.plant.loops[key.name]
                self._stuck_ma[key.name] = self._measured_ma(wired)

    def state(self, device: str) -> str:
        """Return what a device does with requests now: the word the scenario has for it."""
        return self.scenario.timeline.word(Key("device", device, "state"), self.time_s, "healthy")

    def bit_flips(self, line: str) -> float:
        """Return the share of bytes on an RTU line that are damaged now."""
        return self.scenario.timeline.number(Key("line", line, "bit_flips"), self.time_s, 0.0)

    def registers(self, device: Device) -> list[int]:
        """Return a device's registers from address 0, or its inputs as one word of bits."""
        if device.kind == "analog input module":
            return self._channels(device)
        if device.kind == "contact module":
            return [self._circuits(device)]
        reading = self.monitors[device.machine].reading
        if isinstance(reading, PulseReading):
            return pulse_registers(reading)
        return dc_registers(reading)

    def _channels(self, device: Device) -> list[int]:
        # An input with nothing on it reads like a broken wire.
        counts = [loop.input_count(0.0)] * CHANNELS
        for wired in self._loops[device.name]:
            counts[wired.channel] = loop.input_count(self.loop_current_ma(wired))
        return [count & 0xFFFF for count in counts]

    def loop_current_ma(self, wired: Loop) -> float:
        """Return the current in mA that a loop carries now."""
        if wired.name in self._stuck_ma:
            return self._stuck_ma[wired.name]
        state_ma = self._loop_state_ma(wired.name)
        if math.isnan(state_ma):
            return self._measured_ma(wired)
        return loop.noisy_ma(wired, state_ma, self.scenario.seed, self.time_s)

    def _measured_ma(self, wired: Loop) -> float:
        offset_a = self.scenario.timeline.number(
            Key("loop", wired.name, "offset"), self.time_s, 0.0
        )
        wanted_ma = loop.transmitted_ma(wired, self.measured(wired)) + 1e3 * offset_a
        return loop.noisy_ma(wired, max(wanted_ma, 0.0), self.scenario.seed, self.time_s)

    def _loop_state_ma(self, name: str) -> float:
        return self.scenario.timeline.number(Key("loop", name, "state"), self.time_s, math.nan)

    def measured(self, wired: Loop) -> float:
        """Return what a loop's transmitter is given now, in the base unit of its quantity."""
        condition = self.conditions[wired.machine]
        if wired.quantity in _SETTINGS:
            return condition.number(_SETTINGS[wired.quantity], self.time_s)
        if wired.quantity == "exciter field current":
            return condition.exciter_field_current_a(self.time_s)
        return self.monitors[wired.machine].transmitted

    def _circuits(self, device: Device) -> int:
        return sum(
            self.circuit_closed(wired) << wired.channel for wired in self._contacts[device.name]
        )

    def circuit_closed(self, wired: Contact) -> bool:
        """Return whether a contact's circuit is closed now."""
        word = self.scenario.timeline.word(
            Key("contact", wired.name, "state"), self.time_s, "healthy"
        )
        if word in ("wire break", "stuck open"):
            return False
        if word == "stuck closed":
            return True
        seed, time_s = self.scenario.seed, self.time_s
        if wired.shows != "alarm":
            closed = self._closes(wired, time_s)
            changed = closed != self._closes(wired, time_s - wired.bounce_s)
            return loop.bounces_closed(wired.name, seed, time_s) if changed else closed
        monitor = self.monitors[wired.machine]
        return loop.circuit_closed(
            opened=monitor.alarm,
            changed_s=monitor.alarm_changed_s,
            bounce_s=wired.bounce_s,
            name=wired.name,
            seed=seed,
            time_s=time_s,
        )

    def _closes(self, wired: Contact, time_s: float) -> bool:
        condition = self.conditions[wired.machine]
        if wired.shows == "brush pressed":
            return condition.brush_pressed(time_s)
        return abs(condition.number("field_voltage", time_s)) > condition.breaker_needs_v


def pulse_registers(reading: PulseReading) -> list[int]:
    """Return the 17 input registers of a pulse monitor."""
    packed = struct.pack(
        ">HH6fhHH",
        reading.status,
        reading.heartbeat,
        reading.plus_a * 1e6,
        reading.minus_a * 1e6,
        reading.field_plus_v,
        reading.field_minus_v,
        reading.own_resistance_ohm / 1e3,
        reading.own_location * 100,
        _tenths(reading.temperature_c),
        min(round(reading.contact_ohm * 10), 0xFFFF),
        min(round(reading.link_quality * 1000), 0xFFFF),
    )
    return list(struct.unpack(">17H", packed))


def dc_registers(reading: DcReading) -> list[int]:
    """Return the 9 holding registers of a DC-injection monitor, the unreadable ones as 0."""
    current_ua = min(max(round(reading.current_a * 1e6), 0), 2**32 - 1)
    return [
        reading.status,
        reading.heartbeat,
        current_ua & 0xFFFF,
        current_ua >> 16,
        _tenths(reading.field_v) & 0xFFFF,
        0,
        0,
        0,
        _tenths(reading.light * 100),
    ]


def _tenths(value: float) -> int:
    return min(max(round(value * 10), -32768), 32767)
