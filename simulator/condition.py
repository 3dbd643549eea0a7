"""How a machine is at any scenario time: speed, load, air, winding, brush, radio path, exciter.

All of it follows from the scenario, its seed and the time. It refuses to be measured: what a
monitor or a transmitter makes of it is theirs.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from types import MappingProxyType

from simulator import moisture, rotor
from simulator.plant import Machine
from simulator.timeline import Key, Timeline, When

# What holds unless a scenario says otherwise (common practice, no source). A clean light path
# still loses a little; a plant's series resistance includes its brush as new.
CLEAN_LAMP = 0.95
NEW_BRUSH_OHM = 5.0
_USUAL: Mapping[str, float] = MappingProxyType(
    {
        "speed": 1.0,
        "load": 0.8,
        "humidity": 0.45,
        "lamp": CLEAN_LAMP,
        "brush_resistance": NEW_BRUSH_OHM,
        "link_quality": 0.95,
        "exciter_current": 1.0,
        "ripple_frequency": 300.0,
    }
)
# Below this share of the usual field voltage the field breaker counts as open.
_BREAKER_CLOSED = 0.02
# So many digits of a resistance matter to a monitor; fewer different rotors are solved.
_DIGITS = 5


def usual(machine: Machine) -> Mapping[str, float]:
    """Return the settings of a machine to which nothing has happened, in base units."""
    return {
        **_USUAL,
        "field_voltage": machine.field_voltage_v,
        "temperature": machine.temperature_c,
        "capacitance": machine.capacitance_f,
        "insulation": machine.insulation_ohm,
    }


class Condition:
    """One machine in a scenario; asked for rising times where it dries or gets wet."""

    def __init__(self, machine: Machine, timeline: Timeline, seed: int) -> None:
        self.machine = machine
        self._timeline = timeline
        self._seed = seed
        self._tracks = {
            key.setting: track
            for key, track in timeline.numbers.items()
            if key.target == "machine" and key.name == machine.name
        }
        self._usual = usual(machine)
        self._faults = tuple(
            (key, float(key.setting), timeline.numbers[key])
            for key in timeline.fault_places(machine.name)
        )
        self._wetness = (
            moisture.Wetness(
                lambda time_s: timeline.latest(self._key("moisture"), time_s), self._air
            )
            if "moisture" in self._tracks
            else None
        )

    def _key(self, setting: str) -> Key:
        return Key("machine", self.machine.name, setting)

    def keys(self) -> frozenset[Key]:
        """Return everything in the timeline that is about this machine."""
        numbers, words = self._timeline.numbers, self._timeline.words
        told = (key for key in (*numbers, *words) if key.target in ("machine", "fault"))
        return frozenset(key for key in told if key.name == self.machine.name)

    def number(self, setting: str, time_s: float) -> float:
        """Return a setting of the machine in base units, 0 where there is nothing usual."""
        track = self._tracks.get(setting)
        if track is None:
            return self._usual.get(setting, 0.0)
        return track.at(self._timeline.story_s(time_s))

    def word(self, setting: str, time_s: float) -> str:
        """Return the word that the scenario has for a setting."""
        return self._timeline.word(self._key(setting), time_s, "healthy")

    def winding(self, time_s: float) -> rotor.Winding:
        """Return the field winding with its faults."""
        machine, temperature_c = self.machine, self.number("temperature", time_s)
        insulation_ohm = self.number("insulation", time_s)
        halves_every_k = self.number("insulation_halves_every", time_s)
        if halves_every_k:
            insulation_ohm *= math.pow(
                2.0, (machine.temperature_c - temperature_c) / halves_every_k
            )
        if self._wetness is not None:
            insulation_ohm = moisture.insulation_ohm(
                insulation_ohm, self._wetness.at(max(time_s, 0.0))
            )
        faults = []
        for key, location, track in self._faults:
            resistance_ohm = track.at(self._timeline.story_s(time_s))
            if math.isfinite(resistance_ohm) and self._is_there(key, time_s):
                faults.append(rotor.Fault(location, _rounded(resistance_ohm)))
        return rotor.Winding(
            resistance_ohm=_rounded(
                rotor.copper_resistance_ohm(machine.winding_ohm, round(temperature_c))
            ),
            insulation_ohm=_rounded(insulation_ohm),
            capacitance_f=self.number("capacitance", time_s),
            faults=tuple(faults),
        )

    def _is_there(self, fault: Key, time_s: float) -> bool:
        when = self._timeline.when(fault, time_s)
        return (
            all(self.number(name, time_s) > bound for name, bound in when.above)
            and all(self.number(name, time_s) < bound for name, bound in when.below)
            and (when.duty >= 1.0 or self._has_its_turn(fault, when, time_s))
        )

    def _has_its_turn(self, fault: Key, when: When, time_s: float) -> bool:
        period, since_s = divmod(max(time_s, 0.0), when.period_s)
        chance = random.Random(f"{self._seed}/{fault.name}/{fault.setting}/{period:.0f}").random()
        begin_s = chance * (1.0 - when.duty) * when.period_s
        return begin_s <= since_s < begin_s + when.duty * when.period_s

    def _air(self, time_s: float) -> moisture.Air:
        return moisture.Air(
            self.number("temperature", time_s),
            self.number("humidity", time_s),
            self.number("speed", time_s),
        )

    def brush_pressed(self, time_s: float) -> bool:
        """Return whether the drive presses the brush on; a brush without a drive always is."""
        if self.word("brush_condition", time_s) == "drive stuck":
            return False
        every_s = self.number("brush_every", time_s)
        return every_s <= 0 or max(time_s, 0.0) % every_s < self.number("brush_contact", time_s)

    def brush_stays(self, begin_s: float, duration_s: float) -> bool:
        """Return whether the brush is pressed on for all of a duration."""
        every_s = self.number("brush_every", begin_s)
        contact_s = self.number("brush_contact", begin_s)
        down = every_s <= 0 or max(begin_s, 0.0) % every_s + duration_s <= contact_s
        return down and self.brush_pressed(begin_s)

    def brush_touches(self, time_s: float) -> bool:
        """Return whether a pressed brush has contact."""
        return self.word("brush_condition", time_s) != "pressed without contact"

    def self_test_begin_s(self, time_s: float) -> float | None:
        """Return when the last self-test began by a time, None if there has been none."""
        every_s = self.number("self_test_every", time_s)
        last = math.floor(time_s / every_s) if every_s > 0 else 0
        return last * every_s if last > 0 else None

    def held_since_s(self, time_s: float) -> tuple[float, ...]:
        """Return the last times by which a lifting brush and a self-test stop measuring."""
        found = []
        every_s = self.number("brush_every", time_s)
        contact_s = self.number("brush_contact", time_s)
        if every_s > 0:
            rounds = math.floor((time_s - contact_s) / every_s)
            found.append(rounds * every_s + contact_s)
        test_s = self.self_test_begin_s(time_s)
        if test_s is not None:
            found.append(test_s)
        return tuple(sorted(found))

    @property
    def breaker_needs_v(self) -> float:
        """The field voltage in V above which the field breaker is closed."""
        return _BREAKER_CLOSED * abs(self.machine.field_voltage_v)

    def exciter_field_current_a(self, time_s: float) -> float:
        """Return the exciter's field current in amperes that drives the field voltage."""
        rated_v = self.machine.field_voltage_v
        needed = abs(self.number("field_voltage", time_s) / rated_v) if rated_v else 0.0
        share = self.number("exciter_current", time_s)
        return self.machine.exciter_field_current_a * needed * share


def _rounded(value: float) -> float:
    return float(f"{value:.{_DIGITS}g}")
