"""What happens in a scenario: its elements, gathered and checked against the plant.

`simulator.scenario` holds the manual of the language. It refuses what the plant cannot have, each
fault at its place in the file.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

from simulator import quantity
from simulator.condition import usual
from simulator.loop import STATES_MA
from simulator.marked_yaml import Place
from simulator.plant import Plant, has_brush, has_light
from simulator.timeline import Key, Step, Timeline, When, number_track

_TARGETS = ("machine", "device", "loop", "contact", "line")
_LEAST_OHM = 1e-3
# Kind of quantity and the least that it may be.
_NUMBERS: Mapping[str, tuple[quantity.Kind, float]] = MappingProxyType(
    {
        "field_voltage": (quantity.VOLTAGE, -math.inf),
        "ripple": (quantity.SHARE, 0.0),
        "ripple_frequency": (quantity.FREQUENCY, 0.0),
        "temperature": (quantity.TEMPERATURE, -100.0),
        "capacitance": (quantity.CAPACITANCE, 0.0),
        "speed": (quantity.SHARE, 0.0),
        "load": (quantity.SHARE, 0.0),
        "humidity": (quantity.SHARE, 0.0),
        "insulation": (quantity.RESISTANCE, _LEAST_OHM),
        "insulation_halves_every": (quantity.TEMPERATURE_STEP, 0.1),
        "moisture": (quantity.SHARE, 0.0),
        "lamp": (quantity.SHARE, 0.0),
        "link_quality": (quantity.SHARE, 0.0),
        "brush_resistance": (quantity.RESISTANCE, _LEAST_OHM),
        "exciter_current": (quantity.SHARE, 0.0),
        "bit_flips": (quantity.SHARE, 0.0),
        "offset": (quantity.CURRENT, -math.inf),
    }
)
_SETTINGS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "machine": (
            *(key for key in _NUMBERS if key not in ("bit_flips", "offset")),
            "light_circuit",
            "fault",
            "brush",
            "self_test",
        ),
        "device": ("state",),
        "loop": ("state", "offset"),
        "contact": ("state",),
        "line": ("bit_flips",),
    }
)
_GEOMETRIC = ("insulation", "brush_resistance")
_BOUNDS: Mapping[str, quantity.Kind] = MappingProxyType(
    {"speed": quantity.SHARE, "load": quantity.SHARE, "temperature": quantity.TEMPERATURE}
)
_ALWAYS = "always in contact"
_BRUSH_CONDITIONS = ("healthy", "pressed without contact")


@dataclass(frozen=True, slots=True)
class Story:
    """What has been read of a scenario's elements so far."""

    plant: Plant
    steps: defaultdict[Key, list[Step]] = field(default_factory=lambda: defaultdict(list))
    words: defaultdict[Key, list[tuple[float, str]]] = field(
        default_factory=lambda: defaultdict(list)
    )
    whens: defaultdict[Key, list[tuple[float, When]]] = field(
        default_factory=lambda: defaultdict(list)
    )
    ramps: list[tuple[Key, float, Place]] = field(default_factory=list)

    def element(self, element: Place, *, timed: bool) -> None:
        """Read one element, of `timeline` if `timed`, else of `start`."""
        named = [target for target in _TARGETS if element.find(target) is not None]
        if len(named) != 1:
            element.fault(f"name one thing it happens to: {', '.join(_TARGETS)}")
            return
        target = named[0]
        needed = ("at", target) if timed else (target,)
        keys = element.keys(needed=needed, allowed=_SETTINGS[target])
        at_s = keys["at"].quantity(quantity.TIME, low=0.0) if "at" in keys else 0.0
        things: Mapping[str, object] = {
            "machine": self.plant.machines,
            "device": self.plant.devices,
            "loop": self.plant.loops,
            "contact": self.plant.contacts,
            "line": self.plant.lines,
        }[target]
        name = keys[target].choice(tuple(things) or ("(the plant has none)",))
        settings = {key: place for key, place in keys.items() if key not in ("at", target)}
        if not settings and len(keys) == element.size:
            element.fault(f"says nothing that happens; add one of {', '.join(_SETTINGS[target])}")
        if name in things:
            for setting, place in settings.items():
                _setting(Key(target, name, setting), place, at_s, self)

    def timeline(self, repeat_s: float | None) -> Timeline:
        """Return everything as functions of time; notes ramps that have nowhere to begin."""
        tracks = {
            key: number_track(
                _before(self.plant, key),
                steps,
                geometric=key.target == "fault" or key.setting in _GEOMETRIC,
            )
            for key, steps in self.steps.items()
        }
        for key, at_s, place in self.ramps:
            starts = [step.start for step in tracks[key].steps if step.at_s == at_s]
            if any(start is None or not math.isfinite(start) for start in starts):
                place.fault("there is no fault yet to begin from; add 'from', as in 'from: 5 Mohm'")
        words = {key: tuple(sorted(told, key=_at_s)) for key, told in self.words.items()}
        whens = {key: tuple(sorted(told, key=_at_s)) for key, told in self.whens.items()}
        return Timeline(tracks, words, repeat_s, whens)


def _at_s(told: tuple[float, object]) -> float:
    return told[0]


def _before(installed: Plant, key: Key) -> float:
    if key.target != "machine":
        absent = {"fault": math.inf, "loop": 0.0 if key.setting == "offset" else math.nan}
        return absent.get(key.target, 0.0)
    return usual(installed.machines[key.name]).get(key.setting, 0.0)


