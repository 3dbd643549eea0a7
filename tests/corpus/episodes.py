"""The labelled corpus: generated episodes of real faults, malfunctions and sound running.

Every episode is a scenario text for the plant of Osier Weir with the truth beside it: whether there
is an earth fault that the alarms must tell, and which causes of the catalogue name the malfunction.
All choices follow from one seed.
"""

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

CONFIG = Path(__file__).parents[2] / "config"
PLANT = CONFIG / "plants" / "three-machines.yaml"
SEED = 20260109


@dataclass(frozen=True)
class Episode:
    """One story of one machine and what is true in it."""

    name: str
    kind: str
    machine: str
    start: tuple[str, ...]
    timeline: tuple[str, ...]
    seed: int
    fault: bool = False  # a real earth fault beyond the setting of the alarm
    causes: frozenset[str] = field(default_factory=frozenset)  # each of them names it rightly
    subject: str = ""  # what the malfunction is of; "": anything
    lasts_s: float = 120.0
    step_s: float = 0.5

    def text(self) -> str:
        """The scenario file."""
        rows = [f"scenario: {self.name}", f"plant: {PLANT}", f"seed: {self.seed}"]
        for section, entries in (("start", self.start), ("timeline", self.timeline)):
            if entries:
                rows += [f"{section}:", *(f"  - {{{entry}}}" for entry in entries)]
        return "\n".join(rows) + "\n"


Make = Callable[[random.Random], Episode]


def _of(machine: str, **settings: str) -> str:
    inside = ", ".join(f"{key}: {value}" for key, value in settings.items())
    return f"machine: {machine}, {inside}"


def _fault(machine: str, place: float, resistance: str) -> str:
    return _of(machine, fault=f"{{location: {place:.3f}, resistance: {resistance}}}")


def _at(second: float, entry: str) -> str:
    return f"at: {second:.1f} s, {entry}"


def _log_uniform(draw: random.Random, low: float, high: float) -> float:
    return float(low * (high / low) ** draw.random())


# What the DC injection of U2 is made of: it puts the light out above a current.
_U2_SOURCE_V, _U2_FIELD_V, _U2_SERIES_OHM, _U2_PICKUP_A = 24.0, 250.0, 12e3, 1e-3


def _seen_by_u2(draw: random.Random) -> tuple[float, float]:
    """Place and resistance of a fault that draws more than the pick-up current, with a margin."""
    place = draw.random()
    most_ohm = (_U2_SOURCE_V + place * _U2_FIELD_V) / (1.15 * _U2_PICKUP_A) - _U2_SERIES_OHM
    return place, _log_uniform(draw, 100.0, max(most_ohm, 200.0))


def _place_and_resistance(draw: random.Random, machine: str) -> tuple[float, float]:
    if machine == "U2":
        return _seen_by_u2(draw)
    return draw.random(), _log_uniform(draw, 100.0, 16e3)


def _sudden(machine: str) -> Make:
    def make(draw: random.Random) -> Episode:
        place, ohm = _place_and_resistance(draw, machine)
        entry = _at(draw.uniform(10, 40), _fault(machine, place, f"{ohm:.0f} ohm"))
        return Episode("", "sudden fault", machine, (), (entry,), 0, fault=True)

    return make


def _slow(machine: str) -> Make:
    def make(draw: random.Random) -> Episode:
        place, ohm = _place_and_resistance(draw, machine)
        ramp = f"{{from: 5 Mohm, to: {ohm:.0f} ohm, over: {draw.uniform(20, 60):.0f} s}}"
        entry = _at(draw.uniform(5, 20), _fault(machine, place, ramp))
        return Episode("", "slow fault", machine, (), (entry,), 0, fault=True)

    return make


def _between_contacts(draw: random.Random) -> Episode:
    """A fault that comes while the brush is lifted: it can be seen at the next contact only."""
    place, ohm = _place_and_resistance(draw, "U1")
    entry = _at(draw.uniform(30, 55), _fault("U1", place, f"{ohm:.0f} ohm"))
    start = (_of("U1", brush="{contact: 20 s, every: 60 s}"),)
    return Episode("", "fault between contacts", "U1", start, (entry,), 0, fault=True)


def _intermittent(machine: str) -> Make:
    def make(draw: random.Random) -> Episode:
        ohm = _log_uniform(draw, 100.0, 8e3)
        fault = (
            f"{{location: {draw.random():.3f}, resistance: {ohm:.0f} ohm, "
            f"only: {{duty: 60 %, period: 40 s}}}}"
        )
        return Episode(
            "", "intermittent fault", machine, (), (_at(5, _of(machine, fault=fault)),), 0, True
        )

    return make


def _second(machine: str) -> Make:
    def make(draw: random.Random) -> Episode:
        first = _fault(machine, draw.uniform(0, 0.4), f"{draw.uniform(12e3, 18e3):.0f} ohm")
        second = _fault(machine, draw.uniform(0.6, 1), f"{_log_uniform(draw, 300, 8e3):.0f} ohm")
        return Episode("", "second fault", machine, (), (_at(10, first), _at(60, second)), 0, True)

    return make


