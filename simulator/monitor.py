"""What all earth-fault monitors have in common: cycles, status bits, defects, an alarm contact.

A monitor works through its cycles in order of scenario time. A cycle's numbers depend on the
scenario, its seed, the machine and the number of the cycle only, never on when somebody asks; a
reading is replaced as a whole, so that nobody sees halves of two cycles.

Over more than `LONG_CYCLES` at once it does not work through every cycle: it leaps to just before
each moment at which the scenario changes something about the machine, to the last ones at which it
could measure, and to the end, and settles there for `SETTLING_CYCLES`. What it then shows is the
same to the last digit but one; what came and went in between without such a moment (a turn of an
intermittent fault) has not been seen by it, and left no mark on its alarm contact.
"""

from __future__ import annotations

import math
import random
from abc import ABC, abstractmethod
from dataclasses import dataclass, replace
from typing import Generic, TypeVar

from simulator.condition import NEW_BRUSH_OHM, Condition
from simulator.plant import Access
from simulator.timeline import Key, Timeline

MEASURING = 1 << 0
SELF_TEST_FAILED = 1 << 1
TELEMETRY_LOST = 1 << 2
VALUE_HELD = 1 << 3
SELF_TEST_RUNNING = 1 << 4

LONG_CYCLES = 30
SETTLING_CYCLES = 3
# Alarm contacts drop out a little above where they pick up (common practice, no source).
DROP_OUT = 1.1
# What happens at the very end of a cycle belongs to the next one.
JUST_BEFORE_S = 1e-6
# A monitor has been in service before the scenario begins.
_CYCLES_BEFORE = 4
# Below this link quality some cycles do not arrive, at none of it all of them.
_LOSES_BELOW = 0.3
_LINK_NOISE = 0.005
# A jumping monitor is wrong in every other cycle on average, by up to a decade.
_JUMPS = 0.5


@dataclass(frozen=True, slots=True)
class PulseReading:
    """What a pulse monitor shows: currents in A, field voltages in V, its own verdict.

    `contact_ohm` is the brush's contact resistance and `link_quality` the share of telemetry
    frames that arrive; both 0 where there is no brush or no telemetry.
    """

    status: int
    heartbeat: int
    plus_a: float
    minus_a: float
    field_plus_v: float
    field_minus_v: float
    own_resistance_ohm: float
    own_location: float
    temperature_c: float
    contact_ohm: float = 0.0
    link_quality: float = 0.0


@dataclass(frozen=True, slots=True)
class DcReading:
    """What a DC-injection monitor shows; `light` is the level of its light path, 1 when clean."""

    status: int
    heartbeat: int
    current_a: float
    field_v: float
    light: float


@dataclass(frozen=True, slots=True)
class Cycle:
    """One cycle of a monitor: what keeps it from measuring or from telling."""

    number: int
    begin_s: float
    end_s: float
    state: str
    testing: bool
    test_failed: bool
    lifted: bool
    lost: bool

    @property
    def seen_s(self) -> float:
        """The scenario time to which its numbers belong."""
        return self.end_s - JUST_BEFORE_S

    @property
    def status(self) -> int:
        """The status bits that a monitor shows after it."""
        bits = SELF_TEST_FAILED if self.test_failed else 0
        bits |= TELEMETRY_LOST if self.lost else 0
        bits |= SELF_TEST_RUNNING if self.testing else 0
        bits |= VALUE_HELD if self.lifted and not self.testing else 0
        return bits if self.lost or self.testing or self.lifted else bits | MEASURING


_Reading = TypeVar("_Reading", PulseReading, DcReading)


