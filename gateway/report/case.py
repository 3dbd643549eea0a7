"""What a dossier is made of: one alarm's activation and everything that was kept around it.

Also tells which tags belong into its pictures. Holds facts only; `dossier` puts them into words.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import tzinfo
from math import hypot

from gateway.alarms.journal import JournalEntry
from gateway.diagnosis.second_fault_watch import first_fault_most_ohm
from gateway.report.curve import Curve
from gateway.report.plot import Threshold
from gateway.rotor.measured import Measured
from gateway.rotor.second_fault import SIGNIFICANT, Fault, second_fault
from gateway.site.alarm import Alarm, LimitAlarm
from gateway.site.installed import Site, TagDefinition
from gateway.site.model import Machine
from gateway.tags import Frame, Sample, Status


@dataclass(frozen=True, slots=True)
class Plotted:
    """One tag over one window."""

    tag: TagDefinition
    curve: Curve
    window: str  # which window, in words: "24 h before, 2 h after"


@dataclass(frozen=True, slots=True)
class Origin:
    """Where the facts of a dossier come from, so that they can be found again and trusted."""

    archive: str  # which file
    configuration: str  # digest of the site file and its profiles, hexadecimal
    software: str
    head: str  # NUMBER:HASH of the last journal entry
    verdict: str  # what checking the whole journal came to, in words
    made_ns: int  # UTC of the dossier


@dataclass(frozen=True, slots=True)
class Case:
    """One activation of an alarm."""

    site: Site
    alarm: Alarm
    entry: JournalEntry  # the activation
    around: tuple[JournalEntry, ...]  # entries of the machine before and after it, in order
    left_out: int  # entries around it that are not among them, there being too many
    frame: Frame  # the step that brought it
    before: Frame | None  # a step before the condition began; None: none is kept
    newest: Frame | None  # the machine's newest step; None: the archive has none
    plotted: tuple[Plotted, ...]
    origin: Origin
    zone: tzinfo

    @property
    def machine(self) -> Machine:
        """The machine that the alarm is of."""
        return self.site.machine(self.alarm.machine)


def tags_to_plot(site: Site, alarm: Alarm) -> tuple[TagDefinition, ...]:
    """The resistance, the field voltage, and what the alarm itself judges; each once."""
    machine = site.machine(alarm.machine)
    tags = {t.tag: t for t in site.tags_of(alarm.machine)}
    own = [getattr(alarm, key, None) for key in ("tag", "reference")]
    own += list(getattr(alarm, "tags", ()))[:2]
    of_own = [t for t in own if t in tags and is_resistance(tags[t])]
    injection = machine.pulse_injection
    resistances = [
        *of_own,
        *([injection.fault_resistance.tag] if injection else []),
        *([machine.trend.resistance] if machine.trend else []),
        *(t.tag for t in tags.values() if is_resistance(t)),
    ]
    voltages = [
        machine.field_winding.field_voltage,
        *([injection.field_voltage_positive] if injection else []),
    ]
    wanted = [*resistances[:1], *[v for v in voltages if v is not None][:1], *own]
    return tuple(tags[t] for t in dict.fromkeys(wanted) if t in tags)


def is_resistance(tag: TagDefinition) -> bool:
    """Whether its values are resistances, which are shown on a logarithmic scale."""
    return tag.unit is not None and tag.unit.dimension == "resistance"


def thresholds(site: Site, tag: TagDefinition) -> tuple[Threshold, ...]:
    """The limits of the alarms on this tag, in its unit."""
    found = []
    for alarm in site.file.alarms:
        if isinstance(alarm, LimitAlarm) and alarm.tag == tag.tag and tag.unit is not None:
            limit, word = (alarm.below, "below") if alarm.below else (alarm.above, "above")
            if limit is not None:
                found.append(Threshold(f"{alarm.name}: {word} {limit}", limit.in_unit(tag.unit)))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Located:
    """The computed place of a fault in one step, in shares of the winding; `u` is standard."""

    location_pu: float | None
    u_pu: float | None
    status: Status


def located(site: Site, frame: Frame) -> Located | None:
    """Where the computed fault location of this Frame lies; None: the machine computes none."""
    injection = site.machine(frame.machine).pulse_injection
    if injection is None:
        return None
    sample = sample_of(frame.samples, injection.fault_location.tag)
    if sample is None:
        return None
    if sample.value is None:
        return Located(None, None, sample.status)
    factor = float(injection.fault_location.unit.factor)
    u_pu = None if sample.uncertainty is None else sample.uncertainty * factor
    return Located(sample.value * factor, u_pu, sample.status)


def sample_of(samples: Iterable[Sample], tag: str) -> Sample | None:
    """The sample of this tag, if it is there."""
    return next((s for s in samples if s.tag == tag), None)


def second_fault_between(site: Site, first: Frame, then: Frame) -> Fault | None:
    """A second fault that came between two steps, if the first one is unchanged; None: none told.

    Both steps must have measured a resistance and a place with their uncertainties. One at the
    place of the first is not told: it looks exactly like a first one that became worse.
    """
    one, other = _fault(site, first), _fault(site, then)
    if one is None or other is None:
        return None
    if one.resistance_ohm.value > first_fault_most_ohm(site, first.machine):
        return None  # that was insulation, so what came is the first fault
    told = second_fault(one, other).fault
    if told is None:
        return None
    apart = abs(told.location_pu.value - one.location_pu.value)
    return told if apart > SIGNIFICANT * hypot(told.location_pu.u, one.location_pu.u) else None


def _fault(site: Site, frame: Frame) -> Fault | None:
    injection = site.machine(frame.machine).pulse_injection
    place = located(site, frame)
    if injection is None or place is None:
        return None
    sample = sample_of(frame.samples, injection.fault_resistance.tag)
    if sample is None or not sample.measured_now or sample.value is None:
        return None
    if sample.uncertainty is None or sample.status.limit:
        return None
    if place.location_pu is None or place.u_pu is None or place.status.limit:
        return None
    factor = float(injection.fault_resistance.unit.factor)
    return Fault(
        Measured(sample.value * factor, sample.uncertainty * factor),
        Measured(place.location_pu, place.u_pu),
    )
