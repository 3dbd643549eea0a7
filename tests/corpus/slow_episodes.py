"""Days of insulation: generated episodes of how a resistance goes, each with its true pattern.

Every rotor scatters: its insulation wanders by some per cent from hour to hour, as that of real
ones does, besides the noise of its monitor. What has no pattern has weather, load and warmth all
the same. All choices follow from one seed.
"""

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from math import exp, log

from tests.corpus.entries import at_time, fault_in, log_uniform, of_machine
from tests.corpus.episodes import Episode

SEED = 77_003
DAY_S = 86_400.0
HOUR_S = 3_600.0
LIMIT_OHM = 20e3  # of stage 1 of the demo
NONE = "none"


@dataclass(frozen=True)
class Slow:
    """A long episode and the pattern that is true of it."""

    episode: Episode
    pattern: str
    falls: bool = False  # the trend that holds in the end
    reaches_limit_s: float | None = None  # when the planted decline does


Make = Callable[[random.Random], Slow]


def _slow(
    pattern: str,
    kind: str,
    machine: str,
    start: tuple[str, ...],
    timeline: tuple[str, ...],
    days: float,
    step_s: float = 1200.0,
) -> Slow:
    episode = Episode(kind, kind, machine, start, timeline, 0, lasts_s=days * DAY_S, step_s=step_s)
    return Slow(episode, pattern)


def _wander(
    draw: random.Random, machine: str, level_ohm: float, days: float, spread: float
) -> tuple[str, ...]:
    """The insulation goes to a new value every few hours, by `spread` (1 sigma) about its level."""
    entries, at_s = [], 60.0
    while at_s < days * DAY_S:
        ohm = level_ohm * exp(draw.gauss(0.0, spread))
        ramp = f"{{to: {ohm:.0f} ohm, over: 1 h}}"
        entries.append(at_time(at_s, of_machine(machine, insulation=ramp)))
        at_s += draw.uniform(1.0, 3.0) * HOUR_S
    return tuple(entries)


def _weather(
    draw: random.Random, machine: str, days: float, *, warmth: bool = True, load: bool = True
) -> tuple[str, ...]:
    """Warmth goes by the day, load as the grid asks for it."""
    entries = []
    cool_c, warm_c = draw.uniform(40, 52), draw.uniform(68, 88)
    for day in range(int(days) + 1):
        begin_s = day * DAY_S
        if warmth:
            for hour, celsius in ((6.0, warm_c), (18.0, cool_c)):
                ramp = f"{{to: {celsius + draw.gauss(0, 3):.1f} degC, over: 5 h}}"
                at_s = begin_s + (hour + draw.uniform(-1, 1)) * HOUR_S
                entries.append(at_time(at_s, of_machine(machine, temperature=ramp)))
        if load:
            hour = draw.uniform(0, 3)
            while hour < 24:
                ramp = f"{{to: {draw.uniform(20, 95):.0f} %, over: 30 min}}"
                entries.append(at_time(begin_s + hour * HOUR_S, of_machine(machine, load=ramp)))
                hour += draw.uniform(2, 6)
    return tuple(entries)


def _sound(machine: str, *, weather: bool) -> Make:
    def make(draw: random.Random) -> Slow:
        days, level = 4.0, log_uniform(draw, 200e3, 6e6)
        timeline = _wander(draw, machine, level, days, draw.uniform(0.02, 0.08))
        if weather:
            timeline += _weather(draw, machine, days)
        start = (of_machine(machine, insulation=f"{level:.0f} ohm"),)
        kind = "sound, load and warmth move" if weather else "sound"
        return _slow(NONE, kind, machine, start, timeline, days)

    return make


def _above_range(draw: random.Random) -> Slow:
    """A rotor better than the monitor can show."""
    timeline = _weather(draw, "U1", 5.0)
    return _slow(
        NONE, "sound, above range", "U1", (of_machine("U1", insulation="80 Mohm"),), timeline, 5.0
    )


def _temperature(machine: str) -> Make:
    """Six days: hours of one day depend on each other so much that few of them prove little."""

    def make(draw: random.Random) -> Slow:
        days, level = 6.0, log_uniform(draw, 200e3, 2e6)
        start = (
            of_machine(
                machine,
                insulation=f"{level:.0f} ohm",
                insulation_halves_every=f"{draw.uniform(8, 16):.1f} K",
            ),
        )
        timeline = _wander(draw, machine, level, days, 0.04) + _weather(draw, machine, days)
        return _slow("temperature-dependent", "warm and cold", machine, start, timeline, days)

    return make


