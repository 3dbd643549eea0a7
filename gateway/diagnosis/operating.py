"""The operating states of a machine: excited, running, hot, loaded.

A number counts by its magnitude, with a deadband. Refuses to guess: a value that is old, held or
bad leaves the state unknown, and so does a state that the site file does not tell of. A broken
wire reads like an open field breaker, so a machine with a field voltage is excited whatever its
contact says; with a closed breaker and no field voltage it is not known.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from gateway.diagnosis.seen import Found, Seen
from gateway.site.diagnosis import OperatingState
from gateway.site.installed import Site
from gateway.tags import Limit, Sample, Subject

STATES: Final = ("excited", "running", "hot", "loaded")
_EXCITED_ABOVE: Final = 0.05  # of the rated field voltage (practice)
_DEADBAND: Final = 0.1  # of the limit, for an excitation that is judged by that share
_SETTLE_NS: Final = 15 * 10**9  # a field takes seconds to build up and to die away (practice)


@dataclass(frozen=True, slots=True)
class OperatingMemory:
    """What was last known of each state; it decides within a deadband."""

    excited: bool | None = None
    running: bool | None = None
    hot: bool | None = None
    loaded: bool | None = None
    contradicted_ns: int | None = None  # on the chain's clock: since when the voltage contradicts


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
        self._machine = machine
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
        self._voltage: _Judged | None = None
        self._unit = unit.name if unit else ""
        if shown and unit:
            above = winding.rated_field_voltage * _EXCITED_ABOVE / float(unit.factor)
            by_voltage = _Judged("excited", shown, above, above * (1 - _DEADBAND))
            told = installed.operating_states.excited
            if told is None:
                judged.append(by_voltage)
            elif told.above is None:  # a contact; with a level of its own, that is what counts
                self._voltage = by_voltage
        self._judged = tuple(judged)

    def step(
        self, memory: OperatingMemory, seen: Seen
    ) -> tuple[OperatingMemory, Mapping[str, bool | None], list[Found]]:
        """The states now, by name; None: not known. Found on the machine: 'excitation unclear'."""
        states: dict[str, bool | None] = dict.fromkeys(STATES)
        for judged in self._judged:
            name, tag = judged.name, judged.tag
            sample = seen.measured(tag)
            if sample is None:
                continue
            was = getattr(memory, name)
            now = _state(judged, sample, was)
            states[name] = now
            if now is not None and now is not was:
                memory = replace(memory, **{name: now})
        memory, found = self._checked(memory, seen, states)
        return memory, states, found

    def _checked(
        self, memory: OperatingMemory, seen: Seen, states: dict[str, bool | None]
    ) -> tuple[OperatingMemory, list[Found]]:
        """Corrects what is told of the excitation where the field voltage contradicts it."""
        excited, voltage = states["excited"], self._voltage
        sample = seen.measured(voltage.tag) if voltage is not None else None
        if excited is None or voltage is None or sample is None:
            return memory, []
        # Within the deadband, either is right.
        if _state(voltage, sample, excited) in (excited, None):
            if memory.contradicted_ns is not None:
                memory = replace(memory, contradicted_ns=None)
            return memory, []
        states["excited"] = None if excited else True
        if memory.contradicted_ns is None:
            memory = replace(memory, contradicted_ns=seen.clock_ns)
        if seen.clock_ns - (memory.contradicted_ns or 0) < _SETTLE_NS:
            return memory, []
        tag = next(j.tag for j in self._judged if j.name == "excited")
        detail = (
            f"{tag} says {'excited' if excited else 'not excited'}, and {voltage.tag} is "
            f"{float(sample.value or 0.0):.4g} {self._unit}"
        )
        return memory, [Found(self._machine, Subject.MACHINE, "excitation unclear", detail)]


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
