"""A measuring brush: it measures while it touches; in between, its values are old.

Told are a measurement that does not come when it is due, a brush that is pressed on without a
measurement, one that reads like an open circuit, poor contact, and wear. An open brush reads as a
perfect winding (no current flows), so currents that vanish or stand still against those of the
last touches are no measurement. Time in which the gateway was off counts as time without a
measurement: nobody knows of one. Refuses to take a held value for a measurement. The shares and
counts below are practice, no source. A brush that stays on its ring is judged the same way, in
pieces of time instead of touches, and nothing of it is ever due.
"""

from dataclasses import dataclass, replace
from statistics import median
from typing import Final

from gateway.diagnosis.measuring import measured_ns, measuring, measuring_tags
from gateway.diagnosis.seen import AccessReport, Found, Seen
from gateway.site.diagnosis import RetractableBrush
from gateway.site.installed import Site
from gateway.tags import Limit, Sample, Subject

_FRUITLESS: Final = 0.5  # of `contact`: a touch that long should have measured
_VANISHED: Final = 0.02  # of the currents of the last touches
_NOTHING: Final = 3.0  # times its spread: a smaller mean cannot be told from no current
_ABOVE_RANGE: Final = 2.0  # times the resistance of the last touches, and out of range
_MEASUREMENTS: Final = 10  # before a touch is compared with the last ones
_TOUCHES_KEPT: Final = 5
_DEADBAND: Final = 0.1  # of the contact resistance
_NO_CONTACT: Final = 10.0  # times the highest contact resistance: the brush touches nothing
_PIECE_NS: Final = 15 * 10**9  # of a brush that stays on
_POOR_TOUCHES: Final = 3  # in a row: the brush is worn


@dataclass(frozen=True, slots=True)
class Touch:
    """What one touch showed of each tag: its mean conductance or current, and its spread."""

    levels: tuple[float, ...]
    spreads: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Run:
    """The measurements of the touch that goes on, by tag."""

    since_ns: int  # on the chain's clock
    newest_ns: int = 0  # UTC of the newest measurement
    count: int = 0
    totals: tuple[float, ...] = ()
    lows: tuple[float, ...] = ()
    highs: tuple[float, ...] = ()
    clipped: tuple[bool, ...] = ()  # the newest one is 'at least'


@dataclass(frozen=True, slots=True)
class BrushMemory:
    """What is remembered of a brush between steps; the clock is the chain's own."""

    waiting_since_ns: int | None = None  # the last measurement, or the first step
    touching_since_ns: int | None = None
    contact_ns: int = 0  # that the brush has touched in all
    fruitless_ns: int = 0  # of this touch without a measurement
    fruitless: str = ""  # how the last touch passed without a measurement
    open: str = ""  # why the last touch that measured reads like an open circuit
    poor: bool = False
    poor_touches: int = 0
    run: Run | None = None
    touches: tuple[Touch, ...] = ()


@dataclass(frozen=True, slots=True)
class _Resistance:
    tag: str
    unit: str
    most: float