def _speed(draw: random.Random) -> Slow:
    """A peaking unit: twice a day it is started, loaded, unloaded and stopped, warm or cold."""
    days, level = 4.0, log_uniform(draw, 1e6, 5e6)
    fault = (
        f"{{location: {draw.random():.3f}, resistance: {log_uniform(draw, 40e3, 400e3):.0f} ohm, "
        "only: {speed_above: 60 %}}"
    )
    start = (of_machine("U1", insulation=f"{level:.0f} ohm"), of_machine("U1", fault=fault))
    timeline = list(_wander(draw, "U1", level, days, 0.04))
    for half_day in range(int(2 * days)):
        at_s = half_day * DAY_S / 2 + draw.uniform(0.5, 2) * HOUR_S
        stop = at_s + draw.uniform(4, 7) * HOUR_S
        timeline += [
            at_time(
                at_s, of_machine("U1", speed="{to: 100 %, over: 5 min}", field_voltage="350 V")
            ),
            at_time(
                at_s,
                of_machine("U1", temperature=f"{{to: {draw.uniform(60, 80):.0f} degC, over: 2 h}}"),
            ),
            at_time(stop, of_machine("U1", speed="{to: 0 %, over: 10 min}", load="0 %")),
            at_time(stop, of_machine("U1", field_voltage="0 V")),
            at_time(
                stop,
                of_machine("U1", temperature=f"{{to: {draw.uniform(30, 55):.0f} degC, over: 4 h}}"),
            ),
        ]
        for part in (0.1, 0.4, 0.7):
            load = f"{{to: {draw.uniform(0, 95):.0f} %, over: 10 min}}"
            timeline.append(at_time(at_s + part * (stop - at_s), of_machine("U1", load=load)))
    return _slow("speed-dependent", "started twice a day", "U1", start, tuple(timeline), days)


def _load(draw: random.Random) -> Slow:
    days, level = 4.0, log_uniform(draw, 1e6, 5e6)
    fault = (
        f"{{location: {draw.random():.3f}, resistance: {log_uniform(draw, 60e3, 600e3):.0f} ohm, "
        f"only: {{load_above: {draw.uniform(45, 65):.0f} %}}}}"
    )
    start = (of_machine("U1", insulation=f"{level:.0f} ohm"), of_machine("U1", fault=fault))
    timeline = _wander(draw, "U1", level, days, 0.04) + _weather(draw, "U1", days)
    return _slow("load-dependent", "load closes a fault", "U1", start, timeline, days)


def _moisture(draw: random.Random) -> Slow:
    """Stands cold in humid air, runs warm and dries, and again."""
    level = log_uniform(draw, 3e6, 20e6)
    start = (
        of_machine("U1", insulation=f"{level:.0f} ohm", moisture=f"{draw.uniform(45, 90):.0f} %"),
        of_machine("U1", field_voltage="0 V", speed="0 %", load="0 %", temperature="18 degC"),
        of_machine("U1", humidity=f"{draw.uniform(75, 95):.0f} %"),
    )
    timeline: list[str] = []
    rounds, at_s = draw.randint(1, 3), draw.uniform(4, 10) * HOUR_S
    for _ in range(rounds):
        stop = at_s + draw.uniform(20, 40) * HOUR_S
        warm = f"{{to: {draw.uniform(60, 80):.0f} degC, over: {draw.uniform(3, 6):.1f} h}}"
        load = f"{{to: {draw.uniform(40, 90):.0f} %, over: 2 h}}"
        timeline += [
            at_time(
                at_s, of_machine("U1", speed="{to: 100 %, over: 10 min}", field_voltage="350 V")
            ),
            at_time(at_s, of_machine("U1", temperature=warm)),
            at_time(at_s + 600, of_machine("U1", load=load)),
            at_time(
                stop,
                of_machine("U1", speed="{to: 0 %, over: 10 min}", field_voltage="0 V", load="0 %"),
            ),
            at_time(stop, of_machine("U1", temperature="{to: 18 degC, over: 8 h}")),
        ]
        at_s = stop + draw.uniform(14, 30) * HOUR_S
    days = at_s / DAY_S
    timeline += _wander(draw, "U1", level, days, 0.03)
    return _slow("moisture", "stands wet, runs dry", "U1", start, tuple(timeline), days)