_LOOP = {"U1": "u1-resistance-loop", "U3": "u3-resistance-loop", "U2": "u2-light-loop"}
_CONTACT = {"U1": "u1-alarm-contact", "U2": "u2-dark-contact", "U3": "u3-alarm-contact"}
_MONITOR = {"U1": "u1-monitor", "U2": "u2-monitor", "U3": "u3-monitor"}
_LOOP_TAG = {"U1": "U1.RESISTANCE_LOOP", "U2": "U2.LIGHT_LOOP", "U3": "U3.RESISTANCE_LOOP"}
_CONTACT_TAG = {"U1": "U1.ALARM_CONTACT", "U2": "U2.DARK_CONTACT", "U3": "U3.ALARM_CONTACT"}


def _fault_and(machine: str, other: str, kind: str) -> Make:
    """A real fault, and one of the paths that should tell it does not work."""

    def make(draw: random.Random) -> Episode:
        place, ohm = _place_and_resistance(draw, machine)
        timeline = (
            _at(draw.uniform(2, 8), other),
            _at(draw.uniform(30, 50), _fault(machine, place, f"{ohm:.0f} ohm")),
        )
        return Episode("", kind, machine, (), timeline, 0, fault=True)

    return make


def _malfunction(
    kind: str,
    machine: str,
    entry: str,
    causes: tuple[str, ...],
    *,
    subject: str = "",
    start: tuple[str, ...] = (),
    background: bool = False,
    lasts_s: float = 120.0,
) -> Make:
    def make(draw: random.Random) -> Episode:
        before = start
        if background:  # a winding that is no alarm, but that every path can show
            ohm = _log_uniform(draw, 60e3, 800e3)
            before = (*start, _fault(machine, draw.random(), f"{ohm:.0f} ohm"))
        timeline = (_at(draw.uniform(15, 40), entry),)
        return Episode(
            "", kind, machine, before, timeline, 0, False, frozenset(causes), subject, lasts_s
        )

    return make


def _ramped(
    kind: str,
    machine: str,
    setting: str,
    to: tuple[float, float],
    over_s: tuple[float, float],
    causes: tuple[str, ...],
) -> Make:
    def make(draw: random.Random) -> Episode:
        ramp_s = draw.uniform(*over_s)
        ramp = f"{{to: {draw.uniform(*to):.0f} %, over: {ramp_s:.0f} s}}"
        entry = _at(draw.uniform(10, 20), _of(machine, **{setting: ramp}))
        lasts_s = round(ramp_s) + 60.0
        return Episode("", kind, machine, (), (entry,), 0, False, frozenset(causes), "", lasts_s)

    return make


def _sound(machine: str, kind: str, *entries: str, background: bool = False) -> Make:
    def make(draw: random.Random) -> Episode:
        start: tuple[str, ...] = ()
        if background:
            ohm = _log_uniform(draw, 40e3, 2e6)
            start = (_fault(machine, draw.random(), f"{ohm:.0f} ohm"),)
        timeline = tuple(_at(draw.uniform(10, 60), entry) for entry in entries)
        return Episode("", kind, machine, start, timeline, 0)

    return make


def _device(machine: str, state: str) -> str:
    return f"device: {_MONITOR[machine]}, state: {state}"


def _loop(machine: str, **settings: str) -> str:
    return f"loop: {_LOOP[machine]}, " + ", ".join(f"{k}: {v}" for k, v in settings.items())


def _contact(machine: str, state: str) -> str:
    return f"contact: {_CONTACT[machine]}, state: {state}"


def _plan() -> Iterator[tuple[int, Make]]:
    """How many of each."""
    for machine in ("U1", "U2", "U3"):
        yield 12, _sudden(machine)
        yield 6, _slow(machine)
    yield 6, _between_contacts
    for machine in ("U1", "U3"):
        yield 3, _intermittent(machine)
        yield 4, _second(machine)
        yield 3, _fault_and(machine, _loop(machine, state="wire break"), "fault, loop broken")
        yield 3, _fault_and(machine, _contact(machine, "stuck closed"), "fault, contact stuck")
        yield 3, _fault_and(machine, _loop(machine, state="stuck"), "fault, loop stuck")
    yield from _plan_of_loops_and_contacts()
    yield from _plan_of_devices()
    yield from _plan_of_access()
    for machine in ("U1", "U2", "U3"):
        yield 3, _sound(machine, "sound")
        yield (
            3,
            _sound(
                machine, "sound, self-test", _of(machine, self_test="{every: 30 s, lasts: 5 s}")
            ),
        )
    for machine in ("U1", "U3"):
        yield 4, _sound(machine, "sound, lower resistance", background=True)
        yield (
            3,
            _sound(
                machine,
                "sound, load and excitation move",
                _of(machine, load="{to: 40 %, over: 20 s}"),
                _of(machine, temperature="{to: 95 degC, over: 30 s}"),
                background=True,
            ),
        )


