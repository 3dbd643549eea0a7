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
              speed: 100 %                load: 80 %              humidity: 45 % (of the air)
              fault: {location: 0.2, resistance: 15 kohm}, `resistance: none` takes it away;
                  location 0 is the negative ring, 1 the positive; a machine may have several.
                  With `only: {speed_above: 60 %, duty: 30 %, period: 20 s}` it is there under
                  conditions: speed, load and temperature `_above` or `_below` a bound, and of
                  each period for that share, at a time of its own
              insulation_halves_every: 10 K (of the winding above its usual temperature)
              moisture: 80 % (wetness of the winding; from then on it dries with warmth and running
                  and takes up water from humid air at standstill, as `simulator.moisture` says)
              lamp: 40 % (the light that arrives, 95 % through a clean path) and light_circuit:
                  healthy or failed (dark without a fault); only for DC injection with an
                  optical link
              link_quality: 95 % (telemetry only; below 30 % cycles get lost)
              brush: always in contact, or {contact: 20 s, every: 60 s} (retractable brush only);
                  and, beside that, healthy, pressed without contact (it reads like a perfect
                  winding), drive stuck (never pressed; retractable brush only)
              brush_resistance: 5 ohm (of the brush's contact; more than a new one's 5 ohm adds to
                  the measuring circuit; retractable brush and collector rings)
              self_test: {every: 1 h, lasts: 10 s} or none: a status bit tells that it runs, values
                  stop meanwhile; its failure (see below) shows from its end on
              exciter_current: 100 % (of the exciter's field current that the field voltage takes)
    device    state: healthy, silent (takes requests, answers none), refused (no TCP connection;
                  only for a unit alone on its port); both leave loops and contacts at work.
                  Of a monitor also: frozen (values, heartbeat, loop and contact stop),
                  values stuck (the same, but status and heartbeat go on as if all were well),
                  self-test failed (a status bit), telemetry lost (telemetry only; values stop,
                  a status bit says so, the heartbeat goes on). And wrong in its registers only:
                  noise-free (values without their noise), impossible value, jumping (every other
                  cycle up to ten times too high or too low)
    loop      state: healthy, wire break, short, failure high, failure low, stuck (at the current it
                  has), or a current such as 20.3 mA that the transmitter is stuck at
              offset: 0.4 mA (added to what is measured)
    contact   state: healthy, wire break, stuck open, stuck closed
    line      bit_flips: 0.2 % (of all bytes on the wire have one bit turned over)

A number or fault resistance may be a ramp, `{to: 8 kohm, over: 60 s}`, from its value at that time
or from a stated one, `{from: 5 Mohm, to: 8 kohm, over: 60 s}`. Resistances go by equal ratios in
equal times, all else evenly. Times are in ms, s, min, h or d. What is not mentioned stays as the
plant file says.

It refuses a file with any fault and then tells all of them, each with file, line and column.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from simulator import marked_yaml, plant_file, quantity
from simulator.marked_yaml import Place, ScenarioError
from simulator.plant import Plant
from simulator.story import Story
from simulator.timeline import Timeline

__all__ = ["Scenario", "ScenarioError", "load"]


@dataclass(frozen=True, slots=True)
class Scenario:
    """A checked scenario with its plant."""

    name: str
    plant: Plant
    seed: int
    duration_s: float | None
    timeline: Timeline


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
    story = Story(installed) if installed is not None else None
    for section in ("start", "timeline"):
        if section in keys and story is not None:
            for element in keys[section].elements():
                story.element(element, timed=section == "timeline")
    limits = {
        key: keys[key].quantity(quantity.TIME, above=0.0)
        for key in ("duration", "repeat")
        if key in keys
    }
    repeat_s = limits.get("repeat")
    return Scenario(
        name=keys["scenario"].text() if "scenario" in keys else "",
        plant=installed or Plant("", {}, {}, {}, {}, {}),
        seed=keys["seed"].whole(0, 2**32 - 1) if "seed" in keys else 0,
        duration_s=limits.get("duration"),
        timeline=story.timeline(repeat_s) if story else Timeline({}, {}, repeat_s),
    )


def _plant(place: Place | None) -> Plant | None:
    if place is None or not (name := place.text()):
        return None
    try:
        return plant_file.load(place.document.path.parent / name)
    except ScenarioError as error:
        place.fault(f"the plant file {name!r} has faults, see there")
        place.document.elsewhere.extend(error.texts)
        return None
