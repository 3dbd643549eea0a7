"""A monitor that injects direct current and trips on its height, whatever the resistance may be.

With an optical link the tripped monitor puts its lamp out. It refuses to know a resistance.
"""

from __future__ import annotations

from dataclasses import replace

from simulator import rotor
from simulator.condition import Condition
from simulator.monitor import DROP_OUT, MEASURING, Cycle, DcReading, Monitor
from simulator.plant import DcSetup, has_brush
from simulator.rotor import TerminalInjection
from simulator.timeline import Timeline

_LIGHT_NOISE = 0.003
# Below this share of the rated field voltage nothing feeds the lamp (common practice, no source).
_LAMP_NEEDS = 0.05


class DcMonitor(Monitor[DcReading]):
    """The cycles of a DC-injection monitor."""

    def __init__(
        self, condition: Condition, setup: DcSetup, device: str, timeline: Timeline, seed: int
    ) -> None:
        super().__init__(condition, setup.access, device, timeline, seed, setup.cycle_s)
        self.reading = DcReading(MEASURING, 0, 0.0, 0.0, 1.0)
        self._setup = setup
        self._has_brush = has_brush(setup)
        self._potentials: rotor.Potentials | None = None
        self.advance(0.0)

    def _cycle(self, cycle: Cycle) -> None:
        field_v = self.condition.number("field_voltage", cycle.seen_s)
        current_a = self._current_a(cycle, field_v)
        if cycle.state == "frozen":
            return
        heartbeat = (self.reading.heartbeat + 1) & 0xFFFF
        shown = self.reading
        if not (cycle.testing or cycle.lost or cycle.state == "values stuck"):
            share = 0.0 if cycle.state == "noise-free" else 1.0
            measured = self._measure(cycle, current_a, field_v, share)
            self.transmitted = measured.light
            shown = self._spoilt(measured, cycle)
            self._judge(measured, cycle)
        self.reading = replace(shown, status=cycle.status, heartbeat=heartbeat)

    def _judge(self, measured: DcReading, cycle: Cycle) -> None:
        setup = self._setup
        tripped = measured.current_a > setup.threshold_a
        dark = measured.light < setup.dark_below * (DROP_OUT if self.alarm else 1.0)
        self._raise(dark if setup.access == "optical link" else tripped, cycle.end_s)

    def _measure(self, cycle: Cycle, current_a: float, field_v: float, share: float) -> DcReading:
        setup, noise = self._setup, self._noise(cycle.number)
        seen_a = current_a + share * noise.gauss(0.0, setup.noise_a)
        level = self._light_level(cycle, seen_a > setup.threshold_a, field_v)
        light_noise = share * noise.gauss(0.0, _LIGHT_NOISE) if level else 0.0
        return DcReading(
            status=MEASURING,
            heartbeat=0,
            current_a=seen_a,
            field_v=field_v + share * noise.gauss(0.0, setup.field_noise_v),
            light=min(max(level + light_noise, 0.0), 1.0),
        )

    def _light_level(self, cycle: Cycle, tripped: bool, field_v: float) -> float:
        fed = abs(field_v) > _LAMP_NEEDS * abs(self.machine.field_voltage_v)
        works = self.condition.word("light_circuit", cycle.seen_s) != "failed"
        lit = fed and works and not tripped
        return self.condition.number("lamp", cycle.seen_s) if lit else 0.0

    def _spoilt(self, measured: DcReading, cycle: Cycle) -> DcReading:
        if cycle.state == "impossible value":
            return replace(measured, current_a=0.9, field_v=-3200.0, light=9.0)
        if cycle.state == "jumping":
            factor = self._jump(cycle.number)
            return replace(
                measured,
                current_a=measured.current_a * factor,
                field_v=measured.field_v * factor,
                light=measured.light * factor,
            )
        return measured

    def _current_a(self, cycle: Cycle, field_v: float) -> float:
        setup = self._setup
        cut_off = self._has_brush and not self.condition.brush_touches(cycle.seen_s)
        if cycle.testing or cut_off:
            self._potentials = None
            return 0.0
        injection = setup.injection
        if self._has_brush:
            added_ohm = self._added_ohm(cycle.seen_s)
            injection = TerminalInjection(injection.series_ohm + added_ohm)
        self._potentials = rotor.settle(
            self.condition.winding(cycle.seen_s),
            injection,
            self._potentials,
            emf_v=setup.source_v,
            field_v=field_v,
            duration_s=setup.cycle_s,
        )
        return rotor.source_current_a(injection, self._potentials, setup.source_v, field_v)
