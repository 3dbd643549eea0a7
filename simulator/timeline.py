"""What every setting of the plant is at any scenario time: a pure function of time.

It refuses nothing: the scenario file has been checked when a timeline is built.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple


class Key(NamedTuple):
    """One setting of one thing, as in ("machine", "U1", "insulation")."""

    target: str
    name: str
    setting: str


@dataclass(frozen=True, slots=True)
class Step:
    """A change that begins at `at_s`, going from `start` to `value` within `over_s` seconds."""

    at_s: float
    value: float
    over_s: float = 0.0
    start: float | None = None


@dataclass(frozen=True, slots=True)
class NumberTrack:
    """A number over time; ramps are geometric (equal ratios in equal times) or linear."""

    first: float
    steps: tuple[Step, ...]
    geometric: bool

    def at(self, time_s: float) -> float:
        """Return the number at a time in seconds."""
        passed = bisect_right(self.steps, time_s, key=lambda step: step.at_s)
        if passed == 0:
            return self.first
        step = self.steps[passed - 1]
        gone_s = time_s - step.at_s
        if gone_s >= step.over_s or step.start is None:
            return step.value
        part = gone_s / step.over_s
        if self.geometric:
            return step.start * math.pow(step.value / step.start, part)
        return step.start + (step.value - step.start) * part


@dataclass(frozen=True, slots=True)
class Timeline:
    """All settings over time; with `repeat_s` the story begins again after that many seconds."""

    numbers: Mapping[Key, NumberTrack]
    words: Mapping[Key, tuple[tuple[float, str], ...]]
    repeat_s: float | None

    def number(self, key: Key, time_s: float, otherwise: float) -> float:
        """Return a number at a time, or `otherwise` when the scenario never sets it."""
        track = self.numbers.get(key)
        return otherwise if track is None else track.at(self.story_s(time_s))

    def word(self, key: Key, time_s: float, otherwise: str) -> str:
        """Return a word at a time, or `otherwise` when the scenario has not set it yet."""
        spoken = otherwise
        story_s = self.story_s(time_s)
        for at_s, word in self.words.get(key, ()):
            if at_s > story_s:
                break
            spoken = word
        return spoken

    def faults(self, machine: str, time_s: float) -> tuple[tuple[float, float], ...]:
        """Return (location, resistance in ohms) of each fault that a machine has at a time."""
        story_s = self.story_s(time_s)
        found = []
        for key, track in self.numbers.items():
            if key.target == "fault" and key.name == machine:
                resistance_ohm = track.at(story_s)
                if math.isfinite(resistance_ohm):
                    found.append((float(key.setting), resistance_ohm))
        return tuple(sorted(found))

    def story_s(self, time_s: float) -> float:
        """Return the time within the story: never before its start, folded if it repeats."""
        since_start_s = max(time_s, 0.0)
        return since_start_s % self.repeat_s if self.repeat_s else since_start_s


def number_track(first: float, steps: Iterable[Step], *, geometric: bool) -> NumberTrack:
    """Return a track whose ramps begin, unless they say otherwise, at the value before them."""
    done: list[Step] = []
    for step in sorted(steps, key=lambda step: step.at_s):
        start = step.start
        if start is None and step.over_s > 0:
            start = NumberTrack(first, tuple(done), geometric).at(step.at_s)
        done.append(Step(step.at_s, step.value, step.over_s, start))
    return NumberTrack(first, tuple(done), geometric)