def _plan_of_loops_and_contacts() -> Iterator[tuple[int, Make]]:
    for machine in ("U1", "U2", "U3"):
        loop_tag = _LOOP_TAG[machine]
        for count, state, cause in (
            (3, "wire break", "wire break"),
            (2, "failure low", "wire break"),
            (2, "short", "loop short"),
            (2, "failure high", "loop short"),
        ):
            yield (
                count,
                _malfunction(
                    f"loop {state}",
                    machine,
                    _loop(machine, state=state),
                    (cause,),
                    subject=loop_tag,
                ),
            )
    for machine in ("U1", "U3"):
        yield (
            2,
            _malfunction(
                "loop over range",
                machine,
                _loop(machine, state="20.3 mA"),
                ("over range", "odd one out"),
                subject=_LOOP_TAG[machine],
            ),
        )
        yield (
            4,
            _malfunction(
                "loop offset",
                machine,
                _loop(machine, offset="2.5 mA"),
                ("odd one out",),
                subject=_LOOP_TAG[machine],
                background=True,
            ),
        )
        for state in ("wire break", "stuck open"):
            yield (
                3,
                _malfunction(
                    f"contact {state}",
                    machine,
                    _contact(machine, state),
                    ("odd one out",),
                    subject=_CONTACT_TAG[machine],
                    background=True,
                ),
            )


def _plan_of_devices() -> Iterator[tuple[int, Make]]:
    for machine in ("U1", "U2", "U3"):
        dead = ("dead link", "no answer")
        yield 3, _malfunction("monitor silent", machine, _device(machine, "silent"), dead)
        yield (
            3,
            _malfunction(
                "monitor frozen", machine, _device(machine, "frozen"), ("heartbeat stopped",)
            ),
        )
        yield (
            3,
            _malfunction(
                "self-test failed",
                machine,
                _device(machine, "self-test failed"),
                ("device failure",),
            ),
        )
    for machine in ("U1", "U2"):
        yield 2, _malfunction("no connection", machine, _device(machine, "refused"), dead)
    for machine in ("U1", "U3"):
        for kind, state, causes in (
            ("values stuck", "values stuck", ("frozen value", "noise absent")),
            ("noise absent", "noise-free", ("noise absent", "frozen value")),
            ("impossible value", "impossible value", ("impossible value",)),
            ("jumping value", "jumping", ("too fast change",)),
        ):
            yield 3, _malfunction(kind, machine, _device(machine, state), causes, background=True)


def _plan_of_access() -> Iterator[tuple[int, Make]]:
    brush = (_of("U1", brush="{contact: 20 s, every: 60 s}"),)
    yield (
        5,
        _malfunction(
            "pressed without contact",
            "U1",
            _of("U1", brush="pressed without contact"),
            ("failed contact",),
            start=brush,
            background=True,
            lasts_s=240,
        ),
    )
    yield (
        5,
        _malfunction(
            "drive stuck",
            "U1",
            _of("U1", brush="drive stuck"),
            ("measurement missed",),
            start=brush,
            lasts_s=300,
        ),
    )
    yield (
        4,
        _malfunction(
            "poor contact",
            "U1",
            _of("U1", brush_resistance="400 ohm"),
            ("poor contact",),
            start=brush,
            lasts_s=180,
        ),
    )
    yield (
        10,
        _ramped(
            "dirty lamp", "U2", "lamp", (2, 15), (100, 200), ("light contaminated", "light weak")
        ),
    )
    yield 6, _ramped("weak lamp", "U2", "lamp", (24, 37), (30, 60), ("light weak",))
    yield (
        8,
        _malfunction(
            "light circuit failed",
            "U2",
            _of("U2", light_circuit="failed"),
            ("light circuit failed",),
        ),
    )
    yield (
        8,
        _malfunction(
            "no excitation", "U2", _of("U2", field_voltage="2 V"), ("dark by no excitation",)
        ),
    )
    for state in ("wire break", "stuck open"):
        yield (
            4,
            _malfunction(
                f"dark contact {state}",
                "U2",
                _contact("U2", state),
                ("odd one out", "dark contact failed"),
            ),
        )
    yield (
        8,
        _malfunction("telemetry lost", "U3", _device("U3", "telemetry lost"), ("telemetry lost",)),
    )
    yield (
        6,
        _ramped("telemetry weak", "U3", "link_quality", (33, 45), (30, 60), ("telemetry weak",)),
    )
    yield (
        5,
        _malfunction(
            "field voltage unfit",
            "U3",
            _of("U3", exciter_current="60 %"),
            ("field voltage unfit",),
            lasts_s=180,
        ),
    )


def corpus() -> tuple[Episode, ...]:
    """All episodes, the same ones every time."""
    made: list[Episode] = []
    for count, make in _plan():
        for _ in range(count):
            number = len(made) + 1
            drawn = make(random.Random(f"{SEED}/{number}"))
            name = f"{number:03} {drawn.kind} {drawn.machine}"
            made.append(replace(drawn, name=name, seed=number))
    return tuple(made)
