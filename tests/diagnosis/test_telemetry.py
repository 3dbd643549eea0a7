"""Telemetry: weak and lost links, at standstill as in service."""

from pydantic import TypeAdapter

from gateway.diagnosis import access
from gateway.diagnosis.access import Access
from gateway.diagnosis.telemetry import TelemetryMemory, TelemetryPath
from gateway.tags import (
    BAD_COMMUNICATION_ERROR,
    UNCERTAIN_LAST_USABLE_VALUE,
    UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE,
    Subject,
)
from tests.diagnosis.access_site import NOON_NS, SECOND, sample, seen, site

PATH = TelemetryPath(site(), "T1")
LOST_BIT, HELD_BIT = 1 << 2, 1 << 3


def step(memory=None, *, quality=90.0, value=500.0, word=0, at_s=0.0):
    samples = {"T1.Q": quality, "T1.R": value}
    samples = {tag: given for tag, given in samples.items() if given is not None}
    words = {} if word is None else {"mon.status": word}
    return PATH.step(memory or TelemetryMemory(), seen(samples, at_s=at_s, words=words))


def causes(result):
    return [(f.subject, f.kind, f.cause, f.detail) for f in result[2]]


def test_a_good_link_is_silent_and_measures():
    """With values coming and a good link there is nothing to tell."""
    memory = TelemetryMemory()
    after, report, found = step(memory, at_s=5.0)
    assert memory is after
    assert (True, NOON_NS + 5 * SECOND, ()) == (
        report.measuring,
        report.measured_ns,
        report.explanations,
    )
    assert [] == found


def test_a_weak_link_is_told_with_its_figures_and_a_deadband():
    """Below 50 % it is weak, until it is above 55 %."""
    result = step(quality=49.0)
    assert [
        ("T1", Subject.MACHINE, "telemetry weak", "link quality 49 %, weak below 50 %")
    ] == causes(result)
    result = step(result[0], quality=54.0)
    assert ["telemetry weak"] == [f.cause for f in result[2]]
    assert [] == step(result[0], quality=56.0)[2]
    assert [] == step(quality=54.0)[2]


def test_a_lost_link_is_a_failure_at_standstill_too():
    """A monitor that says it has lost its rotor has failed, whether the machine runs or not."""
    held = sample("T1.R", 500.0, status=UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE)
    way = Access(site(), "T1")
    for running in (True, False, None):
        memory = access.AccessMemory()
        for at_s in (0.0, 9.0, 10.0):
            told = seen({"T1.Q": 0.0, "T1.R": held}, words={"mon.status": LOST_BIT}, at_s=at_s)
            memory, report, found = way.step(memory, told, {"running": running})
            assert False is report.measuring
            causes_now = [f.cause for f in found]
            assert (at_s == 10.0) is ("telemetry lost" in causes_now)
        assert [("telemetry lost", "the monitor says so; link quality 0 %")] == [
            (f.cause, f.detail) for f in found
        ]


def test_a_monitor_that_holds_its_values_has_lost_its_rotor_after_a_minute():
    """Powered telemetry never rests, so values held for over a minute are a failure."""
    held = sample("T1.R", 500.0, status=UNCERTAIN_LAST_USABLE_VALUE)
    memory = step(value=held, quality=None, word=HELD_BIT)[0]
    memory, report, found = step(memory, value=held, quality=None, word=HELD_BIT, at_s=59.0)
    assert (False, []) == (report.measuring, found)
    memory, _, found = step(memory, value=held, quality=None, word=HELD_BIT, at_s=61.0)
    assert ["telemetry lost"] == [f.cause for f in found]
    assert [] == step(memory, at_s=62.0)[2]


def test_a_link_that_loses_single_cycles_is_weak_and_not_lost():
    """What comes and goes from second to second is a weak link."""
    held = sample("T1.R", 500.0, status=UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE)
    memory = step(quality=20.0)[0]
    for second in range(1, 60):
        through = second % 5 == 0
        memory, report, found = step(
            memory,
            quality=20.0 if through else None,
            value=500.0 if through else held,
            word=0 if through else LOST_BIT,
            at_s=float(second),
        )
        assert through is report.measuring
        assert ["telemetry weak"] == [f.cause for f in found]


def test_unknown_neither_loses_nor_finds_a_link():
    """While the monitor is not heard, what was found stays, and nothing is found."""
    gone = sample("T1.R", None, status=BAD_COMMUNICATION_ERROR)
    quality = sample("T1.Q", None, status=BAD_COMMUNICATION_ERROR)
    for lost in (False, True):
        memory, report, found = step(
            TelemetryMemory(weak=True, lost=lost), quality=quality, value=gone, word=None
        )
        assert TelemetryMemory(weak=True, lost=lost) == memory
        assert (None, False)[lost] is report.measuring
        assert [("telemetry weak", "telemetry lost")[lost]] == [f.cause for f in found]


def test_the_memory_survives_being_saved():
    """What is remembered is plain data."""
    adapter = TypeAdapter(TelemetryMemory)
    memory = step(word=HELD_BIT, quality=10.0)[0]
    assert memory == adapter.validate_json(adapter.dump_json(memory))
    assert memory != TelemetryMemory()
