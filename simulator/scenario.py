"""Scenarios: what happens to a plant, and when.

A scenario is a YAML file. Every quantity carries its unit.

    scenario: Slow insulation loss        # its name
    plant: ../plants/three-machines.yaml  # the plant file, relative to this file
    seed: 7                               # same seed, same numbers (0 to 4294967295)
    duration: 10 min                      # optional: the simulator then stops
    repeat: 6 min                         # optional: the timeline begins again
    start:                                # optional: how the plant is at the beginning
      - {machine: U1, fault: {location: 0.3, resistance: 5 Mohm}}
    timeline:                             # optional: what happens, each with its time
      - {at: 2 s, machine: U1, fault: {location: 0.3, resistance: {to: 6 kohm, over: 5 s}}}
      - {at: 4 s, loop: u1-resistance-loop, state: wire break}

Each element names one thing (`machine`, `device`, `loop`, `contact` or `line`) and one or more of
its settings:

    machine   field_voltage: 350 V        ripple: 5 % of it at ripple_frequency: 300 Hz
              temperature: 75 degC        capacitance: 0.5 uF     insulation: 5 Mohm
              fault: {location: 0.2, resistance: 15 kohm}, `resistance: none` takes it away;
                  location 0 is the negative ring, 1 the positive; a machine may have several
              lamp: 40 % (the light that arrives, 95 % through a clean path; only for DC injection
                  with an optical link)
              brush: always in contact, or {contact: 20 s, every: 60 s} (retractable brush only)
    device    state: healthy, silent (takes requests, answers none), refused (no TCP connection;
                  only for a unit alone on its port); both leave loops and contacts at work.
                  Of a monitor also: frozen (values, heartbeat, loop and contact stop),
                  self-test failed (a status bit), telemetry lost (telemetry only; values stop,
                  a status bit says so, the heartbeat goes on)
    loop      state: healthy, wire break, short, failure high, failure low, or a current
                  such as 20.3 mA that the transmitter is stuck at
    contact   state: healthy, wire break
    line      bit_flips: 0.2 % (of all bytes on the wire have one bit turned over)

A number or fault resistance may be a ramp, `{to: 8 kohm, over: 60 s}`, from its value at that time
or from a stated one, `{from: 5 Mohm, to: 8 kohm, over: 60 s}`. Resistances go by equal ratios in
equal times, all else evenly. What is not mentioned stays as the plant file says.

It refuses a file with any fault and then tells all of them, each with file, line and column.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from simulator import marked_yaml, plant, quantity
from simulator.loop import STATES_MA
from simulator.marked_yaml import Place, ScenarioError
from simulator.monitor import CLEAN_LAMP
from simulator.plant import Plant
from simulator.timeline import Key, NumberTrack, Step, Timeline, number_track

__all__ = ["Scenario", "ScenarioError", "load"]

_TARGETS = ("machine", "device", "loop", "contact", "line")
_NUMBERS: Mapping[str, tuple[quantity.Kind, float]] = {
    "field_voltage": (quantity.VOLTAGE, -math.inf),
    "ripple": (quantity.SHARE, 0.0),
    "ripple_frequency": (quantity.FREQUENCY, 0.0),
    "temperature": (quantity.TEMPERATURE, -100.0),
    "capacitance": (quantity.CAPACITANCE, 0.0),
    "insulation": (quantity.RESISTANCE, 1e-3),
    "lamp": (quantity.SHARE, 0.0),
    "bit_flips": (quantity.SHARE, 0.0),
}
_SETTINGS: Mapping[str, tuple[str, ...]] = {
    "machine": (
        "field_voltage",
        "ripple",
        "ripple_frequency",
        "temperature",
        "capacitance",
        "insulation",
        "lamp",
        "fault",
        "brush",
    ),
    "device": ("state",),
    "loop": ("state",),
    "contact": ("state",),
    "line": ("bit_flips",),
}
_ALWAYS = "always in contact"


@dataclass(frozen=True, slots=True)
class Scenario:
    """A checked scenario with its plant."""

    name: str
    plant: Plant
    seed: int
    duration_s: float | None
    timeline: Timeline


@dataclass(frozen=True, slots=True)
class _Story:
    """What has been read of the timeline so far."""

    plant: Plant
    steps: defaultdict[Key, list[Step]] = field(default_factory=lambda: defaultdict(list))
    words: defaultdict[Key, list[tuple[float, str]]] = field(
        default_factory=lambda: defaultdict(list)
    )
    ramps: list[tuple[Key, float, Place]] = field(default_factory=list)


def load(path: Path) -> Scenario:
    """Read a scenario and its plant.

    Raises ScenarioError, whose `texts` tell every fault as "file:line:column: what; what would be
    right".
    """
    return marked_yaml.read(path, _scenario)


def _scenario(root: Place) -> Scenario:
    keys = root.keys(
        needed=("scenario", "plant", "seed"),
        allowed=("duration", "repeat", "start", "timeline"),
    )
    installed = _plant(keys.get("plant"))
    story = _Story(installed) if installed is not None else None
    for section in ("start", "timeline"):
        if section in keys and story is not None:
            for element in keys[section].elements():
                _element(element, story, timed=section == "timeline")
    limits = {
        key: keys[key].quantity(quantity.TIME, above=0.0)
        for key in ("duration", "repeat")
        if key in keys
    }
    numbers = _tracks(story) if story is not None else {}
    words = (
        {key: tuple(sorted(said, key=lambda one: one[0])) for key, said in story.words.items()}
        if story is not None
        else {}
    )
    return Scenario(
        name=keys["scenario"].text() if "scenario" in keys else "",
        plant=installed or Plant("", {}, {}, {}, {}, {}),
        seed=keys["seed"].whole(0, 2**32 - 1) if "seed" in keys else 0,
        duration_s=limits.get("duration"),
        timeline=Timeline(numbers, words, limits.get("repeat")),
    )


def _plant(place: Place | None) -> Plant | None:
    if place is None or not (name := place.text()):
        return None
    try:
        return plant.load(place.document.path.parent / name)
    except ScenarioError as error:
        place.fault(f"the plant file {name!r} has faults, see there")
        place.document.elsewhere.extend(error.texts)
        return None


def _tracks(story: _Story) -> dict[Key, NumberTrack]:
    tracks = {
        key: number_track(
            _before(story.plant, key),
            steps,
            geometric=key.target == "fault" or key.setting == "insulation",
        )
        for key, steps in story.steps.items()
    }
    for key, at_s, place in story.ramps:
        starts = [step.start for step in tracks[key].steps if step.at_s == at_s]
        if any(start is None or not math.isfinite(start) for start in starts):
            place.fault("there is no fault yet to begin from; add 'from', as in 'from: 5 Mohm'")
    return tracks


def _before(installed: Plant, key: Key) -> float:
    machine = installed.machines.get(key.name)
    if key.target != "machine" or machine is None:
        return math.inf if key.target == "fault" else math.nan if key.target == "loop" else 0.0
    return {
        "field_voltage": machine.field_voltage_v,
        "temperature": machine.temperature_c,
        "capacitance": machine.capacitance_f,
        "insulation": machine.insulation_ohm,
        "lamp": CLEAN_LAMP,
        "ripple_frequency": 300.0,
    }.get(key.setting, 0.0)


def _element(element: Place, story: _Story, *, timed: bool) -> None:
    named = [target for target in _TARGETS if element.find(target) is not None]
    if len(named) != 1:
        element.fault(f"name one thing it happens to: {', '.join(_TARGETS)}")
        return
    target = named[0]
    needed = ("at", target) if timed else (target,)
    keys = element.keys(needed=needed, allowed=_SETTINGS[target])
    at_s = keys["at"].quantity(quantity.TIME, low=0.0) if "at" in keys else 0.0
    things: Mapping[str, object] = {
        "machine": story.plant.machines,
        "device": story.plant.devices,
        "loop": story.plant.loops,
        "contact": story.plant.contacts,
        "line": story.plant.lines,
    }[target]
    name = keys[target].choice(tuple(things) or ("(the plant has none)",))
    settings = {key: place for key, place in keys.items() if key not in ("at", target)}
    if not settings and len(keys) == element.size:
        element.fault(f"says nothing that happens; add one of {', '.join(_SETTINGS[target])}")
    if name not in things:
        return
    for setting, place in settings.items():
        _setting(Key(target, name, setting), place, at_s, story)


def _setting(key: Key, place: Place, at_s: float, story: _Story) -> None:
    if key.setting == "state":
        _state(key, place, at_s, story)
    elif key.setting == "brush":
        _brush(key, place, at_s, story)
    elif key.setting == "fault":
        keys = place.keys(needed=("location", "resistance"))
        if len(keys) == 2:
            location = keys["location"].number(0.0, 1.0)
            fault = Key("fault", key.name, repr(location))
            _number(fault, keys["resistance"], at_s, story, quantity.RESISTANCE, 1e-3)
    else:
        if key.setting == "lamp" and not plant.has_light(story.plant.machines[key.name].monitor):
            place.fault(f"{key.name} has no light path and so no lamp; remove it")
        kind, low = _NUMBERS[key.setting]
        _number(key, place, at_s, story, kind, low)


def _number(
    key: Key, place: Place, at_s: float, story: _Story, kind: quantity.Kind, low: float
) -> None:
    if not place.is_mapping:
        gone = key.target == "fault" and place.text() == "none"
        value = math.inf if gone else place.quantity(kind, low=low)
        story.steps[key].append(Step(at_s, value))
        return
    keys = place.keys(needed=("to", "over"), allowed=("from",))
    if "to" in keys and "over" in keys:
        start = keys["from"].quantity(kind, low=low) if "from" in keys else None
        value = keys["to"].quantity(kind, low=low)
        over_s = keys["over"].quantity(quantity.TIME, above=0.0)
        story.steps[key].append(Step(at_s, value, over_s, start))
        story.ramps.append((key, at_s, place))


def _brush(key: Key, place: Place, at_s: float, story: _Story) -> None:
    if _access(story.plant, key.name) != "retractable brush":
        place.fault(f"{key.name} has no retractable brush; remove it")
    contact_s = every_s = 0.0
    if place.is_mapping:
        keys = place.keys(needed=("contact", "every"))
        if len(keys) == 2:
            contact_s = keys["contact"].quantity(quantity.TIME, above=0.0)
            every_s = keys["every"].quantity(quantity.TIME, above=0.0)
            if contact_s > every_s:
                place.fault("'contact' is longer than 'every'; it must be shorter")
    else:
        place.choice((_ALWAYS,))
    story.steps[Key("machine", key.name, "brush_contact")].append(Step(at_s, contact_s))
    story.steps[Key("machine", key.name, "brush_every")].append(Step(at_s, every_s))


def _state(key: Key, place: Place, at_s: float, story: _Story) -> None:
    if key.target == "loop":
        text = place.text()
        if text in STATES_MA:
            story.steps[key].append(Step(at_s, STATES_MA[text]))
        elif text[:1].isdecimal():
            story.steps[key].append(Step(at_s, 1e3 * place.quantity(quantity.CURRENT, low=0.0)))
        elif text:
            place.fault(
                f"{text!r} is not known; choose one of {', '.join(STATES_MA)}, "
                "or a current such as '20.3 mA'"
            )
        return
    words = (
        ("healthy", "wire break")
        if key.target == "contact"
        else _device_states(story.plant, key.name)
    )
    story.words[key].append((at_s, place.choice(words)))


def _device_states(installed: Plant, name: str) -> Sequence[str]:
    device = installed.devices[name]
    states = ["healthy", "silent"]
    neighbours = [d for d in installed.devices.values() if d.tcp_offset == device.tcp_offset]
    if device.tcp_offset is not None and len(neighbours) == 1:
        states.append("refused")
    if device.machine:
        states += ["frozen", "self-test failed"]
        if _access(installed, device.machine) == "telemetry":
            states.append("telemetry lost")
    return states


def _access(installed: Plant, machine: str) -> str:
    return installed.machines[machine].monitor.access
