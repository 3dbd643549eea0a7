"""Why a tag cannot be relied on: loop, contact, register, number or computation.

Each tag has its most specific cause. Where its device or its link is to blame, the tag has that
one's cause and the detail names it, so that one broken cable reads as one cause. A tag that is
blind is always a failure, whatever made it so. Refuses to say more of a value that nobody sees.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

from gateway.diagnosis.causes import CAUSES
from gateway.diagnosis.link_health import LinkReport
from gateway.diagnosis.live_value import Liveness, LiveValue
from gateway.diagnosis.monitor_health import MonitorReport
from gateway.diagnosis.seen import Found, Seen
from gateway.diagnosis.subjects import subjects
from gateway.signals import registers
from gateway.signals.current_loop import FAILURES, Band
from gateway.signals.sampling import SignalState, loop_current_a
from gateway.site.installed import Site
from gateway.site.model import Contact, CurrentLoop, Signal
from gateway.site.profile import Point
from gateway.tags import (
    BAD_OUT_OF_RANGE,
    BAD_SENSOR_FAILURE,
    UNCERTAIN_CONFIGURATION_ERROR,
    UNCERTAIN_ENGINEERING_UNITS_EXCEEDED,
    Sample,
    StatusSignal,
)

Told = tuple[str, str]  # cause and detail

_OFF_RANGE: Final = {Band.UNDER_RANGE: "under range", Band.OVER_RANGE: "over range"}


@dataclass(frozen=True, slots=True)
class SignalMemory:
    """What is remembered of the tags whose noise or speed is watched."""

    live: dict[str, Liveness] = field(default_factory=dict)


class _Watch:
    """One measured tag and what the site says of it."""

    def __init__(self, site: Site, signal: Signal) -> None:
        self.signal: Final = signal
        self.point: Final[Point] = site.point_of(signal)
        self.device: Final = signal.point.split(".", 1)[0]
        self.live: LiveValue | None = None
        self.unit, self.range = "", ""
        self.possible: tuple[float, float] | None = None
        self.frozen_after_s = 0.0
        if isinstance(signal, Contact):
            return
        live = LiveValue(signal)
        self.live = live if live.needed else None
        self.unit = signal.unit.name
        self.frozen_after_s = signal.frozen_after
        self.range = " to ".join(str(q) for q in signal.range)
        if signal.possible is not None:
            low, high = (q.in_unit(signal.unit) for q in signal.possible)
            self.possible = (low, high)

    def current(self, state: SignalState) -> str:
        """The loop current as it was last read."""
        number = registers.decode(self.point, state.words)
        if number is None or not isinstance(self.signal, CurrentLoop):
            return "no number"
        return f"{loop_current_a(self.signal, number) * 1e3:.2f} mA"

    def shown(self, value: float) -> str:
        return f"{value:.6g} {self.unit}"


class SignalHealth:
    """All tags of one machine, measured and computed."""

    def __init__(self, site: Site, machine: str) -> None:
        self._subjects = subjects(site, machine)
        self._watches = {t: _Watch(site, s) for t, s in self._subjects.signals.items()}

    def step(
        self, memory: SignalMemory, seen: Seen, links: LinkReport, monitors: MonitorReport
    ) -> tuple[SignalMemory, tuple[Found, ...]]:
        """What is wrong with each tag; `links` and `monitors` are the reports of this step."""
        renewed: dict[str, Liveness] = {}
        told: dict[str, list[Told]] = {}
        for tag, watch in self._watches.items():
            state, sample = seen.signals[tag], seen.samples[tag]
            live = None
            if watch.live is not None:
                before = memory.live.get(tag, Liveness())
                live = watch.live.after(before, state)
                if live is not before:
                    renewed[tag] = live
            if tag in seen.blind:
                told[tag] = [_blind(watch, state, seen, links, monitors)]
                continue
            mine = list(_doubted(watch, state, sample, monitors))
            if watch.live is not None and live is not None:
                mine += watch.live.found(live, seen.clock_ns)
            if mine:
                told[tag] = mine
        for tag, inputs in self._subjects.computed.items():
            cause = _computed(tag, inputs, seen, told)
            if cause is not None:
                told[tag] = [cause]
        found = tuple(
            Found(tag, self._subjects.kinds[tag], cause, detail)
            for tag, mine in told.items()
            for cause, detail in mine
        )
        return (SignalMemory(memory.live | renewed) if renewed else memory), found


def _blind(
    watch: _Watch, state: SignalState, seen: Seen, links: LinkReport, monitors: MonitorReport
) -> Told:
    """The most specific reason why nothing is seen."""
    signal, device = watch.signal, watch.device
    read_s = None if state.read_at_ns is None else (seen.clock_ns - state.read_at_ns) / 1e9
    unread = read_s is None or read_s > signal.stale_after
    if unread and state.failure is not None:
        if signal.point in links.refused:
            return "refused", f"device {device} answers, but does not give {signal.point}"
        said = f"device {device}: {state.failure.name}"
        return links.silent.get(device, ("no answer", said))
    reported = monitors.of_tags.get(signal.tag)
    if reported is not None and CAUSES[reported[0]].signal is StatusSignal.FAILURE:
        return reported
    if state.trouble is not None and state.trouble.code == BAD_SENSOR_FAILURE:
        return _sensor_failure(watch, state)
    because = f"; {reported[1]}" if reported is not None else ""
    usable = state.usable
    if usable is None:
        said = state.trouble.name if state.trouble is not None else "nothing was read yet"
        return "no value", f"{said}{because}"
    if state.trouble is not None and state.trouble.is_bad:
        return "no value", f"{state.trouble.name}{because}"
    if state.trouble is None and not unread and watch.frozen_after_s > 0:
        still_s = state.still_ns / 1e9
        value = watch.shown(float(usable.value))
        return "frozen value", f"{value} for {still_s:.0f} s, at most {watch.frozen_after_s:g} s"
    age_s = (seen.clock_ns - usable.at_ns) / 1e9
    return "stale value", f"{age_s:.0f} s old, at most {signal.stale_after:g} s{because}"


def _sensor_failure(watch: _Watch, state: SignalState) -> Told:
    signal = watch.signal
    if isinstance(signal, CurrentLoop) and state.loop.believed in FAILURES:
        current, limits = watch.current(state), signal.ne43
        if state.loop.believed is Band.FAILURE_LOW:
            return "wire break", f"{current}, at or below {limits.failure_low * 1e3:g} mA"
        return "loop short", f"{current}, at or above {limits.failure_high * 1e3:g} mA"
    raw = " ".join(f"0x{word:04X}" for word in state.words)
    return "impossible value", f"{signal.point} holds {raw}, which is no number"


def _doubted(
    watch: _Watch, state: SignalState, sample: Sample, monitors: MonitorReport
) -> Iterator[Told]:
    """What speaks against a value that is seen."""
    reported = monitors.of_tags.get(sample.tag)
    if reported is not None:
        yield reported
    if watch.possible is not None and sample.value is not None:
        low, high = watch.possible
        if not low <= sample.value <= high:
            span = f"{watch.shown(low)} to {watch.shown(high)}"
            yield "impossible value", f"{watch.shown(sample.value)}, possible are {span}"
            return
    usable = state.usable
    if usable is None or usable.status.code != UNCERTAIN_ENGINEERING_UNITS_EXCEEDED:
        return
    if state.loop.believed in _OFF_RANGE:
        yield _OFF_RANGE[state.loop.believed], f"{watch.current(state)} of 4 to 20 mA"
    else:
        value = watch.shown(float(usable.value))
        yield "out of range", f"{value}, the range is {watch.range}"


def _computed(
    tag: str, inputs: tuple[str, ...], seen: Seen, told: dict[str, list[Told]]
) -> Told | None:
    """Of a computed tag: what its inputs hand on, or what the computation makes of them."""
    sample = seen.samples[tag]
    if tag in seen.blind:
        for source in inputs:
            if source in seen.blind:
                cause, detail = told[source][0]
                return cause, f"from {source}: {detail}"
        if sample.status.code == BAD_OUT_OF_RANGE:
            return "impossible value", "it lies outside the winding by more than its uncertainty"
        return "impossible value", f"{sample.status.name}: the inputs contradict the settings"
    if sample.status.code == UNCERTAIN_CONFIGURATION_ERROR:
        text = "below zero by more than its uncertainty: the inputs contradict the settings"
        return "impossible value", text
    for source in inputs:
        for cause, detail in told.get(source, ()):
            if CAUSES[cause].signal is StatusSignal.FUNCTION_CHECK:
                return cause, f"from {source}: {detail}"
    return None
