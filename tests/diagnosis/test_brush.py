"""A retractable brush: missed and failed measurements, open and poor contact, wear."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from gateway.diagnosis.brush import Brush, BrushMemory
from gateway.tags import (
    BAD_COMMUNICATION_ERROR,
    GOOD,
    UNCERTAIN_LAST_USABLE_VALUE,
    Limit,
    Subject,
)
from tests.diagnosis.access_site import MACHINES, NOON_NS, SECOND, sample, seen, site

HOUR = 3600.0
HEALTHY = (21.0, -17.0)  # uA of both half-cycles
OPEN = (0.01, -0.01)
PLAIN = {"every": "8 h", "contact": "2 min"}


class Ring:
    """A brush over the ring, step by step; between touches its values are held."""

    def __init__(self, *, keys=None, noise_uA=0.02):
        made = site(B1={"brush": keys}) if keys else site()
        self.brush = Brush(made, "B1")
        self.memory = BrushMemory()
        self.at_s = 0.0
        self.noise_uA = noise_uA
        self.random = random.Random(7)
        self.report, self.found = None, []
        self.measured_s = None

    def step(self, step_s=1.0, *, pressed=False, currents=None, bad=False, ohm=None):
        self.at_s += step_s
        samples = {} if pressed is None else {"B1.PRESSED": pressed}
        if currents is not None:
            self.measured_s = self.at_s
        at_ns = NOON_NS + round((self.measured_s or 0.0) * SECOND)
        for tag, value in zip(("B1.IP", "B1.IN"), currents or HEALTHY, strict=True):
            status = GOOD if currents is not None else UNCERTAIN_LAST_USABLE_VALUE
            status = BAD_COMMUNICATION_ERROR if bad else status
            shown = value + self.random.gauss(0, self.noise_uA)
            samples[tag] = sample(tag, shown, status=status, time_ns=at_ns)
        if ohm is not None:
            samples["B1.RC"] = ohm
        told = seen(samples, at_s=self.at_s, step_s=step_s)
        self.memory, self.report, self.found = self.brush.step(self.memory, told)
        return self

    def touch(self, currents=HEALTHY, *, seconds=120, **more):
        """One touch, with whatever was told at its end, then the brush is lifted."""
        for _ in range(seconds):
            self.step(pressed=True, currents=currents, **more)
        told = self.causes
        self.step(pressed=False)
        return told

    def rest(self, hours=7.9):
        for _ in range(round(hours * 10)):
            self.step(360.0)
        return self

    @property
    def causes(self):
        return [f.cause for f in self.found]


def test_a_brush_that_measures_when_due_is_silent():
    """Touches on time are no trouble, and in between the last measurement has its time."""
    ring = Ring()
    for _ in range(4):
        assert [] == ring.touch()
        assert True is not ring.report.measuring
        ring.rest()
        assert [] == ring.found
        assert NOON_NS + round(ring.measured_s * SECOND) == ring.report.measured_ns
    assert False is ring.report.measuring


def test_a_lifted_brush_costs_nothing():
    """While nothing happens the memory is the same object."""
    ring = Ring()
    ring.touch()
    memory = ring.memory
    assert memory is ring.rest().memory


def test_a_day_without_a_measurement_is_not_a_healthy_day():
    """Half an interval after a measurement was due it is missed; held values clear nothing."""
    ring = Ring()
    ring.touch()
    for _ in range(119):
        assert [] == ring.step(360.0).found
    ring.step(360.0)
    (found,) = ring.step(360.0).found
    assert ("B1", Subject.MACHINE, "measurement missed") == (
        found.subject,
        found.kind,
        found.cause,
    )
    assert "no measurement for 12 h; one is due every 8 h" == found.detail
    assert ["measurement missed"] == ring.rest(20).causes
    assert ["measurement missed"] == ring.step(bad=True).causes
    assert [] == ring.step(pressed=True, currents=HEALTHY).causes


def test_no_measurement_ever_is_missed_too():
    """The wait begins with the first step, and the site file may say how long it may be."""
    ring = Ring(keys={**PLAIN, "missed_after": "10 h"})
    assert [] == ring.rest(9.9).found
    assert ["measurement missed"] == ring.rest(0.3).causes
    assert "no measurement for 10 h" in ring.found[0].detail


def test_a_press_without_a_measurement_is_a_failed_contact():
    """Pressed on for a whole touch with nothing measured: told until it measures again."""
    ring = Ring()
    assert [] == ring.touch(None, seconds=40)
    assert [] == ring.causes  # a short press is none of the touches that are due
    ring.touch(None, seconds=70)
    assert ["failed contact"] == ring.causes
    assert "pressed on for 69 s, nothing was measured" == ring.found[0].detail
    assert ["failed contact"] == ring.rest(1).causes
    assert ["failed contact"] == ring.touch(None, seconds=125)
    assert [] == ring.touch()


def test_a_press_that_is_not_heard_is_no_failed_contact():
    """While the monitor does not answer, it is not known whether it measures."""
    ring = Ring()
    assert [] == ring.touch(None, bad=True)
    assert [] == ring.causes
    assert None is ring.step(bad=True).report.measuring


@pytest.mark.parametrize("keys", [None, PLAIN])
def test_an_open_brush_is_not_a_perfect_winding(keys):
    """Currents that vanish in one touch are those of a brush that touches nothing.

    Check: an open brush draws no current, so it reads as a perfect winding (Kirchhoff).
    """
    ring = Ring(keys=keys)
    for _ in range(3):
        ring.touch()
        ring.rest()
    assert ["failed contact"] == ring.touch(OPEN)
    assert "B1.IP went from 21 in the last touches to 0.0" in ring.found[0].detail
    for _ in range(6):
        assert ["failed contact"] == ring.touch(OPEN)  # and never becomes what is usual
    assert ["failed contact"] == ring.causes
    assert [] == ring.touch()


def test_an_open_brush_is_no_measurement():
    """Readings of an open brush are not counted as measurements that came when due."""
    ring = Ring()
    for _ in range(3):
        ring.touch()
        ring.rest()
    for _ in range(2):
        ring.touch(OPEN)
        assert False is ring.report.measuring
        ring.rest()
    assert ["measurement missed", "failed contact"] == ring.causes


def test_a_reading_without_noise_is_a_failed_contact():
    """Readings that stand still where live ones did not are no measurement."""
    ring = Ring()
    for _ in range(3):
        ring.touch()
    ring.noise_uA = 0.0
    assert ["failed contact"] == ring.touch()
    assert "equal readings" in ring.found[0].detail


def test_a_fault_that_comes_during_a_touch_is_no_noise():
    """A monitor whose readings show no noise moves with a fault; steady ones after it are well."""
    ring = Ring(noise_uA=0.0)
    for currents in (HEALTHY, (4000.0, 2000.0)):
        for _ in range(60):
            ring.step(pressed=True, currents=currents)
    ring.step(pressed=False).rest()
    assert [] == ring.touch()


def test_a_winding_that_dries_is_believed():
    """A resistance ten times better from touch to touch still draws a current."""
    ring = Ring()
    for factor in (1, 1, 0.3, 0.1, 0.05):
        assert [] == ring.touch(tuple(i * factor for i in HEALTHY))


def test_a_repaired_fault_is_believed():
    """After touches with a fault the small currents of a sound winding are still currents."""
    ring = Ring()
    for _ in range(3):
        ring.touch((2000.0, -1500.0))
    assert [] == ring.touch()


def test_a_contact_resistance_beyond_all_bounds_is_no_contact():
    """Ten times the highest contact resistance is no poor contact, but none, from the first touch.

    The readings of such a touch are no measurement, and are not compared with later ones.
    """
    ring = Ring()
    assert ["failed contact"] == ring.touch(OPEN, ohm=6553.5)
    assert "contact resistance 6554 ohm: it touches nothing" == ring.found[0].detail
    assert () == ring.memory.touches
    assert [] == ring.touch(ohm=5.0)


def test_a_brush_on_collector_rings_that_opens_is_told():
    """A brush that stays on is judged in pieces of time, and nothing of it is ever due."""
    brush, memory, found = Brush(site(), "C1"), BrushMemory(), []
    noise = random.Random(3)
    for second in range(90):
        current = (8.0 if second < 40 else 0.0) + noise.gauss(0.0, 0.002)
        memory, report, found = brush.step(memory, seen({"C1.I": current}, at_s=float(second)))
        if second < 40:
            assert ([], True) == (found, report.measuring)
    assert (["failed contact"], False) == ([f.cause for f in found], report.measuring)
    memory, _, found = brush.step(memory, seen({}, at_s=1e9))
    assert ["failed contact"] == [f.cause for f in found]


def test_a_fault_is_believed_at_once():
    """More current than in the last touches is a fault, and never a failed contact."""
    ring = Ring()
    for _ in range(3):
        ring.touch()
    assert [] == ring.touch((2000.0, -1500.0))
    assert False is ring.step().report.measuring


def test_vanished_currents_with_a_good_contact_are_believed():
    """Where the contact resistance is measured and low, the brush does touch."""
    ring = Ring()
    for _ in range(3):
        ring.touch(ohm=5.0)
    assert [] == ring.touch(OPEN, ohm=5.0)


def test_poor_contact_has_a_deadband_and_becomes_wear():
    """More than 50 ohm is poor contact until below 45; three poor touches in a row are wear."""
    ring = Ring()
    assert ["poor contact"] == ring.touch(ohm=80.0)
    assert ["poor contact"] == ring.causes
    assert ["poor contact"] == ring.touch(ohm=46.0)
    ring.touch(ohm=46.0)
    assert ["poor contact", "brush worn"] == ring.causes
    assert "poor contact in 3 touches in a row" == ring.found[1].detail
    ring.touch(ohm=44.0)
    assert [] == ring.causes


def test_the_resistance_of_a_lifted_brush_says_nothing():
    """A lifted brush has no contact to judge."""
    ring = Ring()
    ring.touch(ohm=10.0)
    assert [] == ring.step(ohm=1000.0).causes
    ring.touch(ohm=80.0)
    assert "contact resistance more than 50 ohm" == ring.step(ohm=1000.0).found[0].detail


def test_wear_counts_contact_time_over_restarts():
    """The time that the brush touches is added up, and saved and loaded with the rest."""
    ring = Ring(keys={**MACHINES["B1"]["brush"], "life": "5 min"})
    adapter = TypeAdapter(BrushMemory)
    for _ in range(2):
        ring.touch()
        ring.rest()
        ring.memory = adapter.validate_json(adapter.dump_json(ring.memory))
    assert [] == ring.causes
    assert 2 * 119 * SECOND == ring.memory.contact_ns
    assert ["brush worn"] == ring.touch()
    assert "its life is 0.08333 h" in ring.found[0].detail


def test_without_a_pressed_contact_a_measurement_is_a_touch():
    """Where nothing says that the brush is pressed on, it touches while values come."""
    ring = Ring(keys=PLAIN)
    for _ in range(120):
        ring.step(pressed=None, currents=HEALTHY)
    ring.step(pressed=None)
    assert 119 * SECOND == ring.memory.contact_ns
    assert 1 == len(ring.memory.touches)
    assert None is ring.memory.touching_since_ns


def test_a_brush_that_stays_on_keeps_a_bounded_memory():
    """A brush that never lifts is judged in pieces of a touch."""
    ring = Ring()
    for _ in range(120 * 8):
        ring.step(pressed=True, currents=HEALTHY)
    assert 5 == len(ring.memory.touches)
    for _ in range(120):
        ring.step(pressed=True, currents=OPEN)
    assert ["failed contact"] == ring.causes


events = st.tuples(
    st.floats(0.5, 4000),
    st.sampled_from([True, False, None]),
    st.sampled_from([None, HEALTHY, OPEN, (2000.0, -1500.0)]),
    st.booleans(),
    st.sampled_from([None, 5.0, 80.0]),
)


@settings(max_examples=60)
@given(st.lists(events, max_size=60))
def test_whatever_happens_the_memory_is_bounded_and_saved_whole(run):
    """No run of touches, troubles and rests lets the memory grow or lose anything in saving."""
    ring, adapter = Ring(), TypeAdapter(BrushMemory)
    for step_s, pressed, currents, bad, ohm in run:
        worn_ns = ring.memory.contact_ns
        ring.step(step_s, pressed=pressed, currents=currents, bad=bad, ohm=ohm)
        saved = adapter.dump_json(ring.memory)
        assert ring.memory == adapter.validate_json(saved)
        assert len(saved) < 2500
        assert worn_ns <= ring.memory.contact_ns <= ring.at_s * SECOND
        if currents is None or bad:
            assert True is not ring.report.measuring


def test_a_limit_of_a_resistance_is_an_open_brush_only_where_it_is_far():
    """'At least 10 Mohm' after 400 kohm is an open brush; after 9 Mohm it may be the winding."""
    keys = {"brush": PLAIN, "pulse_injection": None, "access": "retractable brush"}
    made = site(T1={**keys, "telemetry": None})
    clipped = GOOD.with_limit(Limit.HIGH)
    for before, told in ((400.0, ["failed contact"]), (9000.0, [])):
        brush, memory, at_s = Brush(made, "T1"), BrushMemory(), 0.0
        found = []
        for touch in range(4):
            for _ in range(30):
                at_s += 1.0
                value, status = (before, GOOD) if touch < 3 else (10_000.0, clipped)
                reading = sample("T1.R", value, status=status, time_ns=NOON_NS + int(at_s) * SECOND)
                memory, _, found = brush.step(memory, seen({"T1.R": reading}, at_s=at_s))
            held = sample("T1.R", value, status=UNCERTAIN_LAST_USABLE_VALUE)
            at_s += 3600.0
            memory, _, found = brush.step(memory, seen({"T1.R": held}, at_s=at_s))
        assert told == [f.cause for f in found]