def _intermittent(machine: str) -> Make:
    """Each turn lasts longer than a step of 40 s: what comes and goes within one nobody sees."""

    def make(draw: random.Random) -> Slow:
        days, level = 0.25, log_uniform(draw, 500e3, 5e6)
        place, ohm = draw.random(), log_uniform(draw, 5e3, 100e3)
        turns = f"duty: {draw.uniform(10, 30):.0f} %, period: {draw.uniform(10, 30):.0f} min"
        fault = f"{{location: {place:.3f}, resistance: {ohm:.0f} ohm, only: {{{turns}}}}}"
        start = (
            of_machine(machine, insulation=f"{level:.0f} ohm"),
            of_machine(machine, fault=fault),
        )
        timeline = _wander(draw, machine, level, days, 0.04)
        return _slow("intermittent", "comes and goes", machine, start, timeline, days, 40.0)

    return make


def _decline(machine: str, *, weather: bool) -> Make:
    """Falls evenly, with the scatter of a real one, and is watched until some days before."""

    def make(draw: random.Random) -> Slow:
        days, first = draw.uniform(4, 6), log_uniform(draw, 800e3, 4e6)
        reaches_s = days * DAY_S * draw.uniform(1.3, 2.5)
        rate = log(LIMIT_OHM / first) / reaches_s
        spread, place = draw.uniform(0.01, 0.05), draw.random()
        timeline, at_s = [], 60.0
        while at_s < days * DAY_S:
            over_s = draw.uniform(1, 2) * HOUR_S
            ohm = first * exp(rate * (at_s + over_s) + draw.gauss(0.0, spread))
            ramp = f"{{to: {ohm:.0f} ohm, over: {over_s:.0f} s}}"
            fault = f"{{location: {place:.3f}, resistance: {ramp}}}"
            timeline.append(at_time(at_s, of_machine(machine, fault=fault)))
            at_s += over_s
        if weather:
            timeline += _weather(draw, machine, days)
        start = (
            of_machine(machine, insulation="50000 Mohm"),
            of_machine(machine, fault=f"{{location: {place:.3f}, resistance: {first:.0f} ohm}}"),
        )
        made = _slow("steady decline", "declines", machine, start, tuple(timeline), days)
        return replace(made, falls=True, reaches_limit_s=reaches_s)

    return make


def _step(machine: str) -> Make:
    def make(draw: random.Random) -> Slow:
        days, level = 4.0, log_uniform(draw, 300e3, 4e6)
        at_s = days * DAY_S * draw.uniform(0.3, 0.7)
        to_ohm = max(level * 10 ** -draw.uniform(0.2, 1.0), 40e3)
        shunt_ohm = 1 / (1 / to_ohm - 1 / level)
        start = (of_machine(machine, insulation=f"{level:.0f} ohm"),)
        timeline = (
            *_wander(draw, machine, level, days, 0.04),
            *_weather(draw, machine, days),
            at_time(at_s, fault_in(machine, draw.random(), f"{shunt_ohm:.0f} ohm")),
        )
        return _slow("step", "steps", machine, start, timeline, days)

    return make


def _plan() -> Iterator[tuple[int, Make]]:
    for machine in ("U1", "U3"):
        yield 2, _sound(machine, weather=False)
        yield 4, _sound(machine, weather=True)
        yield 3, _temperature(machine)
        yield 2, _intermittent(machine)
        yield 2, _decline(machine, weather=False)
        yield 2, _decline(machine, weather=True)
        yield 3, _step(machine)
    yield 1, _above_range
    yield 4, _speed
    yield 4, _load
    yield 4, _moisture


def slow_episodes() -> tuple[Slow, ...]:
    """All long episodes, the same ones every time."""
    made: list[Slow] = []
    for count, make in _plan():
        for _ in range(count):
            number = len(made) + 1
            drawn = make(random.Random(f"{SEED}/{number}"))
            name = f"{number:02} {drawn.episode.kind} {drawn.episode.machine}"
            episode = replace(drawn.episode, name=name, seed=9000 + number)
            made.append(replace(drawn, episode=episode))
    return tuple(made)
