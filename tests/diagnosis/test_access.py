"""The way to the rotor: each machine's own, with what it needs to know of a measurement."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from gateway.diagnosis.access import Access, AccessMemory
from gateway.diagnosis.causes import CAUSES
from gateway.diagnosis.measuring import measuring_tags
from gateway.signals.sampling import SignalState
from gateway.tags import (
    BAD_COMMUNICATION_ERROR,
    UNCERTAIN_LAST_USABLE_VALUE,
    UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE,
)
from tests.diagnosis.access_site import MACHINES, NOON_NS, SECOND, SIGNALS, sample, seen, site

RUNNING = {"excited": True, "running": True, "hot": None, "loaded": None}


def test_each_machine_is_judged_by_its_own_way():
    """A dark link, a lifted brush and a lost radio are told of the machines that have them."""
    told = {"O1.LIGHT": 0.0, "O1.LOOP": 0.0, "O1.DARK": True}
    memory, report, _ = Access(site(), "O1").step(AccessMemory(), seen(told), RUNNING)
    assert 5 == len(report.explanations)
    assert None is not memory.optical_link.dark
    memory, report, _ = Access(site(), "B1").step(
        AccessMemory(), seen({"B1.PRESSED": True}), RUNNING
    )
    assert None is not memory.brush.touching_since_ns
    words = {"mon.status": 1 << 2}
    memory, report, _ = Access(site(), "T1").step(AccessMemory(), seen({}, words=words), RUNNING)
    assert (False, 0) == (report.measuring, memory.telemetry.silent_since_ns)


@pytest.mark.parametrize(
    ("machine", "block"), [("B1", "brush"), ("O1", "optical_link"), ("T1", "telemetry")]
)
def test_a_way_that_is_not_told_of_still_says_whether_it_measures(machine, block):
    """Without its block a machine has a report, and nothing is held against its way."""
    way = Access(site(**{machine: {block: None}}), machine)
    tags = measuring_tags(site(**{machine: {block: None}}), machine)
    told = seen(dict.fromkeys(tags, 5.0), at_s=3.0)
    memory = AccessMemory()
    after, report, found = way.step(memory, told, RUNNING)
    assert (memory, True, NOON_NS + 3 * SECOND, []) == (
        after,
        report.measuring,
        report.measured_ns,
        found,
    )


def test_collector_rings_measure_or_do_not():
    """Rings have no truth of their own: a measurement comes through, does not, or is not known."""
    way = Access(site(), "C1")
    polled = sample("C1.I", 1.0, status=UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE)
    for given_sample, expected in (
        (1.0, True),
        (sample("C1.I", 1.0, status=UNCERTAIN_LAST_USABLE_VALUE), False),
        (sample("C1.I", None, status=BAD_COMMUNICATION_ERROR), None),
        (polled, False),  # the device says so of itself
    ):
        report = way.step(AccessMemory(), seen({"C1.I": given_sample}), RUNNING)[1]
        assert expected is report.measuring
    unheard = seen({"C1.I": polled}, signals={"C1.I": SignalState(failure=BAD_COMMUNICATION_ERROR)})
    assert None is way.step(AccessMemory(), unheard, RUNNING)[1].measuring
    assert (None, 0) == (
        way.step(AccessMemory(), seen({}), RUNNING)[1].measuring,
        way.step(AccessMemory(), seen({}), RUNNING)[1].measured_ns,
    )


def test_what_shows_a_measurement():
    """The raw currents show it; else what earth-fault alarms rest on; else what the monitor gives.

    The contact resistance of a brush is measured whether or not the winding is.
    """
    assert ("B1.IP", "B1.IN") == measuring_tags(site(), "B1")
    assert ("O1.I",) == measuring_tags(site(), "O1")
    assert ("T1.R",) == measuring_tags(site(), "T1")
    bare = {"pulse_injection": None}
    assert ("B1.IP", "B1.IN") == measuring_tags(site(B1=bare), "B1")
    alarm = {
        "name": "B1.LOW",
        "machine": "B1",
        "kind": "limit",
        "tag": "B1.IN",
        "above": "1 mA",
        "indicates": "earth fault",
    }
    assert ("B1.IN",) == measuring_tags(site(alarms=(alarm,), B1=bare), "B1")


TAGS = {s["tag"]: s["kind"] for s in SIGNALS}
STATUSES = st.sampled_from(
    [
        None,
        UNCERTAIN_LAST_USABLE_VALUE,
        UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE,
        BAD_COMMUNICATION_ERROR,
    ]
)


@settings(max_examples=80)
@given(st.data())
def test_any_run_gives_known_causes_and_a_memory_that_is_saved_whole(data):
    """Whatever is seen, causes are in the catalogue, and a restart changes nothing."""
    machine = data.draw(st.sampled_from(sorted(MACHINES)))
    way, again = Access(site(), machine), Access(site(), machine)
    adapter = TypeAdapter(AccessMemory)
    memory, at_s = AccessMemory(), 0.0
    mine = [tag for tag in TAGS if tag.startswith(machine)]
    for _ in range(data.draw(st.integers(1, 25))):
        at_s += data.draw(st.sampled_from([0.5, 1.0, 20.0, 4000.0, 40_000.0]))
        samples = {}
        for tag in data.draw(st.sets(st.sampled_from(mine))):
            status = data.draw(STATUSES)
            contact = TAGS[tag] == "contact"
            value = data.draw(st.booleans() if contact else st.floats(0, 100))
            time_ns = NOON_NS + round(at_s * SECOND)
            samples[tag] = sample(tag, value, status=status or 0, time_ns=time_ns)
        excited = data.draw(st.sampled_from([True, False, None]))
        word = data.draw(st.sampled_from([0, 4, 8]))
        told = seen(samples, at_s=at_s, words={"mon.status": word})
        saved = adapter.validate_json(adapter.dump_json(memory))
        assert memory == saved
        result = way.step(memory, told, {"excited": excited})
        assert again.step(saved, told, {"excited": excited}) == result
        memory, report, found = result
        assert {f.cause for f in found} <= set(CAUSES)
        assert len({(f.subject, f.cause) for f in found}) == len(found)
        assert report.measured_ns <= NOON_NS + round(at_s * SECOND)


def test_unknown_never_clears_and_never_raises():
    """While nothing at all is known, what was found stays; what was not found is not."""
    lost = {"mon.status": 1 << 2}
    dark = {"O1.LIGHT": 0.0, "O1.LOOP": 0.0, "O1.DARK": True, "O1.I": 30.0}
    for machine, before in (("T1", {}), ("O1", dark)):
        way, memory = Access(site(), machine), AccessMemory()
        found = []
        for second in range(60):
            told = seen(before, at_s=float(second), words=lost)
            memory, _, found = way.step(memory, told, RUNNING)
        causes = [f.cause for f in found]
        assert 1 == len(causes)
        for second in range(60, 120):
            memory, _, found = way.step(memory, seen({}, at_s=float(second)), {"excited": None})
            assert causes == [f.cause for f in found]
        memory = AccessMemory()
        for second in range(120):
            told = seen({}, at_s=float(second))
            memory, _, found = way.step(memory, told, {"excited": None})
            assert [] == found
