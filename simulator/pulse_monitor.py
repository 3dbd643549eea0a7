"""A monitor that injects +E for half a cycle and -E for the other, and measures at their ends.

It refuses to be better than its kind: the resistance and location that it computes itself are the
simple ones, without any correction for a moving field voltage or for capacitance.
"""

from __future__ import annotations

import cmath
import math
import random
from dataclasses import replace

from simulator import rotor
from simulator.condition import Condition
from simulator.monitor import (
    DROP_OUT,
    JUST_BEFORE_S,
    MEASURING,
    Cycle,
    Monitor,
    PulseReading,
)
from simulator.plant import PulseSetup, has_brush
from simulator.rotor import Injection, MidpointInjection, TerminalInjection
from simulator.timeline import Timeline

OWN_RESISTANCE_MAX_OHM = 9_999e3
# What an open brush reads, the most that its register holds.
OPEN_BRUSH_OHM = 6553.5
_BRUSH_NOISE = 0.05
_LOCATION_NEEDS_V = 1.0


class PulseMonitor(Monitor[PulseReading]):
    """The cycles of a pulse monitor."""

    def __init__(
        self, condition: Condition, setup: PulseSetup, device: str, timeline: Timeline, seed: int
    ) -> None:
        super().__init__(condition, setup.access, device, timeline, seed, 2 * setup.half_cycle_s)
        self.reading = PulseReading(MEASURING, 0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
        self._setup = setup
        self._has_brush = has_brush(setup)
        self._potentials: rotor.Potentials | None = None
        self.advance(0.0)

    def _cycle(self, cycle: Cycle) -> None:
        measured = None
        if cycle.testing:
            # The source is on the monitor's own test resistor; the winding is left to itself.
            self._potentials = None
        elif not cycle.lifted:
            measured = self._measure(cycle)
        if cycle.state == "frozen":
            return
        shown = self.reading
        if measured is not None and not cycle.lost and cycle.state != "values stuck":
            self.transmitted = measured.own_resistance_ohm
            shown = self._spoilt(measured, cycle)
        self.reading = replace(
            shown,
            status=cycle.status,
            heartbeat=(self.reading.heartbeat + 1) & 0xFFFF,
            link_quality=self._link_quality(cycle),
        )
        limit_ohm = self._setup.alarm_below_ohm * (DROP_OUT if self.alarm else 1.0)
        self._raise(self.transmitted < limit_ohm, cycle.end_s)

    def _spoilt(self, measured: PulseReading, cycle: Cycle) -> PulseReading:
        if cycle.state == "impossible value":
            return replace(
                measured,
                plus_a=0.09,
                minus_a=-0.09,
                field_plus_v=9000.0,
                field_minus_v=-9000.0,
                own_resistance_ohm=-1000.0,
                own_location=1.5,
                temperature_c=-300.0,
            )
        if cycle.state == "jumping":
            factor = self._jump(cycle.number)
            return replace(
                measured,
                plus_a=measured.plus_a * factor,
                minus_a=measured.minus_a * factor,
                field_plus_v=measured.field_plus_v * factor,
                field_minus_v=measured.field_minus_v * factor,
                own_resistance_ohm=measured.own_resistance_ohm / factor,
            )
        return measured

    def _measure(self, cycle: Cycle) -> PulseReading:
        setup, condition = self._setup, self.condition
        noise = self._noise(cycle.number)
        share = 0.0 if cycle.state == "noise-free" else 1.0
        touches = not self._has_brush or condition.brush_touches(cycle.begin_s)
        injection = self._injection(cycle.begin_s)
        currents_a, fields_v = [], []
        for half, emf_v in enumerate((setup.source_v, -setup.source_v)):
            time_s = (2 * cycle.number + half + 1) * setup.half_cycle_s - JUST_BEFORE_S
            field_v = condition.number("field_voltage", time_s)
            current_a = self._current_a(injection, emf_v, field_v, time_s) if touches else 0.0
            seen_a = current_a + share * noise.gauss(0.0, setup.noise_a)
            step_a = setup.resolution_a
            currents_a.append(round(seen_a / step_a) * step_a if step_a else seen_a)
            fields_v.append(field_v + share * noise.gauss(0.0, setup.field_noise_v))
        if not touches:
            self._potentials = None
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
            temperature_c=condition.number("temperature", cycle.seen_s),
            contact_ohm=self._contact_ohm(cycle, touches, noise, share),
        )

    def _injection(self, time_s: float) -> Injection:
        injection = self._setup.injection
        added_ohm = self._added_ohm(time_s) if self._has_brush else 0.0
        if not added_ohm:
            return injection
        if isinstance(injection, TerminalInjection):
            return TerminalInjection(injection.series_ohm + added_ohm)
        return replace(injection, source_ohm=injection.source_ohm + added_ohm)

    def _contact_ohm(
        self, cycle: Cycle, touches: bool, noise: random.Random, share: float
    ) -> float:
        if not self._has_brush:
            return 0.0
        contact_ohm = self.condition.number("brush_resistance", cycle.begin_s)
        contact_ohm *= max(1.0 + share * noise.gauss(0.0, _BRUSH_NOISE), 0.0)
        return min(contact_ohm, OPEN_BRUSH_OHM) if touches else OPEN_BRUSH_OHM

    def _current_a(
        self, injection: Injection, emf_v: float, field_v: float, time_s: float
    ) -> float:
        winding = self.condition.winding(time_s)
        self._potentials = rotor.settle(
            winding,
            injection,
            self._potentials,
            emf_v=emf_v,
            field_v=field_v,
            duration_s=self._setup.half_cycle_s,
        )
        current_a = rotor.source_current_a(injection, self._potentials, emf_v, field_v)
        ripple = self.condition.number("ripple", time_s)
        if ripple == 0.0:
            return current_a
        frequency_hz = self.condition.number("ripple_frequency", time_s)
        phasor = rotor.ripple_current_a(winding, injection, ripple * field_v, frequency_hz)
        return current_a + (phasor * cmath.exp(2j * math.pi * frequency_hz * time_s)).real


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
