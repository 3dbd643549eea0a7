"""Settings as pure functions of scenario time."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator import plant_file
from simulator.condition import Condition
from simulator.rotor import Fault
from simulator.timeline import Key, Step, Timeline, number_track

PLANT = Path(__file__).parents[2] / "config" / "plants" / "three-machines.yaml"

INSULATION = Key("machine", "U1", "insulation")


def test_a_resistance_ramp_goes_by_equal_ratios() -> None:
    """From 4 Mohm to 10 kohm, half the time has passed at the geometric mean, 200 kohm."""
    track = number_track(4e6, [Step(10.0, 1e4, 60.0)], geometric=True)
    assert 4e6 == track.at(9.9)
    assert pytest.approx(200e3) == track.at(40.0)
    assert 1e4 == track.at(70.0)
    assert 1e4 == track.at(1e6)


def test_a_linear_ramp_goes_evenly() -> None:
    """From 100 V to 0 V, a quarter of the time leaves 75 V."""
    track = number_track(100.0, [Step(0.0, 0.0, 4.0)], geometric=False)
    assert pytest.approx(75.0) == track.at(1.0)


def test_a_step_cuts_a_ramp_and_the_next_ramp_begins_there() -> None:
    """A ramp that is overtaken ends; a later ramp without a start begins where things are."""
    track = number_track(0.0, [Step(0.0, 10.0, 10.0), Step(5.0, 0.0, 5.0)], geometric=False)
    assert pytest.approx(5.0) == track.at(5.0)
    assert pytest.approx(2.5) == track.at(7.5)


def test_a_repeating_story_begins_again() -> None:
    """With a period of 60 s, second 61 is second 1."""
    track = number_track(1.0, [Step(30.0, 2.0)], geometric=False)
    timeline = Timeline({INSULATION: track}, {}, 60.0)
    told = [timeline.number(INSULATION, time_s, 0.0) for time_s in (1, 31, 61, 91)]
    assert [1.0, 2.0, 1.0, 2.0] == told


def test_a_fault_that_is_taken_away_is_gone() -> None:
    """A fault of infinite resistance is not part of the winding."""
    fault = Key("fault", "U1", "0.2")
    track = number_track(math.inf, [Step(1.0, 3e3), Step(2.0, math.inf)], geometric=True)
    timeline = Timeline({fault: track}, {}, None)
    machine = plant_file.load(PLANT).machines["U1"]
    condition = Condition(machine, timeline, 7)
    assert () == condition.winding(0.5).faults
    assert (Fault(0.2, 3e3),) == condition.winding(1.5).faults
    assert () == condition.winding(2.5).faults
    other = Condition(replace(machine, name="U2"), timeline, 7)
    assert () == other.winding(1.5).faults


@given(
    first=st.floats(1, 1e9),
    last=st.floats(1, 1e9),
    over_s=st.floats(0.1, 1e4),
    part=st.floats(0, 1),
)
def test_a_ramp_never_leaves_its_ends(
    first: float, last: float, over_s: float, part: float
) -> None:
    """At any moment a ramp is between the value before and the value after."""
    for geometric in (True, False):
        track = number_track(first, [Step(0.0, last, over_s)], geometric=geometric)
        value = track.at(part * over_s)
        assert min(first, last) * (1 - 1e-9) <= value <= max(first, last) * (1 + 1e-9)
