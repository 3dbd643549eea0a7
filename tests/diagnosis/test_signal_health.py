"""Why a tag cannot be relied on: the most specific cause, and no other."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.tags import (
    BAD_COMMUNICATION_ERROR,
    BAD_TIMEOUT,
    StatusSignal,
    Subject,
)
from tests.diagnosis.health_site import Desk, injected, site, words


# Limits of NAMUR NE 43: failure at or below 3.6 mA and at or above 21.0 mA; measurement from 3.8
# to 20.5 mA, of which 4 to 20 mA are the range.
@pytest.mark.parametrize(
    ("microampere", "cause", "signal"),
    [
        (0, "wire break", StatusSignal.FAILURE),
        (3600, "wire break", StatusSignal.FAILURE),
        (3850, "under range", StatusSignal.OUT_OF_SPECIFICATION),
        (20300, "over range", StatusSignal.OUT_OF_SPECIFICATION),
        (21010, "loop short", StatusSignal.FAILURE),
        (23000, "loop short", StatusSignal.FAILURE),
    ],
)
def test_loop_current_outside_its_range(microampere, cause, signal):
    """A current beyond the range names the loop's trouble, with the current in mA."""
    desk = Desk()
    desk.step(3)
    desk.plant.registers["io.ch"] = (microampere,)
    record = desk.step(10).record("U1.LOOP")
    assert (Subject.LOOP, signal) == (record.kind, record.signal)
    assert [cause] == desk.causes("U1.LOOP")
    assert f"{microampere / 1000:.2f} mA" in desk.detail("U1.LOOP")
    assert [] == desk.causes("io")
    desk.plant.registers["io.ch"] = (12000,)
    assert [] == desk.step(10).causes("U1.LOOP")


def test_dead_link_is_one_cause():
    """All that a dead link blinds has its cause and names it; nothing else is said."""
    desk = Desk()
    desk.step(3)
    desk.plant.dead = {"io": BAD_COMMUNICATION_ERROR}
    desk.step(20)
    for subject in ("net", "io", "U1.LOOP", "U1.SAYS", "U1"):
        assert ["dead link"] == desk.causes(subject)
    assert "link net" in desk.detail("U1.SAYS")
    assert [] == desk.causes("U1.R")


def test_silent_device_is_one_cause():
    """The tags of a device that does not answer, computed ones too, name the device."""
    desk = Desk()
    desk.step(3)
    desk.plant.dead = {"mon": BAD_TIMEOUT}
    desk.step(20)
    for subject in ("mon", "U1.IP", "U1.R", "U1.ALPHA", "U1"):
        assert ["no answer"] == desk.causes(subject)
    assert "device mon" in desk.detail("U1.R")
    assert [] == desk.causes("row")


def test_wire_break_before_the_device_fell_silent():
    """When a device falls silent, what was wrong behind it is no longer known to be so."""
    desk = Desk()
    desk.step(3)
    desk.plant.registers["io.ch"] = (0,)
    desk.step(10)
    desk.plant.dead = {"io": BAD_TIMEOUT}
    assert ["wire break"] == desk.step(1).causes("U1.LOOP")
    assert ["no answer"] == desk.step(20).causes("U1.LOOP")


def test_frozen_value():
    """A value that stands still for too long is frozen, and neither stale nor out of noise."""
    desk = Desk(site(thermometer={"frozen_after": "30 s", "expected_noise": "0.1 degC"}))
    desk.step(30)
    assert [] == desk.causes("U1.TEMP")
    desk.step(5)
    assert ["frozen value"] == desk.causes("U1.TEMP")
    assert "61 degC for 31 s, at most 30 s" == desk.detail("U1.TEMP")
    desk.plant.registers["aux.t"] = words(61.5)
    assert "frozen value" not in desk.step().causes("U1.TEMP")


def test_noise_absent():
    """A value with less noise than a live one has is doubted after 50 values, also if it moves."""
    desk = Desk(site(thermometer={"expected_noise": "0.1 degC"}))
    for i in range(49):
        desk.plant.registers["aux.t"] = words(61.0 + 0.01 * (i % 2))
        desk.step()
    assert [] == desk.causes("U1.TEMP")
    desk.step()
    assert ["noise absent"] == desk.causes("U1.TEMP")
    assert StatusSignal.FAILURE == desk.record("U1.TEMP").signal
    for i in range(50):
        desk.plant.registers["aux.t"] = words(61.0 + 0.1 * (-1) ** i)
        desk.step()
    assert [] == desk.causes("U1.TEMP")


def test_held_value_has_no_noise_to_judge():
    """Values that are not measured now neither raise nor clear a doubt about their noise."""
    ages = {"stale_after": "1000 s", "unusable_after": "2000 s"}
    desk = Desk(site(thermometer={"expected_noise": "0.1 degC", **ages}))
    desk.step(10)
    desk.plant.dead = {"aux": BAD_TIMEOUT}
    desk.step(100)
    assert [] == desk.causes("U1.TEMP")
    desk.plant.dead = {}
    desk.step(50)
    assert ["noise absent"] == desk.causes("U1.TEMP")
    desk.plant.dead = {"aux": BAD_TIMEOUT}
    assert ["noise absent"] == desk.step(100).causes("U1.TEMP")


