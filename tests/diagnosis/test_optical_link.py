"""An optical link that goes dark: what it may mean, and what is excluded by what else is seen."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from gateway.diagnosis.optical_link import (
    CIRCUIT,
    CONTACT,
    DIRT,
    FAULT,
    UNFED,
    LightMemory,
    LightPath,
)
from gateway.diagnosis.seen import Standing
from gateway.tags import (
    BAD_SENSOR_FAILURE,
    UNCERTAIN_LAST_USABLE_VALUE,
    Subject,
)
from tests.diagnosis.access_site import MACHINES, NOON_NS, SECOND, sample, seen, site

SUPPORTED, POSSIBLE, EXCLUDED = Standing.SUPPORTED, Standing.POSSIBLE, Standing.EXCLUDED
HEALTHY_UA, FAULT_UA = 30.0, 3000.0
DAY = 86_400.0


class Lamp:
    """A link step by step: lamp, receiver, contact, injected current and excitation."""

    def __init__(self, **changes):
        link = {**MACHINES["O1"]["optical_link"], **changes}
        self.path = LightPath(site(O1={"optical_link": link}), "O1")
        self.memory = LightMemory()
        self.at_s = 0.0
        self.report, self.found = None, []

    def step(
        self,
        light=83.0,
        *,
        dark=False,
        current=HEALTHY_UA,
        excited=True,
        step_s=1.0,
        steps=1,
        loop="same",
    ):
        """Light in %, current in uA; None: not known."""
        for _ in range(steps):
            self.at_s += step_s
            values = {
                "O1.LIGHT": light,
                "O1.LOOP": light if loop == "same" else loop,
                "O1.DARK": dark,
                "O1.I": current,
            }
            told = {tag: value for tag, value in values.items() if value is not None}
            self.memory, self.report, self.found = self.path.step(
                self.memory, seen(told, at_s=self.at_s, step_s=step_s), excited
            )
        return self

    def fade(self, start, end, seconds, **more):
        """A light that goes evenly from one level to another."""
        steps = 200
        for i in range(1, steps + 1):
            light = start + (end - start) * i / steps
            self.step(light, dark=light < 20.0, step_s=seconds / steps, **more)
        return self

    @property
    def causes(self):
        return [f.cause for f in self.found]

    @property
    def standings(self):
        return {e.what: e.standing for e in self.report.explanations}

    def because(self, what):
        return next(e.because[0] for e in self.report.explanations if e.what == what)


def test_a_link_that_shines_explains_nothing():
    """With light there is nothing to explain, and the link measures."""
    lamp = Lamp().step(steps=30)
    assert (True, (), []) == (lamp.report.measuring, lamp.report.explanations, lamp.found)
    assert NOON_NS + 30 * SECOND == lamp.report.measured_ns
    memory = lamp.memory
    assert memory is lamp.step(step_s=0.1).memory


def test_a_fault_puts_the_light_out_at_once_and_draws_current():
    """Dark at once with a current above the pick-up: an earth fault is supported."""
    lamp = Lamp().step(steps=60).step(0.0, dark=True, current=FAULT_UA, steps=30)
    assert {
        FAULT: SUPPORTED,
        DIRT: EXCLUDED,
        CIRCUIT: POSSIBLE,
        UNFED: EXCLUDED,
        CONTACT: EXCLUDED,
    } == lamp.standings
    assert "the injected current, 3 mA, is above the pick-up of 1 mA" == lamp.because(FAULT)
    assert "the light went from 83 % to dark within 2 s; dirt settles slowly" == lamp.because(DIRT)
    assert [] == lamp.causes
    assert (False, NOON_NS + 61 * SECOND) == (lamp.report.measuring, lamp.report.measured_ns)


@pytest.mark.parametrize("excited", [True, False, None])
@pytest.mark.parametrize("way", ["step", "slow", "unseen"])
def test_darkness_alone_supports_no_fault(way, excited):
    """Whatever the light did, an earth fault is supported by a current above the pick-up only."""
    lamp = Lamp()
    if way == "slow":
        lamp.fade(83.0, 21.0, 5 * DAY)
    elif way == "step":
        lamp.step(steps=60)
    lamp.step(0.0, dark=True, current=None, excited=excited, steps=30)
    assert POSSIBLE is lamp.standings[FAULT]
    lamp.step(0.0, dark=True, current=HEALTHY_UA, excited=excited, steps=30)
    assert EXCLUDED is lamp.standings[FAULT]
    lamp.step(0.0, dark=True, current=950.0, excited=excited, steps=30)
    assert POSSIBLE is lamp.standings[FAULT]


@pytest.mark.parametrize(("seconds", "shown"), [(30 * DAY, "days"), (600.0, "min")])
def test_a_slow_decline_is_dirt(seconds, shown):
    """A light that faded over minutes to a month, without a fault current, is contaminated."""
    lamp = Lamp().step(steps=60).fade(83.0, 10.0, seconds).step(10.0, dark=True, steps=30)
    assert (SUPPORTED, EXCLUDED) == (lamp.standings[DIRT], lamp.standings[FAULT])
    assert shown in lamp.because(DIRT)
    assert ["light contaminated"] == lamp.causes
    assert lamp.found[0].detail == lamp.because(DIRT)


def test_a_dirty_light_that_goes_at_once_went_at_once():
    """A light that has faded for a month, and then goes from half to nothing, is no slow one."""
    lamp = Lamp().fade(83.0, 45.0, 30 * DAY).step(45.0, steps=30).step(0.0, dark=True, steps=30)
    assert ["light circuit failed"] == lamp.causes
    assert "the light went from 45 % to dark within 2 s; dirt settles slowly" == lamp.because(DIRT)


@pytest.mark.parametrize("seconds", [20.0, 35.0])
def test_a_light_that_fades_within_seconds_is_not_explained(seconds):
    """Too fast for dirt and too slow for a lamp that went out at once: both remain possible."""
    lamp = Lamp().step(steps=60).fade(83.0, 5.0, seconds).step(5.0, dark=True, steps=30)
    assert (POSSIBLE, POSSIBLE) == (lamp.standings[DIRT], lamp.standings[CIRCUIT])
    assert ["dark unexplained"] == lamp.causes


def test_a_fault_behind_a_dirty_lamp_is_not_hidden_by_the_dirt():
    """With a current above the pick-up the link is not said to be in doubt for its dirt."""
    lamp = Lamp().fade(83.0, 25.0, 30 * DAY).step(0.0, dark=True, current=FAULT_UA, steps=30)
    assert SUPPORTED is lamp.standings[FAULT]
    assert [] == lamp.causes


def test_a_light_that_goes_at_once_without_a_fault_is_its_circuit():
    """Dark at once, excited, no fault current: lamp, receiver or their supply."""
    lamp = Lamp().step(steps=60).step(0.0, dark=True, steps=30)
    assert SUPPORTED is lamp.standings[CIRCUIT]
    assert ["light circuit failed"] == lamp.causes


@pytest.mark.parametrize("unknown", ["excited", "current"])
def test_a_circuit_has_failed_only_where_all_else_is_excluded(unknown):
    """Without excitation or a current that is known, a failed circuit is one of several."""
    lamp = Lamp().step(steps=60).step(0.0, dark=True, steps=30, **{unknown: None})
    assert POSSIBLE is lamp.standings[CIRCUIT]
    assert ["dark unexplained"] == lamp.causes


def test_dark_with_nothing_to_decide_is_unexplained_and_says_what_remains():
    """Without a current and excitation that are known, all that remains possible is named."""
    lamp = Lamp().step(steps=60)
    lamp.step(0.0, dark=True, current=None, excited=None, steps=10)
    assert [] == lamp.causes  # a passing darkness is no finding
    lamp.step(0.0, dark=True, current=None, excited=None, steps=6)
    assert [("dark unexplained", f"possible: {FAULT}, {CIRCUIT}, {UNFED}")] == [
        (f.cause, f.detail) for f in lamp.found
    ]


def test_without_excitation_nothing_feeds_the_lamp():
    """Dark at standstill is explained by it, and tells nothing of why it stays dark later."""
    lamp = Lamp().step(steps=60).step(0.0, dark=True, excited=False, steps=30)
    assert (SUPPORTED, EXCLUDED) == (lamp.standings[UNFED], lamp.standings[FAULT])
    assert ["dark by no excitation"] == lamp.causes
    lamp.step(0.0, dark=True, steps=2)
    assert {DIRT: POSSIBLE, CIRCUIT: POSSIBLE, UNFED: EXCLUDED} == {
        what: lamp.standings[what] for what in (DIRT, CIRCUIT, UNFED)
    }
    assert ["dark unexplained"] == lamp.causes
    assert [] == lamp.step(83.0, steps=2).causes


def test_a_lamp_that_fades_for_want_of_excitation_is_not_dirty():
    """What the light did without excitation is no part of its history."""
    lamp = Lamp().step(steps=60).fade(83.0, 21.0, DAY, excited=False)
    lamp.step(0.0, dark=True, steps=30)
    assert POSSIBLE is lamp.standings[DIRT]
    assert "how the light went dark was not seen" == lamp.because(DIRT)


def test_a_decision_stands_while_what_decided_it_is_not_known():
    """A current that is not known any more makes a failed circuit neither more nor less."""
    lamp = Lamp().step(steps=60).step(0.0, dark=True, steps=30)
    lamp.step(0.0, dark=True, current=None, steps=5)
    assert ["light circuit failed"] == lamp.causes
    lamp.step(None, dark=None, current=None, excited=None, steps=5)
    assert ["light circuit failed"] == lamp.causes
    assert None is lamp.report.measuring
    assert [] == lamp.step(0.0, dark=True, current=FAULT_UA).causes


def test_a_contact_that_says_dark_with_light_has_failed():
    """A broken wire opens a contact; the light that still arrives contradicts it."""
    lamp = Lamp().step(steps=60).step(83.0, dark=True, steps=10)
    assert [] == lamp.causes
    lamp.step(83.0, dark=True, steps=6)
    assert {FAULT: EXCLUDED, DIRT: EXCLUDED, CIRCUIT: EXCLUDED, CONTACT: SUPPORTED} == {
        what: lamp.standings[what] for what in (FAULT, DIRT, CIRCUIT, CONTACT)
    }
    assert [("O1.DARK", Subject.CONTACT, "dark contact failed")] == [
        (f.subject, f.kind, f.cause) for f in lamp.found
    ]
    assert "it says dark, and the light is 83 %" == lamp.found[0].detail
    assert True is lamp.report.measuring


def test_a_contact_that_does_not_say_dark_has_failed():
    """Two paths without light and a contact that keeps silent: the contact has failed."""
    lamp = Lamp().step(steps=60).step(0.0, dark=False, steps=20)
    assert ["light circuit failed", "dark contact failed"] == lamp.causes
    one = Lamp(light=("O1.LIGHT",)).step(steps=60).step(0.0, dark=False, steps=20)
    assert ["light circuit failed"] == one.causes  # one path without light may be its own


def test_a_weak_light_is_told_before_it_is_dark():
    """Below 40 % for a quarter of a minute: weak, until it is above 44 %."""
    lamp = Lamp().step(39.0, steps=15)
    assert [] == lamp.causes
    assert ["light weak"] == lamp.step(39.0).causes
    assert "the light is 39 %, weak below 40 %" == lamp.found[0].detail
    assert ["light weak"] == lamp.step(43.0).causes
    assert ["light weak"] == lamp.step(None).causes
    assert [] == lamp.step(45.0).causes
    assert [] == Lamp().step(39.0, excited=False, steps=30).causes


def test_paths_of_one_light_that_differ_are_told():
    """Digital level and loop of one light agree within their uncertainty, or are said not to."""
    lamp = Lamp().step(83.0, loop=70.0, steps=20)
    assert [("light paths differ", "O1.LIGHT 83 %, O1.LOOP 70 %")] == [
        (f.cause, f.detail) for f in lamp.found
    ]
    lamp.step(83.0, loop=None, steps=20)
    assert ["light paths differ"] == lamp.causes
    assert [] == lamp.step(83.0, loop=76.0).causes
    lamp = Lamp()
    for _ in range(30):
        uncertain = sample("O1.LOOP", 70.0, u=5.0)
        lamp.step(83.0, loop=uncertain)
    assert [] == lamp.causes


def test_one_dark_path_of_two_is_no_dark_link():
    """Light that arrives by one path is not dark, whatever the other path says."""
    lamp = Lamp().step(steps=60).step(83.0, loop=0.0, steps=20)
    assert (True, ["light paths differ"]) == (lamp.report.measuring, lamp.causes)


@pytest.mark.parametrize("status", [UNCERTAIN_LAST_USABLE_VALUE, BAD_SENSOR_FAILURE])
def test_old_and_bad_values_tell_nothing(status):
    """A held light, contact or current is not known."""
    lamp = Lamp().step(steps=60)
    light, loop = sample("O1.LIGHT", 0.0, status=status), sample("O1.LOOP", 0.0, status=status)
    contact = sample("O1.DARK", True, status=status)
    lamp.step(light, loop=loop, dark=contact, steps=80)
    assert (None, []) == (lamp.report.measuring, lamp.found)
    current = sample("O1.I", FAULT_UA, status=status)
    lamp.step(0.0, dark=True, current=current)
    assert POSSIBLE is lamp.standings[FAULT]
    assert POSSIBLE is lamp.standings[DIRT]
    assert "how the light went dark was not seen" == lamp.because(DIRT)


def test_the_history_of_the_light_stays_short_and_knows_the_month():
    """A month of light, second by second at its end, is a few dozen pieces."""
    lamp = Lamp()
    for day in range(45):
        for hour in range(24):
            lamp.step(83.0 - day * 1.3 - hour * 0.05, step_s=3600.0)
    lamp.step(83.0 - 45 * 1.3, steps=3000)
    spans = lamp.memory.spans
    assert len(spans) <= 96
    assert 0.8 <= max(s.high for s in spans)
    assert sorted(s.since_ns for s in spans) == [s.since_ns for s in spans]


@settings(max_examples=60)
@given(
    st.lists(
        st.tuples(
            st.none() | st.floats(0, 100),
            st.none() | st.booleans(),
            st.none() | st.floats(0, 5000),
            st.none() | st.booleans(),
            st.floats(0.1, 1e6),
        ),
        max_size=80,
    )
)
def test_whatever_the_light_does_the_memory_is_bounded_and_saved_whole(run):
    """No run of lights lets the memory grow, loses anything in saving, or breaks a promise."""
    lamp, adapter = Lamp(), TypeAdapter(LightMemory)
    for light, dark, current, excited, step_s in run:
        lamp.step(light, dark=dark, current=current, excited=excited, step_s=step_s)
        saved = adapter.dump_json(lamp.memory)
        assert lamp.memory == adapter.validate_json(saved)
        assert len(lamp.memory.spans) <= 96
        standings = lamp.standings
        if current is None or current <= 1000.0:
            assert SUPPORTED is not standings.get(FAULT)
        if excited:
            assert SUPPORTED is not standings.get(UNFED)
        if standings:
            assert [] != [s for s in standings.values() if s is not EXCLUDED]
        if dark and light is None:
            assert False is lamp.report.measuring


def test_a_device_of_which_a_value_is_not_seen_excludes_no_fault():
    """Where the field voltage stands still, the current beside it may stand still as well."""
    lamp = Lamp().step(steps=60).step(0.0, dark=True, steps=30)
    assert (EXCLUDED, ["light circuit failed"]) == (lamp.standings[FAULT], lamp.causes)

    def blinded(tag):
        values = {"O1.LIGHT": 0.0, "O1.LOOP": 0.0, "O1.DARK": True, "O1.I": HEALTHY_UA}
        told = seen(values, at_s=lamp.at_s + 1.0, blind=(tag,))
        report = lamp.path.step(lamp.memory, told, True)[1]
        return {e.what: e.standing for e in report.explanations}

    assert (POSSIBLE, POSSIBLE) == (blinded("O1.UF")[FAULT], blinded("O1.UF")[CIRCUIT])
    # A contact has a wire of its own: it says nothing of the device.
    assert EXCLUDED is blinded("O1.DARK")[FAULT]


def test_a_current_just_above_the_pick_up_is_told_with_its_figures():
    """1.03 mA above a pick-up of 1 mA does not read as 1 mA above 1 mA."""
    lamp = Lamp().step(steps=60).step(0.0, dark=True, current=1034.0, steps=2)
    assert "the injected current, 1.034 mA, is above the pick-up of 1 mA" == lamp.because(FAULT)
