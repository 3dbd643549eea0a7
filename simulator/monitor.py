"""Earth-fault monitors: what each makes of its rotor, cycle by cycle.

A monitor works through its cycles in order of scenario time. A cycle's numbers depend on the
scenario, its seed, the machine and the number of the cycle only, never on when somebody asks; a
reading is replaced as a whole, so that nobody sees halves of two cycles.

It refuses to be better than its kind: the resistance and location that it computes itself are the
simple ones, without any correction for a moving field voltage or for capacitance.
"""

from __future__ import annotations

import cmath
import math
import random
from abc import ABC, abstractmethod
from dataclasses import dataclass, replace

from simulator import rotor
from simulator.plant import DcSetup, Machine, PulseSetup
from simulator.rotor import MidpointInjection
from simulator.timeline import Key, Timeline

MEASURING = 1 << 0
SELF_TEST_FAILED = 1 << 1
TELEMETRY_LOST = 1 << 2
VALUE_HELD = 1 << 3

OWN_RESISTANCE_MAX_OHM = 9_999e3
# A monitor has been in service before the scenario begins.
_CYCLES_BEFORE = 4
# Alarm contacts drop out a little above where they pick up (common practice, no source).
_DROP_OUT = 1.1
# A clean light path still loses a little (common practice, no source).
CLEAN_LAMP = 0.95
_LIGHT_NOISE = 0.003
# Below this share of the rated field voltage nothing feeds the lamp (common practice, no source).
_LAMP_NEEDS = 0.05
_LOCATION_NEEDS_V = 1.0
# What happens at the very end of a cycle belongs to the next one.
_JUST_BEFORE_S = 1e-6


@dataclass(frozen=True, slots=True)
class PulseReading:
    """What a pulse monitor shows: currents in A, field voltages in V, its own verdict."""

    status: int
    heartbeat: int
    plus_a: float
    minus_a: float
    field_plus_v: float
    field_minus_v: float
    own_resistance_ohm: float
    own_location: float
    temperature_c: float


@dataclass(frozen=True, slots=True)
class DcReading:
    """What a DC-injection monitor shows; `light` is the level of its light path, 1 when clean."""

    status: int
    heartbeat: int
    current_a: float
    field_v: float
    light: float


class Monitor(ABC):
    """The cycles of one monitor and its alarm contact."""

    def __init__(
        self,
        machine: Machine,
        device: str,
        timeline: Timeline,
        seed: int,
        cycle_s: float,
    ) -> None:
        self.machine = machine
        self.alarm = False
        self.alarm_changed_s = -math.inf
        self._device = device
        self._timeline = timeline
        self._seed = seed
        self._cycle_s = cycle_s
        self._next = -_CYCLES_BEFORE

    def advance(self, time_s: float) -> None:
        """Work through all cycles that have ended by `time_s`."""
        while (self._next + 1) * self._cycle_s <= time_s:
            number = self._next
            self._next += 1
            self._cycle(number)

    @abstractmethod
    def _cycle(self, number: int) -> None: ...

    def _end_s(self, number: int) -> float:
        return (number + 1) * self._cycle_s

    def _state(self, time_s: float) -> str:
        return self._timeline.word(Key("device", self._device, "state"), time_s, "healthy")

    def _setting(self, setting: str, time_s: float, otherwise: float) -> float:
        return self._timeline.number(Key("machine", self.machine.name, setting), time_s, otherwise)

    def _field_v(self, time_s: float) -> float:
        return self._setting("field_voltage", time_s, self.machine.field_voltage_v)

    def _temperature_c(self, time_s: float) -> float:
        return self._setting("temperature", time_s, self.machine.temperature_c)

    def _winding(self, time_s: float) -> rotor.Winding:
        machine = self.machine
        return rotor.Winding(
            resistance_ohm=rotor.copper_resistance_ohm(
                machine.winding_ohm, self._temperature_c(time_s)
            ),
            insulation_ohm=self._setting("insulation", time_s, machine.insulation_ohm),
            capacitance_f=self._setting("capacitance", time_s, machine.capacitance_f),
            faults=tuple(
                rotor.Fault(location, resistance_ohm)
                for location, resistance_ohm in self._timeline.faults(machine.name, time_s)
            ),
        )

    def _noise(self, number: int) -> random.Random:
        return random.Random(f"{self._seed}/{self.machine.name}/{number}")

    def _raise(self, alarm: bool, time_s: float) -> None:
        if alarm != self.alarm:
            self.alarm = alarm
            self.alarm_changed_s = time_s if time_s > 0 else -math.inf