def test_impossible_value():
    """A value outside what is possible is a failure, and out of range is not said as well."""
    desk = Desk(site(thermometer={"possible": ("-20 degC", "180 degC")}))
    desk.plant.registers["aux.t"] = words(170.0)
    assert ["out of range"] == desk.step().causes("U1.TEMP")
    assert StatusSignal.OUT_OF_SPECIFICATION == desk.record("U1.TEMP").signal
    desk.plant.registers["aux.t"] = words(500.0)
    assert ["impossible value"] == desk.step().causes("U1.TEMP")
    assert "500 degC, possible are -20 degC to 180 degC" == desk.detail("U1.TEMP")
    # No longer seen, it is no better: the value that is shown is still the impossible one.
    desk.plant.dead = {"aux": BAD_TIMEOUT}
    assert ["impossible value"] == desk.step(5).causes("U1.TEMP")


def test_register_that_holds_no_number():
    """A register with NaN (IEEE 754: 0x7FC0 0000) is an impossible value, told with its words."""
    desk = Desk()
    desk.plant.registers["aux.t"] = (0x7FC0, 0)
    assert ["impossible value"] == desk.step().causes("U1.TEMP")
    assert "0x7FC0 0x0000" in desk.detail("U1.TEMP")


def test_too_fast_change():
    """A jump faster than the value can is told for a minute; a slow one, or a gap, is none."""
    desk = Desk(site(thermometer={"fastest_change": "2 degC"}))
    desk.step(3)
    desk.plant.registers["aux.t"] = words(63.0)
    assert [] == desk.step().causes("U1.TEMP")
    desk.plant.registers["aux.t"] = words(70.0)
    assert [] == desk.step(seconds=5).causes("U1.TEMP")
    desk.plant.registers["aux.t"] = words(74.0)
    assert ["too fast change"] == desk.step().causes("U1.TEMP")
    assert "by 4 degC within 1 s, at most 2 degC in 1 s" == desk.detail("U1.TEMP")
    assert ["too fast change"] == desk.step(60).causes("U1.TEMP")
    assert [] == desk.step().causes("U1.TEMP")
    desk.plant.dead = {"aux": BAD_TIMEOUT}
    desk.step(3)
    desk.plant.dead = {}
    desk.plant.registers["aux.t"] = words(81.0)
    assert [] == desk.step().causes("U1.TEMP")


def test_swapped_half_cycles_are_impossible():
    """A computed resistance that its inputs contradict is an impossible value of that tag alone."""
    desk = Desk()
    current = injected(50.0)
    desk.plant.registers["mon.ip"] = words(-current)
    desk.plant.registers["mon.in"] = words(current)
    desk.step(3)
    assert ["impossible value"] == desk.causes("U1.R")
    assert [] == desk.causes("U1.IP")
    assert StatusSignal.FAILURE == desk.record("U1.R").signal


def test_never_read_has_no_value():
    """What was never read has no value, and says so where nothing more is known."""
    desk = Desk()
    desk.plant.unpolled = {"io"}
    assert ["no value"] == desk.step().causes("U1.SAYS")
    assert Subject.CONTACT == desk.record("U1.SAYS").kind


def test_polling_that_stops_makes_values_stale():
    """Where nothing failed and nothing came, the value is stale, with its age, and not frozen."""
    desk = Desk(site(thermometer={"frozen_after": "5 s"}))
    desk.step(3)
    desk.plant.unpolled = {"io", "aux"}
    desk.step(11)
    assert ["stale value"] == desk.causes("U1.TEMP")
    assert ["stale value"] == desk.causes("U1.SAYS")
    assert "11 s old, at most 10 s" == desk.detail("U1.SAYS")


TROUBLES = st.one_of(
    st.tuples(st.just("dead"), st.sampled_from(["mon", "aux", "io"])),
    st.tuples(st.just("unpolled"), st.sampled_from(["mon", "aux", "io"])),
    st.tuples(st.just("status"), st.integers(0, 31)),
    st.tuples(st.just("loop"), st.sampled_from([0, 3700, 3900, 12000, 20800, 22000])),
    st.tuples(st.just("beat"), st.booleans()),
    st.tuples(st.just("well"), st.none()),
)


@settings(max_examples=60)
@given(st.lists(st.tuples(TROUBLES, st.integers(1, 25)), max_size=8))
def test_every_blind_tag_is_a_failure(course):
    """Whatever happens, a tag that is blind has a failure on its record and one cause for it."""
    desk = Desk(site(thermometer={"frozen_after": "20 s", "expected_noise": "0.1 degC"}))
    for (what, which), times in course:
        plant = desk.plant
        if what == "dead":
            plant.dead = {**plant.dead, which: BAD_TIMEOUT}
        elif what == "unpolled":
            plant.unpolled = plant.unpolled | {which}
        elif what == "status":
            plant.registers["mon.status"] = (which,)
        elif what == "loop":
            plant.registers["io.ch"] = (which,)
        elif what == "beat":
            plant.beating = which
        else:
            plant.dead, plant.unpolled = {}, set()
        for _ in range(times):
            desk.step()
            for tag in desk.seen.blind:
                record = desk.record(tag)
                assert StatusSignal.FAILURE == record.signal
                assert 1 == len(record.findings)
                assert record.findings[0].detail
            if desk.seen.blind:
                assert StatusSignal.FAILURE == desk.record("U1").signal


def test_memory_of_a_quiet_machine_does_not_change():
    """When nothing happens the memory and the records are the same objects again."""
    desk = Desk()
    desk.step(3)
    memory, records = desk.memory, desk.records
    desk.step(20)
    assert memory is desk.memory
    assert records is desk.records


def test_same_seen_gives_same_result():
    """A step changes nothing but what it returns."""
    desk = Desk(site(thermometer={"expected_noise": "0.1 degC"}))
    desk.step(12)
    before = desk.memory
    seen = replace(desk.seen, clock_ns=desk.seen.clock_ns + 10**9)
    first = desk.desk.step(before, seen, (), ())
    assert first == desk.desk.step(before, seen, (), ())