class Monitor(ABC, Generic[_Reading]):
    """The cycles of one monitor and its alarm contact.

    `transmitted` is what it puts on its loop: its own resistance in ohms, or its light level.
    `reading` is what it shows now.
    """

    reading: _Reading

    def __init__(
        self,
        condition: Condition,
        access: Access,
        device: str,
        timeline: Timeline,
        seed: int,
        cycle_s: float,
    ) -> None:
        self.machine = condition.machine
        self.condition = condition
        self.alarm = False
        self.alarm_changed_s = -math.inf
        self.transmitted = 0.0
        self.cycle_s = cycle_s
        self._access = access
        self._state_key = Key("device", device, "state")
        self._keys = condition.keys() | {self._state_key}
        self._timeline = timeline
        self._seed = seed
        self._next = -_CYCLES_BEFORE

    def advance(self, time_s: float) -> None:
        """Work through the cycles that have ended by `time_s`, or leap through a long time."""
        if time_s / self.cycle_s - self._next > LONG_CYCLES:
            begin_s = self._next * self.cycle_s
            for change_s in self._timeline.changes(self._keys, begin_s, time_s):
                self._reach(change_s)
        self._reach(time_s)

    def _reach(self, time_s: float) -> None:
        for held_s in self.condition.held_since_s(time_s - JUST_BEFORE_S):
            self._work(held_s)
        self._work(time_s)

    def _work(self, time_s: float) -> None:
        skipped = math.floor(time_s / self.cycle_s) - SETTLING_CYCLES - self._next
        if skipped > LONG_CYCLES - SETTLING_CYCLES:
            self._next += skipped
            if self._state(self._next * self.cycle_s - JUST_BEFORE_S) != "frozen":
                self._beat(skipped)
        while (self._next + 1) * self.cycle_s <= time_s:
            number = self._next
            self._next += 1
            self._cycle(self._begun(number))

    def _beat(self, beats: int) -> None:
        heartbeat = (self.reading.heartbeat + beats) & 0xFFFF
        self.reading = replace(self.reading, heartbeat=heartbeat)

    @abstractmethod
    def _cycle(self, cycle: Cycle) -> None: ...

    def _begun(self, number: int) -> Cycle:
        condition = self.condition
        begin_s, end_s = number * self.cycle_s, (number + 1) * self.cycle_s
        seen_s = end_s - JUST_BEFORE_S
        state = self._state(seen_s) if number >= 0 else "healthy"
        return Cycle(
            number=number,
            begin_s=begin_s,
            end_s=end_s,
            state=state,
            testing=self._tests_within(begin_s, end_s),
            test_failed=self._test_failed(seen_s),
            lifted=number >= 0 and not condition.brush_stays(begin_s, self.cycle_s),
            lost=state == "telemetry lost" or self._does_not_arrive(number, seen_s),
        )

    def _state(self, time_s: float) -> str:
        return self._timeline.word(self._state_key, time_s, "healthy")

    def _tests_within(self, begin_s: float, end_s: float) -> bool:
        test_s = self.condition.self_test_begin_s(end_s - JUST_BEFORE_S)
        if test_s is None:
            return False
        return begin_s < test_s + self.condition.number("self_test_lasts", begin_s)

    def _test_failed(self, time_s: float) -> bool:
        # Where self-tests are told, a failure is known when the next one ends; else at once.
        every_s = self.condition.number("self_test_every", time_s)
        if every_s <= 0:
            return self._state(time_s) == "self-test failed"
        lasts_s = self.condition.number("self_test_lasts", time_s)
        test_s = self.condition.self_test_begin_s(time_s - lasts_s)
        return test_s is not None and self._state(test_s + lasts_s) == "self-test failed"

    def _does_not_arrive(self, number: int, time_s: float) -> bool:
        if self._access != "telemetry" or number < 0:
            return False
        quality = self.condition.number("link_quality", time_s)
        return quality < _LOSES_BELOW and self._chance(number, "link").random() > (
            quality / _LOSES_BELOW
        )

    def _link_quality(self, cycle: Cycle) -> float:
        if self._access != "telemetry" or cycle.lost:
            return 0.0
        noise = self._chance(cycle.number, "quality").gauss(0.0, _LINK_NOISE)
        return min(max(self.condition.number("link_quality", cycle.seen_s) + noise, 0.0), 1.0)

    def _added_ohm(self, time_s: float) -> float:
        added_ohm = self.condition.number("brush_resistance", time_s) - NEW_BRUSH_OHM
        return float(f"{max(added_ohm, 0.0):.4g}")

    def _noise(self, number: int) -> random.Random:
        return random.Random(f"{self._seed}/{self.machine.name}/{number}")

    def _chance(self, number: int, what: str) -> random.Random:
        return random.Random(f"{self._seed}/{self.machine.name}/{number}/{what}")

    def _jump(self, number: int) -> float:
        chance = self._chance(number, "jump")
        return math.pow(10.0, chance.uniform(-1.0, 1.0)) if chance.random() < _JUMPS else 1.0

    def _raise(self, alarm: bool, time_s: float) -> None:
        if alarm != self.alarm:
            self.alarm = alarm
            self.alarm_changed_s = time_s if time_s > 0 else -math.inf
