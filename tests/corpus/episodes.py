"""The labelled corpus: generated episodes of real faults, malfunctions and sound running.

Every episode is a scenario text for the plant of Osier Weir with the truth beside it: whether there
is an earth fault that the alarms must tell, and which causes of the catalogue name the malfunction.
All choices follow from one seed.
"""

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from tests.corpus.entries import (
    CONTACT_TAGS,
    LOOP_TAGS,
    at_time,
    contact_is,
    device_is,
    fault_in,
    log_uniform,
    loop_is,
    of_machine,
    seen_by_u2,
)

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
    step_s: float = 1.0

    def text(self) -> str:
        """The scenario file."""
        rows = [f"scenario: {self.name}", f"plant: {PLANT}", f"seed: {self.seed}"]
        for section, entries in (("start", self.start), ("timeline", self.timeline)):
            if entries:
                rows += [f"{section}:", *(f"  - {{{entry}}}" for entry in entries)]
        return "\n".join(rows) + "\n"


Make = Callable[[random.Random], Episode]


def _place_and_resistance(draw: random.Random, machine: str) -> tuple[float, float]:
    if machine == "U2":
        return seen_by_u2(draw)
    return draw.random(), log_uniform(draw, 100.0, 16e3)


def _sudden(machine: str) -> Make:
    def make(draw: random.Random) -> Episode:
        place, ohm = _place_and_resistance(draw, machine)
        entry = at_time(draw.uniform(10, 40), fault_in(machine, place, f"{ohm:.0f} ohm"))
        return Episode("", "sudden fault", machine, (), (entry,), 0, fault=True)

    return make


def _slow(machine: str) -> Make:
    def make(draw: random.Random) -> Episode:
        place, ohm = _place_and_resistance(draw, machine)
        ramp = f"{{from: 5 Mohm, to: {ohm:.0f} ohm, over: {draw.uniform(20, 60):.0f} s}}"
        entry = at_time(draw.uniform(5, 20), fault_in(machine, place, ramp))
        return Episode("", "slow fault", machine, (), (entry,), 0, fault=True)

    return make


def _between_contacts(draw: random.Random) -> Episode:
    """A fault that comes while the brush is lifted: it can be seen at the next contact only."""
    place, ohm = _place_and_resistance(draw, "U1")
    entry = at_time(draw.uniform(30, 55), fault_in("U1", place, f"{ohm:.0f} ohm"))
    start = (of_machine("U1", brush="{contact: 20 s, every: 60 s}"),)
    return Episode("", "fault between contacts", "U1", start, (entry,), 0, fault=True)


def _intermittent(machine: str) -> Make:
    def make(draw: random.Random) -> Episode:
        ohm = log_uniform(draw, 100.0, 8e3)
        fault = (
            f"{{location: {draw.random():.3f}, resistance: {ohm:.0f} ohm, "
            f"only: {{duty: 60 %, period: 40 s}}}}"
        )
        return Episode(
            "",
            "intermittent fault",
            machine,
            (),
            (at_time(5, of_machine(machine, fault=fault)),),
            0,
            True,
        )

    return make


def _second(machine: str) -> Make:
    def make(draw: random.Random) -> Episode:
        first = fault_in(machine, draw.uniform(0, 0.4), f"{draw.uniform(12e3, 18e3):.0f} ohm")
        second = fault_in(machine, draw.uniform(0.6, 1), f"{log_uniform(draw, 300, 8e3):.0f} ohm")
        return Episode(
            "", "second fault", machine, (), (at_time(10, first), at_time(60, second)), 0, True
        )

    return make


