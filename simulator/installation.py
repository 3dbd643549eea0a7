"""The whole simulated plant at one scenario time, as the registers of its devices.

Register maps, zero-based PDU addresses:

    pulse monitor, input registers (function 4), float32 with the high word first
        0 status bits: 0 measuring, 1 self-test failed, 2 telemetry lost, 3 value held
        1 heartbeat (cycle counter)           2-3 current, positive half-cycle, uA
        4-5 current, negative half-cycle, uA  6-7 field voltage, positive half-cycle, V
        8-9 field voltage, negative, V        10-11 own fault resistance, kohm, at most 9999
        12-13 own fault location, %           14 rotor temperature, int16, 0.1 degC
    DC-injection monitor, holding registers (function 3)
        0 status bits   1 heartbeat   2-3 injected current, uint32, uA, low word first
        4 field voltage, int16, 0.1 V   5-7 unreadable   8 light level, uint16, 0.1 %
    analog input module, input registers (function 4)
        0-7 channels, int16, 0 at 4 mA and 27648 at 20 mA
    contact module, discrete inputs (function 2)
        0-7 circuits, 1 when closed

It refuses to go back in time and does no I/O.
"""

from __future__ import annotations

import math
import struct

from simulator import loop
from simulator.monitor import DcMonitor, DcReading, PulseMonitor, PulseReading
from simulator.plant import CHANNELS, Contact, Device, Loop, PulseSetup
from simulator.scenario import Scenario
from simulator.timeline import Key


class Installation:
    """A plant in a scenario, moved on by `advance`."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.time_s = 0.0
        plant, timeline, seed = scenario.plant, scenario.timeline, scenario.seed
        devices = {device.machine: device.name for device in plant.devices.values()}
        self.monitors: dict[str, PulseMonitor | DcMonitor] = {}
        for name, machine in plant.machines.items():
            device, setup = devices.get(name, ""), machine.monitor
            self.monitors[name] = (
                PulseMonitor(machine, setup, device, timeline, seed)
                if isinstance(setup, PulseSetup)
                else DcMonitor(machine, setup, device, timeline, seed)
            )

    def advance(self, time_s: float) -> None:
        """Let all monitors work through the cycles that have ended by a scenario time."""
        if time_s > self.time_s:
            self.time_s = time_s
            for monitor in self.monitors.values():
                monitor.advance(time_s)

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
        for wired in self.scenario.plant.loops.values():
            if wired.device == device.name:
                counts[wired.channel] = loop.input_count(self.loop_current_ma(wired))
        return [count & 0xFFFF for count in counts]

    def loop_current_ma(self, wired: Loop) -> float:
        """Return the current in mA that a loop carries now."""
        reading = self.monitors[wired.machine].reading
        value = reading.own_resistance_ohm if isinstance(reading, PulseReading) else reading.light
        stuck_ma = self.scenario.timeline.number(
            Key("loop", wired.name, "state"), self.time_s, math.nan
        )
        return loop.loop_current_ma(
            wired, value=value, stuck_ma=stuck_ma, seed=self.scenario.seed, time_s=self.time_s
        )

    def _circuits(self, device: Device) -> int:
        return sum(
            self.circuit_closed(wired) << wired.channel
            for wired in self.scenario.plant.contacts.values()
            if wired.device == device.name
        )

    def circuit_closed(self, wired: Contact) -> bool:
        """Return whether an alarm contact's circuit is closed now."""
        word = self.scenario.timeline.word(
            Key("contact", wired.name, "state"), self.time_s, "healthy"
        )
        monitor = self.monitors[wired.machine]
        return word != "wire break" and loop.circuit_closed(
            opened=monitor.alarm,
            changed_s=monitor.alarm_changed_s,
            bounce_s=wired.bounce_s,
            name=wired.name,
            seed=self.scenario.seed,
            time_s=self.time_s,
        )


def pulse_registers(reading: PulseReading) -> list[int]:
    """Return the 15 input registers of a pulse monitor."""
    packed = struct.pack(
        ">HH6fh",
        reading.status,
        reading.heartbeat,
        reading.plus_a * 1e6,
        reading.minus_a * 1e6,
        reading.field_plus_v,
        reading.field_minus_v,
        reading.own_resistance_ohm / 1e3,
        reading.own_location * 100,
        _tenths(reading.temperature_c),
    )
    return list(struct.unpack(">15H", packed))


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