def _setting(key: Key, place: Place, at_s: float, story: Story) -> None:
    if key.setting == "state":
        _state(key, place, at_s, story)
    elif key.setting == "brush":
        _brush(key, place, at_s, story)
    elif key.setting == "self_test":
        _self_test(key, place, at_s, story)
    elif key.setting == "fault":
        _fault(key, place, at_s, story)
    else:
        _refuse_what_is_not_there(key, place, story.plant)
        if key.setting == "light_circuit":
            story.words[key].append((at_s, place.choice(("healthy", "failed"))))
            return
        kind, low = _NUMBERS[key.setting]
        _number(key, place, at_s, story, kind, low)


def _refuse_what_is_not_there(key: Key, place: Place, plant: Plant) -> None:
    if key.target != "machine":
        return
    machine = plant.machines[key.name]
    if key.setting in ("lamp", "light_circuit") and not has_light(machine.monitor):
        place.fault(f"{key.name} has no light path and so no lamp; remove it")
    if key.setting == "link_quality" and machine.monitor.access != "telemetry":
        place.fault(f"{key.name} has no telemetry; remove it")
    if key.setting == "brush_resistance" and not has_brush(machine.monitor):
        place.fault(f"{key.name} has no brush; remove it")
    if key.setting == "exciter_current" and not machine.exciter_field_current_a:
        place.fault(f"{key.name} has no 'exciter_field_current' in the plant file; add it there")
    if key.setting == "moisture" and place.is_mapping:
        place.fault("cannot be a ramp; write a value such as '80 %', from which it goes by itself")


def _number(
    key: Key, place: Place, at_s: float, story: Story, kind: quantity.Kind, low: float
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


def _fault(key: Key, place: Place, at_s: float, story: Story) -> None:
    keys = place.keys(needed=("location", "resistance"), allowed=("only",))
    if "location" not in keys or "resistance" not in keys:
        return
    location = keys["location"].number(0.0, 1.0)
    fault = Key("fault", key.name, repr(location))
    _number(fault, keys["resistance"], at_s, story, quantity.RESISTANCE, _LEAST_OHM)
    if "only" in keys:
        story.whens[fault].append((at_s, _when(keys["only"])))


def _when(place: Place) -> When:
    names = [f"{name}_{side}" for name in _BOUNDS for side in ("above", "below")]
    keys = place.keys(needed=(), allowed=(*names, "duty", "period"))
    bounds: dict[str, list[tuple[str, float]]] = {"above": [], "below": []}
    for text, found in keys.items():
        name, _, side = text.rpartition("_")
        if side in bounds:
            bounds[side].append((name, found.quantity(_BOUNDS[name])))
    if ("duty" in keys) != ("period" in keys):
        place.fault("'duty' and 'period' belong together; write both")
    duty = keys["duty"].quantity(quantity.SHARE, above=0.0) if "duty" in keys else 1.0
    if duty > 1.0:
        place.fault("'duty' is more than 100 %; write the share of the period")
    period_s = keys["period"].quantity(quantity.TIME, above=0.0) if "period" in keys else 0.0
    return When(tuple(bounds["above"]), tuple(bounds["below"]), duty, period_s)


def _brush(key: Key, place: Place, at_s: float, story: Story) -> None:
    monitor = story.plant.machines[key.name].monitor
    retractable = monitor.access == "retractable brush"
    condition = Key("machine", key.name, "brush_condition")
    contact_s = every_s = 0.0
    if place.is_mapping:
        contact_s, every_s = _times(place, "contact")
    elif has_brush(monitor):
        words = (*_BRUSH_CONDITIONS, *(("drive stuck", _ALWAYS) if retractable else ()))
        word = place.choice(words)
        if word != _ALWAYS:
            story.words[condition].append((at_s, word))
            return
    if not retractable:
        place.fault(f"{key.name} has no retractable brush; remove it")
    story.steps[Key("machine", key.name, "brush_contact")].append(Step(at_s, contact_s))
    story.steps[Key("machine", key.name, "brush_every")].append(Step(at_s, every_s))


def _self_test(key: Key, place: Place, at_s: float, story: Story) -> None:
    lasts_s = every_s = 0.0
    if place.is_mapping:
        lasts_s, every_s = _times(place, "lasts")
    else:
        place.choice(("none",))
    story.steps[Key("machine", key.name, "self_test_lasts")].append(Step(at_s, lasts_s))
    story.steps[Key("machine", key.name, "self_test_every")].append(Step(at_s, every_s))


def _times(place: Place, part: str) -> tuple[float, float]:
    keys = place.keys(needed=(part, "every"))
    if len(keys) != 2:
        return 0.0, 0.0
    part_s = keys[part].quantity(quantity.TIME, above=0.0)
    every_s = keys["every"].quantity(quantity.TIME, above=0.0)
    if part_s > every_s:
        place.fault(f"{part!r} is longer than 'every'; it must be shorter")
    return part_s, every_s


def _state(key: Key, place: Place, at_s: float, story: Story) -> None:
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
        ("healthy", "wire break", "stuck open", "stuck closed")
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
        states += ["frozen", "values stuck", "self-test failed"]
        states += ["noise-free", "impossible value", "jumping"]
        if installed.machines[device.machine].monitor.access == "telemetry":
            states.append("telemetry lost")
    return states
