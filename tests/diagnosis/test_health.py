"""The records of health: their order, their findings, the machine's sum of them."""

from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from gateway.diagnosis.causes import CAUSES
from gateway.diagnosis.health import HealthDesk, HealthMemory
from gateway.diagnosis.seen import Found
from gateway.tags import BAD_TIMEOUT, GatewayCondition, StatusSignal, Subject
from tests.diagnosis.health_site import NOON_NS, SECOND, Desk, site


def test_records_stand_in_a_stable_order():
    """Links, devices, tags in the order of the site, machine, gateway; well or not."""
    expected = [
        *("row", "net", "mon", "aux", "io"),
        *("U1.IP", "U1.IN", "U1.UP", "U1.UN", "U1.TEMP", "U1.LOOP", "U1.SAYS", "U1.R", "U1.ALPHA"),
        *("U1", "gateway"),
    ]
    desk = Desk()
    assert expected == [r.subject for r in desk.step().records]
    desk.plant.dead = {"mon": BAD_TIMEOUT, "io": BAD_TIMEOUT}
    assert expected == [r.subject for r in desk.step(20).records]


def test_finding_keeps_its_time_and_figures():
    """A finding says when it was found and what then was so, as long as its cause lasts."""
    desk = Desk()
    desk.step(3)
    desk.plant.dead = {"mon": BAD_TIMEOUT}
    first = desk.step(4).record("mon").findings
    assert NOON_NS + 7 * SECOND == first[0].since_ns
    assert first == desk.step(50).record("mon").findings
    desk.plant.dead = {}
    desk.step(2)
    desk.plant.dead = {"mon": BAD_TIMEOUT}
    assert NOON_NS + 63 * SECOND == desk.step(10).record("mon").findings[0].since_ns


def test_worst_finding_gives_the_signal():
    """Of several findings the worst gives the signal and comes first: F > C > S > M (NE 107)."""
    weak = Found("U1.LOOP", Subject.LOOP, "proof overdue", "x")
    odd = Found("U1.LOOP", Subject.VALUE, "odd one out", "z")
    broken = Found("U1.LOOP", Subject.LOOP, "frozen value", "y")
    desk = Desk().step(more=(weak, odd, broken))
    record = desk.record("U1.LOOP")
    assert (StatusSignal.FAILURE, Subject.LOOP) == (record.signal, record.kind)
    assert ["frozen value", "odd one out", "proof overdue"] == desk.causes("U1.LOOP")
    assert StatusSignal.OUT_OF_SPECIFICATION == desk.step(more=(weak, odd)).record("U1").signal


def test_machine_has_every_cause_once():
    """The machine's record names the subjects of each cause, and its own findings."""
    own = Found("U1", Subject.MACHINE, "brush worn", "510 h of 500 h")
    desk = Desk()
    desk.step(3)
    desk.plant.dead = {"io": BAD_TIMEOUT}
    desk.step(20, more=(own,))
    details = {f.cause: f.detail for f in desk.record("U1").findings}
    assert {"no answer": "io, U1.LOOP, U1.SAYS", "brush worn": "510 h of 500 h"} == details
    lost = Found("U1", Subject.MACHINE, "no answer", "of all paths")
    desk.step(more=(lost,))
    assert ["of all paths"] == [f.detail for f in desk.record("U1").findings]
    desk.plant.dead = {"mon": BAD_TIMEOUT}
    desk.step(20)
    assert "mon, U1.IP, U1.IN, U1.UP, U1.UN, U1.R and 1 more" == desk.detail("U1")


def test_a_rotor_that_is_not_reached_makes_its_values_fail():
    """A brush without contact reads like a perfect winding: the values on it are not well."""
    open_brush = Found("U1", Subject.MACHINE, "failed contact", "it touches nothing")
    desk = Desk().step(more=(open_brush,))
    for tag in ("U1.IP", "U1.IN", "U1.R", "U1.ALPHA"):
        assert ["failed contact"] == desk.causes(tag)
        assert StatusSignal.FAILURE is desk.record(tag).signal
    assert [] == desk.causes("U1.TEMP")
    assert "it touches nothing" == desk.detail("U1")
    worn = Found("U1", Subject.MACHINE, "brush worn", "510 h of 500 h")
    assert [] == desk.step(more=(worn,)).causes("U1.R")


def test_what_is_said_of_a_stranger_is_not_lost():
    """A finding on something the machine does not list has a record at the end of the others."""
    stray = Found("far.away", Subject.VALUE, "odd one out", "x")
    desk = Desk().step(more=(stray,))
    assert "far.away" == desk.records[-3].subject
    assert ["odd one out"] == desk.causes("U1")


def test_gateway_is_no_part_of_the_machine():
    """A full disk is no sickness of the machine's monitoring."""
    desk = Desk().step(gateway=GatewayCondition(archive_room=0.01))
    assert StatusSignal.NORMAL == desk.record("U1").signal
    assert StatusSignal.MAINTENANCE_REQUIRED == desk.record("gateway").signal


def test_what_a_tag_rests_on():
    """The desk names for each tag what has to be well for it to be seen."""
    desk = HealthDesk(site(), "U1")
    assert {"U1.SAYS", "io", "net"} == desk.subjects_of("U1.SAYS")
    assert {"U1.ALPHA", "U1.IP", "U1.IN", "U1.UP", "U1.UN", "mon", "row"} == desk.subjects_of(
        "U1.ALPHA"
    )


@settings(max_examples=25)
@given(
    st.lists(
        st.tuples(
            st.sets(st.sampled_from(["mon", "aux", "io"])),
            st.integers(0, 31),
            st.integers(0, 22000),
            st.integers(1, 15),
        ),
        max_size=6,
    )
)
def test_memory_reads_back_and_goes_on_alike(course):
    """Saved and loaded at any step, the desk goes on as if nothing had been."""
    desk = Desk(site(thermometer={"expected_noise": "0.1 degC", "fastest_change": "1 degC"}))
    adapter = TypeAdapter(HealthMemory)
    for dead, status, current, times in course:
        desk.plant.dead = dict.fromkeys(dead, BAD_TIMEOUT)
        desk.plant.registers["mon.status"] = (status,)
        desk.plant.registers["io.ch"] = (current,)
        desk.step(times)
        saved = adapter.validate_json(adapter.dump_json(desk.memory))
        assert desk.memory == saved
        again = HealthDesk(desk.site, "U1")
        seen = desk.plant.step()
        expected = desk.desk.step(desk.memory, seen, (), ())
        assert expected == again.step(saved, seen, (), ())
        for record in expected[1]:
            signals = [CAUSES[f.cause].signal for f in record.findings]
            assert StatusSignal.NORMAL.worst(*signals) == record.signal