def _fault_and(machine: str, other: str, kind: str) -> Make:
    """A real fault, and one of the paths that should tell it does not work."""

    def make(draw: random.Random) -> Episode:
        place, ohm = _place_and_resistance(draw, machine)
        timeline = (
            at_time(draw.uniform(2, 8), other),
            at_time(draw.uniform(30, 50), fault_in(machine, place, f"{ohm:.0f} ohm")),
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
            ohm = log_uniform(draw, 60e3, 800e3)
            before = (*start, fault_in(machine, draw.random(), f"{ohm:.0f} ohm"))
        timeline = (at_time(draw.uniform(15, 40), entry),)
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
        entry = at_time(draw.uniform(10, 20), of_machine(machine, **{setting: ramp}))
        lasts_s = round(ramp_s) + 60.0
        return Episode("", kind, machine, (), (entry,), 0, False, frozenset(causes), "", lasts_s)

    return make


def _sound(machine: str, kind: str, *entries: str, background: bool = False) -> Make:
    def make(draw: random.Random) -> Episode:
        start: tuple[str, ...] = ()
        if background:
            ohm = log_uniform(draw, 40e3, 2e6)
            start = (fault_in(machine, draw.random(), f"{ohm:.0f} ohm"),)
        timeline = tuple(at_time(draw.uniform(10, 60), entry) for entry in entries)
        return Episode("", kind, machine, start, timeline, 0)

    return make


def _plan() -> Iterator[tuple[int, Make]]:
    """How many of each."""
    for machine in ("U1", "U2", "U3"):
        yield 12, _sudden(machine)
        yield 6, _slow(machine)
    yield 6, _between_contacts
    for machine in ("U1", "U3"):
        yield 3, _intermittent(machine)
        yield 4, _second(machine)
        yield 3, _fault_and(machine, loop_is(machine, state="wire break"), "fault, loop broken")
        yield 3, _fault_and(machine, contact_is(machine, "stuck closed"), "fault, contact stuck")
        yield 3, _fault_and(machine, loop_is(machine, state="stuck"), "fault, loop stuck")
    yield from _plan_of_loops_and_contacts()
    yield from _plan_of_devices()
    yield from _plan_of_access()
    for machine in ("U1", "U2", "U3"):
        yield 3, _sound(machine, "sound")
        yield (
            3,
            _sound(
                machine,
                "sound, self-test",
                of_machine(machine, self_test="{every: 30 s, lasts: 5 s}"),
            ),
        )
    for machine in ("U1", "U3"):
        yield 4, _sound(machine, "sound, lower resistance", background=True)
        yield (
            3,
            _sound(
                machine,
                "sound, load and excitation move",
                of_machine(machine, load="{to: 40 %, over: 20 s}"),
                of_machine(machine, temperature="{to: 95 degC, over: 30 s}"),
                background=True,
            ),
        )


def _plan_of_loops_and_contacts() -> Iterator[tuple[int, Make]]:
    for machine in ("U1", "U2", "U3"):
        loop_tag = LOOP_TAGS[machine]
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
                    loop_is(machine, state=state),
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
                loop_is(machine, state="20.3 mA"),
                ("over range", "odd one out"),
                subject=LOOP_TAGS[machine],
            ),
        )
        yield (
            4,
            _malfunction(
                "loop offset",
                machine,
                loop_is(machine, offset="2.5 mA"),
                ("odd one out",),
                subject=LOOP_TAGS[machine],
                background=True,
            ),
        )
        for state in ("wire break", "stuck open"):
            yield (
                3,
                _malfunction(
                    f"contact {state}",
                    machine,
                    contact_is(machine, state),
                    ("odd one out",),
                    subject=CONTACT_TAGS[machine],
                    background=True,
                ),
            )


def _plan_of_devices() -> Iterator[tuple[int, Make]]:
    for machine in ("U1", "U2", "U3"):
        dead = ("dead link", "no answer")
        yield 3, _malfunction("monitor silent", machine, device_is(machine, "silent"), dead)
        yield (
            3,
            _malfunction(
                "monitor frozen", machine, device_is(machine, "frozen"), ("heartbeat stopped",)
            ),
        )
        yield (
            3,
            _malfunction(
                "self-test failed",
                machine,
                device_is(machine, "self-test failed"),
                ("device failure",),
            ),
        )
    for machine in ("U1", "U2"):
        yield 2, _malfunction("no connection", machine, device_is(machine, "refused"), dead)
    for machine in ("U1", "U3"):
        for kind, state, causes in (
            ("values stuck", "values stuck", ("frozen value", "noise absent")),
            ("noise absent", "noise-free", ("noise absent", "frozen value")),
            ("impossible value", "impossible value", ("impossible value",)),
            ("jumping value", "jumping", ("too fast change",)),
        ):
            yield 3, _malfunction(kind, machine, device_is(machine, state), causes, background=True)


def _plan_of_access() -> Iterator[tuple[int, Make]]:
    brush = (of_machine("U1", brush="{contact: 20 s, every: 60 s}"),)
    yield (
        5,
        _malfunction(
            "pressed without contact",
            "U1",
            of_machine("U1", brush="pressed without contact"),
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
            of_machine("U1", brush="drive stuck"),
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
            of_machine("U1", brush_resistance="400 ohm"),
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
            of_machine("U2", light_circuit="failed"),
            ("light circuit failed",),
        ),
    )
    yield (
        8,
        _malfunction(
            "no excitation", "U2", of_machine("U2", field_voltage="2 V"), ("dark by no excitation",)
        ),
    )
    for state in ("wire break", "stuck open"):
        yield (
            4,
            _malfunction(
                f"dark contact {state}",
                "U2",
                contact_is("U2", state),
                ("odd one out", "dark contact failed"),
            ),
        )
    yield (
        8,
        _malfunction(
            "telemetry lost", "U3", device_is("U3", "telemetry lost"), ("telemetry lost",)
        ),
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
            of_machine("U3", exciter_current="60 %"),
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