class PulseMonitor(Monitor):
    """Injects +E for half a cycle and -E for the other, and measures at the end of each."""

    def __init__(
        self, machine: Machine, setup: PulseSetup, device: str, timeline: Timeline, seed: int
    ) -> None:
        super().__init__(machine, device, timeline, seed, 2 * setup.half_cycle_s)
        self.reading = PulseReading(MEASURING, 0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
        self._setup = setup
        self._potentials: rotor.Potentials | None = None
        self.advance(0.0)

    def _cycle(self, number: int) -> None:
        end_s = self._end_s(number)
        state = self._state(end_s - _JUST_BEFORE_S)
        lifted = self._brush_lifted(end_s - self._cycle_s)
        measured = None if lifted else self._measure(number)
        if state == "frozen":
            return
        lost = state == "telemetry lost"
        status = SELF_TEST_FAILED if state == "self-test failed" else 0
        status |= TELEMETRY_LOST if lost else 0
        status |= VALUE_HELD if lifted else 0
        status |= 0 if lost or lifted else MEASURING
        shown = self.reading if lost or measured is None else measured
        heartbeat = (self.reading.heartbeat + 1) & 0xFFFF
        self.reading = replace(shown, status=status, heartbeat=heartbeat)
        limit_ohm = self._setup.alarm_below_ohm * (_DROP_OUT if self.alarm else 1.0)
        self._raise(self.reading.own_resistance_ohm < limit_ohm, end_s)

    def _brush_lifted(self, begin_s: float) -> bool:
        # A cycle counts as in contact only if the brush stays down for all of it.
        every_s = self._setting("brush_every", begin_s, 0.0)
        contact_s = self._setting("brush_contact", begin_s, 0.0)
        return every_s > 0 and max(begin_s, 0.0) % every_s + self._cycle_s > contact_s

    def _measure(self, number: int) -> PulseReading:
        setup = self._setup
        noise = self._noise(number)
        currents_a, fields_v = [], []
        for half, emf_v in enumerate((setup.source_v, -setup.source_v)):
            time_s = (2 * number + half + 1) * setup.half_cycle_s - _JUST_BEFORE_S
            winding, field_v = self._winding(time_s), self._field_v(time_s)
            self._potentials = rotor.settle(
                winding,
                setup.injection,
                self._potentials,
                emf_v=emf_v,
                field_v=field_v,
                duration_s=setup.half_cycle_s,
            )
            current_a = rotor.source_current_a(
                setup.injection, self._potentials, emf_v, field_v
            ) + self._ripple_a(winding, field_v, time_s)
            seen_a = current_a + noise.gauss(0.0, setup.noise_a)
            step_a = setup.resolution_a
            currents_a.append(round(seen_a / step_a) * step_a if step_a else seen_a)
            fields_v.append(field_v + noise.gauss(0.0, setup.field_noise_v))
        own_ohm, own_location = _own_verdict(setup, currents_a, fields_v)
        return PulseReading(
            status=MEASURING,
            heartbeat=0,
            plus_a=currents_a[0],
            minus_a=currents_a[1],
            field_plus_v=fields_v[0],
            field_minus_v=fields_v[1],
            own_resistance_ohm=own_ohm,
            own_location=own_location,
            temperature_c=self._temperature_c(self._end_s(number) - _JUST_BEFORE_S),
        )

    def _ripple_a(self, winding: rotor.Winding, field_v: float, time_s: float) -> float:
        ripple = self._setting("ripple", time_s, 0.0)
        if ripple == 0.0:
            return 0.0
        frequency_hz = self._setting("ripple_frequency", time_s, 300.0)
        phasor = rotor.ripple_current_a(
            winding, self._setup.injection, ripple * field_v, frequency_hz
        )
        return (phasor * cmath.exp(2j * math.pi * frequency_hz * time_s)).real


class DcMonitor(Monitor):
    """Injects direct current and trips on its height, whatever the resistance may be."""

    def __init__(
        self, machine: Machine, setup: DcSetup, device: str, timeline: Timeline, seed: int
    ) -> None:
        super().__init__(machine, device, timeline, seed, setup.cycle_s)
        self.reading = DcReading(MEASURING, 0, 0.0, 0.0, 1.0)
        self._setup = setup
        self._potentials: rotor.Potentials | None = None
        self.advance(0.0)

    def _cycle(self, number: int) -> None:
        setup, end_s = self._setup, self._end_s(number)
        seen_s = end_s - _JUST_BEFORE_S
        field_v = self._field_v(seen_s)
        self._potentials = rotor.settle(
            self._winding(seen_s),
            setup.injection,
            self._potentials,
            emf_v=setup.source_v,
            field_v=field_v,
            duration_s=setup.cycle_s,
        )
        state = self._state(seen_s)
        if state == "frozen":
            return
        noise = self._noise(number)
        current_a = rotor.source_current_a(
            setup.injection, self._potentials, setup.source_v, field_v
        ) + noise.gauss(0.0, setup.noise_a)
        heartbeat = (self.reading.heartbeat + 1) & 0xFFFF
        if state == "telemetry lost":
            self.reading = replace(self.reading, status=TELEMETRY_LOST, heartbeat=heartbeat)
            return
        tripped = current_a > setup.threshold_a
        lit = not tripped and abs(field_v) > _LAMP_NEEDS * abs(self.machine.field_voltage_v)
        level = self._setting("lamp", seen_s, CLEAN_LAMP) if lit else 0.0
        light = min(max(level + noise.gauss(0.0, _LIGHT_NOISE), 0.0), 1.0) if level else 0.0
        seen_v = field_v + noise.gauss(0.0, setup.field_noise_v)
        status = MEASURING | (SELF_TEST_FAILED if state == "self-test failed" else 0)
        self.reading = DcReading(status, heartbeat, current_a, seen_v, light)
        dark = light < setup.dark_below * (_DROP_OUT if self.alarm else 1.0)
        self._raise(dark if setup.access == "optical link" else tripped, end_s)


def _own_verdict(
    setup: PulseSetup, currents_a: list[float], fields_v: list[float]
) -> tuple[float, float]:
    """Return the monitor's own resistance in ohms and location: its makers kept it simple."""
    plus_a, minus_a = currents_a
    if isinstance(setup.injection, MidpointInjection):
        inner_ohm = setup.injection.source_ohm + setup.injection.positive_ohm / 2
        tap = 0.5
    else:
        inner_ohm, tap = setup.injection.series_ohm, 0.0
    swing_a = (plus_a - minus_a) / 2
    if swing_a <= setup.source_v / (OWN_RESISTANCE_MAX_OHM + inner_ohm):
        return OWN_RESISTANCE_MAX_OHM, 0.5
    loop_ohm = setup.source_v / swing_a
    field_v = sum(fields_v) / 2
    if abs(field_v) < _LOCATION_NEEDS_V:
        return max(loop_ohm - inner_ohm, 0.0), 0.5
    offset_v = (plus_a + minus_a) / 2 * loop_ohm
    return max(loop_ohm - inner_ohm, 0.0), min(max(tap + offset_v / field_v, 0.0), 1.0)