class Brush:
    """The brush of one machine: one that stays on, where the site file tells of no other."""

    def __init__(self, site: Site, machine: str) -> None:
        settings = site.machine(machine).brush
        self._machine = machine
        self._settings: RetractableBrush | None = settings
        self._tags = measuring_tags(site, machine)
        units = {t.tag: t.unit for t in site.tags_of(machine)}
        dimensions = ((units[tag], tag) for tag in self._tags)
        self._ohmic = tuple(u is not None and u.dimension == "resistance" for u, _ in dimensions)
        self._touch_ns, self._missed_ns = _PIECE_NS, 0
        self._resistance: _Resistance | None = None
        if settings is None:
            return
        self._touch_ns = round(settings.contact * 1e9)
        self._missed_ns = round(settings.missed_after_s * 1e9)
        tag, most = settings.contact_resistance, settings.contact_resistance_most
        if tag is not None and most is not None:
            unit = units[tag]
            if unit is not None:
                self._resistance = _Resistance(tag, unit.name, most.in_unit(unit))

    def step(
        self, memory: BrushMemory, seen: Seen
    ) -> tuple[BrushMemory, AccessReport, list[Found]]:
        """The brush now.

        Found on the machine: 'measurement missed', 'failed contact', 'poor contact', 'brush worn'.
        """
        measures = measuring(seen, self._tags)
        touching = self._touching(seen, measures)
        resistance = self._contact_resistance(seen) if touching else None
        if touching:
            memory = self._touched(memory, seen, measures, resistance)
        elif touching is False and memory.touching_since_ns is not None:
            memory = self._lifted(memory)
        live = bool(measures) and not memory.open
        if live or memory.waiting_since_ns is None:
            memory = replace(memory, waiting_since_ns=seen.clock_ns)
        report = AccessReport(
            False if measures and memory.open else measures, measured_ns(seen, self._tags)
        )
        return memory, report, self._found(memory, seen, resistance)

    def _touching(self, seen: Seen, measures: bool | None) -> bool | None:
        if self._settings is None or self._settings.pressed is None:
            return measures
        sample = seen.measured(self._settings.pressed)
        return None if sample is None else bool(sample.value)

    def _contact_resistance(self, seen: Seen) -> float | None:
        sample = seen.measured(self._resistance.tag) if self._resistance else None
        return None if sample is None or sample.value is None else float(sample.value)

    def _touched(
        self, memory: BrushMemory, seen: Seen, measures: bool | None, resistance: float | None
    ) -> BrushMemory:
        # What passed since the last step, before the brush touched, was no contact.
        touched_ns = 0 if memory.touching_since_ns is None else seen.elapsed_ns
        if memory.touching_since_ns is None:
            memory = replace(memory, touching_since_ns=seen.clock_ns, fruitless_ns=0, run=None)
        memory = replace(memory, contact_ns=memory.contact_ns + touched_ns)
        none_at_all = self._none_at_all(resistance)
        if self._resistance is not None and resistance is not None:
            most = self._resistance.most * (1 - _DEADBAND if memory.poor else 1)
            memory = replace(memory, poor=resistance > most and not none_at_all)
        if measures is False:
            fruitless_ns = memory.fruitless_ns + touched_ns
            memory = replace(memory, fruitless_ns=fruitless_ns)
            return self._without_result(memory) if fruitless_ns >= self._touch_ns else memory
        if measures:
            run = self._taken(memory.run or Run(seen.clock_ns), seen)
            well = resistance is not None and not memory.poor
            if none_at_all:
                memory = replace(memory, open=none_at_all)
            elif run.count >= _MEASUREMENTS:
                why = "" if well else self._looks_open(run, memory.touches)
                memory = replace(memory, open=why)
            memory = replace(memory, run=run, fruitless_ns=0, fruitless="")
            stays_on = seen.clock_ns - run.since_ns >= self._touch_ns
            if stays_on and run.count >= _MEASUREMENTS:
                memory = _closed(memory)
        return memory

    def _none_at_all(self, resistance: float | None) -> str:
        """Why the contact resistance is that of no contact; '' where it is not."""
        if self._resistance is None or resistance is None:
            return ""
        if resistance < _NO_CONTACT * self._resistance.most:
            return ""
        return f"contact resistance {resistance:.0f} {self._resistance.unit}: it touches nothing"

    def _lifted(self, memory: BrushMemory) -> BrushMemory:
        measured = memory.run is not None and memory.run.count > 0
        if not measured and memory.fruitless_ns >= _FRUITLESS * self._touch_ns:
            memory = self._without_result(memory)
        poor_touches = min(memory.poor_touches + 1, _POOR_TOUCHES) if memory.poor else 0
        return replace(
            _closed(memory), touching_since_ns=None, fruitless_ns=0, poor_touches=poor_touches
        )

    def _without_result(self, memory: BrushMemory) -> BrushMemory:
        pressed_s = memory.fruitless_ns / 1e9
        return replace(memory, fruitless=f"pressed on for {pressed_s:.0f} s, nothing was measured")

    def _taken(self, run: Run, seen: Seen) -> Run:
        """The run with what is measured now, if that is new."""
        newest_ns = measured_ns(seen, self._tags)
        if newest_ns == run.newest_ns:
            return run
        samples = [seen.samples[tag] for tag in self._tags]
        levels = tuple(_level(s, o) for s, o in zip(samples, self._ohmic, strict=True))
        clipped = tuple(
            o and s.status.limit is Limit.HIGH for s, o in zip(samples, self._ohmic, strict=True)
        )
        if not run.count:
            return Run(run.since_ns, newest_ns, 1, levels, levels, levels, clipped)
        return Run(
            run.since_ns,
            newest_ns,
            run.count + 1,
            tuple(a + b for a, b in zip(run.totals, levels, strict=True)),
            tuple(map(min, run.lows, levels)),
            tuple(map(max, run.highs, levels)),
            clipped,
        )

    def _looks_open(self, run: Run, touches: tuple[Touch, ...]) -> str:
        """Why this touch reads like an open circuit; '' where it does not or cannot be told."""
        # Ended touches of another set of tags were those of another site file.
        if not touches or any(len(t.levels) != len(self._tags) for t in touches):
            return ""
        usual = [median(t.levels[i] for t in touches) for i in range(len(self._tags))]
        means = [total / run.count for total in run.totals]
        # The spread of a single touch may be that of a fault which came during it.
        noisy = len(touches) > 1 and all(
            min(t.spreads[i] for t in touches) > 0 for i in range(len(self._tags))
        )
        spreads = [high - low for high, low in zip(run.highs, run.lows, strict=True)]
        if all(map(self._is_gone, means, spreads, usual, run.clipped, self._ohmic)):
            reading = _reading(means[0], self._ohmic[0])
            before = _reading(usual[0], self._ohmic[0])
            return (
                f"{self._tags[0]} went from {before:.3g} in the last touches to {reading:.3g}, as "
                "it does when the brush touches nothing"
            )
        if noisy and run.lows == run.highs:
            return (
                f"{run.count} equal readings; those of the last touches had the noise of live ones"
            )
        return ""

    @staticmethod
    def _is_gone(mean: float, spread: float, usual: float, clipped: bool, ohmic: bool) -> bool:
        if ohmic:
            return clipped and mean * _ABOVE_RANGE <= usual
        return mean < usual * _VANISHED and mean <= _NOTHING * spread

    def _found(self, memory: BrushMemory, seen: Seen, resistance: float | None) -> list[Found]:
        settings = self._settings
        told = []
        waiting_ns = seen.clock_ns - (memory.waiting_since_ns or 0)
        if settings is not None and waiting_ns > self._missed_ns:
            waited, due = _time(self._missed_ns / 1e9), _time(settings.every)
            why = f"no measurement for {waited}; one is due every {due}"
            told.append(("measurement missed", why))
        if memory.fruitless or memory.open:
            told.append(("failed contact", memory.fruitless or memory.open))
        if memory.poor and self._resistance is not None:
            most = f"more than {self._resistance.most:g} {self._resistance.unit}"
            shown = "" if resistance is None else f"{resistance:.3g} {self._resistance.unit}, "
            told.append(("poor contact", f"contact resistance {shown}{most}"))
        if settings is not None and 0 < settings.life * 1e9 <= memory.contact_ns:
            life_h, touched_h = settings.life / 3600, memory.contact_ns / 3.6e12
            told.append(
                ("brush worn", f"it has touched for {touched_h:.4g} h, its life is {life_h:.4g} h")
            )
        elif memory.poor_touches >= _POOR_TOUCHES:
            told.append(("brush worn", f"poor contact in {_POOR_TOUCHES} touches in a row"))
        return [Found(self._machine, Subject.MACHINE, cause, why) for cause, why in told]


def _closed(memory: BrushMemory) -> BrushMemory:
    """The touch that goes on becomes one of the last ones, unless it showed an open brush."""
    run = memory.run
    if run is None:
        return memory
    if run.count < _MEASUREMENTS or memory.open:
        return replace(memory, run=None)
    touch = Touch(
        tuple(total / run.count for total in run.totals),
        tuple(high - low for high, low in zip(run.highs, run.lows, strict=True)),
    )
    return replace(memory, run=None, touches=(*memory.touches, touch)[-_TOUCHES_KEPT:])


def _level(sample: Sample, ohmic: bool) -> float:
    """A magnitude that is nothing for an open brush: a current, or one over a resistance."""
    magnitude = abs(float(sample.value or 0.0))
    return 1 / max(magnitude, 1e-9) if ohmic else magnitude


def _reading(level: float, ohmic: bool) -> float:
    return 1 / level if ohmic else level


def _time(duration_s: float) -> str:
    return f"{duration_s:.0f} s" if duration_s < 3600 else f"{duration_s / 3600:.3g} h"
