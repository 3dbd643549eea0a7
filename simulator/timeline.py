"""What every setting of the plant is at any scenario time: a pure function of time.

It refuses nothing: the scenario file has been checked when a timeline is built.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
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
class When:
    """What a fault needs to be there.

    `above` and `below` are (setting of the machine, bound). Of every `period_s` it is there for
    the share `duty`, in one piece at a place of its own in each period.
    """

    above: tuple[tuple[str, float], ...] = ()
    below: tuple[tuple[str, float], ...] = ()
    duty: float = 1.0
    period_s: float = 0.0


ALWAYS = When()


@dataclass(frozen=True, slots=True)
class Timeline:
    """All settings over time; with `repeat_s` the story begins again after that many seconds."""

    numbers: Mapping[Key, NumberTrack]
    words: Mapping[Key, tuple[tuple[float, str], ...]]
    repeat_s: float | None
    whens: Mapping[Key, tuple[tuple[float, When], ...]] = field(default_factory=dict)

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

    def fault_places(self, machine: str) -> tuple[Key, ...]:
        """Return the keys of all faults that a machine ever has, from the negative end upwards."""
        found = [key for key in self.numbers if key.target == "fault" and key.name == machine]
        return tuple(sorted(found, key=lambda key: float(key.setting)))

    def when(self, fault: Key, time_s: float) -> When:
        """Return what a fault needs to be there, as it has been told by a time."""
        story_s = self.story_s(time_s)
        told = [when for at_s, when in self.whens.get(fault, ()) if at_s <= story_s]
        return told[-1] if told else ALWAYS

    def latest(self, key: Key, time_s: float) -> tuple[float, float] | None:
        """Return (scenario time, value) of the last step of a number by a time."""
        story_s = self.story_s(time_s)
        track = self.numbers.get(key)
        begun = [step for step in track.steps if step.at_s <= story_s] if track else []
        if not begun:
            return None
        return max(time_s, 0.0) - story_s + begun[-1].at_s, begun[-1].value

    def changes(self, keys: Collection[Key], after_s: float, until_s: float) -> tuple[float, ...]:
        """Return the scenario times at which something of `keys` changes, in rising order.

        Only later than `after_s` and not later than `until_s`; of a story that begins again only
        the last two rounds. A ramp changes at its begin and at its end.
        """
        told = {at_s for key in keys for at_s, _ in self.words.get(key, ())}
        told |= {at_s for key in keys for at_s, _ in self.whens.get(key, ())}
        for key in keys:
            for step in self.numbers[key].steps if key in self.numbers else ():
                told |= {step.at_s, step.at_s + step.over_s}
        begins = [0.0]
        if self.repeat_s:
            told = {at_s for at_s in told | {0.0} if at_s < self.repeat_s}
            last = math.floor(max(until_s, 0.0) / self.repeat_s)
            begins = [self.repeat_s * k for k in (last - 1, last) if k >= 0]
        found = {begin_s + at_s for begin_s in begins for at_s in told}
        return tuple(sorted(at_s for at_s in found if after_s < at_s <= until_s))

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
