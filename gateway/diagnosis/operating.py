"""The operating states of a machine: excited, running, hot, loaded.

A number counts by its magnitude, with a deadband. Refuses to guess: a value that is old, held or
bad leaves the state unknown, and so does a state that the site file does not tell of.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from gateway.diagnosis.seen import Seen
from gateway.site.diagnosis import OperatingState
from gateway.site.installed import Site
from gateway.tags import Limit, Sample

STATES: Final = ("excited", "running", "hot", "loaded")
_EXCITED_ABOVE: Final = 0.05  # of the rated field voltage (practice)
_DEADBAND: Final = 0.1  # of the limit, for an excitation that is judged by that share


@dataclass(frozen=True, slots=True)
class Memory:
    """What was last known of each state; it decides within a deadband."""

    excited: bool | None = None
    running: bool | None = None
    hot: bool | None = None
    loaded: bool | None = None


@dataclass(frozen=True, slots=True)
class _Judged:
    """A state, its tag and the limits in the unit of the tag; a contact has none."""

    name: str
    tag: str
    above: float | None = None
    until: float = 0.0


class Operating:
    """The operating states of one machine."""

    def __init__(self, site: Site, machine: str) -> None:
        installed = site.machine(machine)
        units = {t.tag: t.unit for t in site.tags_of(machine)}
        judged = []
        for name in STATES:
            told: OperatingState | None = getattr(installed.operating_states, name)
            if told is None:
                continue
            unit = units[told.tag]
            if told.above is None or unit is None:
                judged.append(_Judged(name, told.tag))
            else:
                above = abs(told.above.in_unit(unit))
                judged.append(_Judged(name, told.tag, above, above * (1 - told.deadband)))
        winding = installed.field_winding
        shown = winding.field_voltage
        unit = units[shown] if shown else None
        if installed.operating_states.excited is None and shown and unit:
            above = winding.rated_field_voltage * _EXCITED_ABOVE / float(unit.factor)
            judged.append(_Judged("excited", shown, above, above * (1 - _DEADBAND)))
        self._judged = tuple(judged)

    def step(self, memory: Memory, seen: Seen) -> tuple[Memory, Mapping[str, bool | None]]:
        """The states now, by name; None: not known."""
        states: dict[str, bool | None] = dict.fromkeys(STATES)
        for judged in self._judged:
            name, tag = judged.name, judged.tag
            sample = seen.samples.get(tag)
            if sample is None or tag in seen.blind or not sample.measured_now:
                continue
            was = getattr(memory, name)
            now = _state(judged, sample, was)
            states[name] = now
            if now is not None and now is not was:
                memory = replace(memory, **{name: now})
        return memory, states


def _state(judged: _Judged, sample: Sample, was: bool | None) -> bool | None:
    value = sample.value
    if value is None or isinstance(value, bool) or judged.above is None:
        return None if value is None else bool(value)
    magnitude = abs(value)
    if magnitude > judged.above:
        return True
    if sample.status.limit is Limit.HIGH and value >= 0:
        return None  # at least so much: it may be above
    return bool(was) and magnitude > judged.until
