"""Readings of a rotor that is not reached: they may show a fault, never that there is none."""

from pathlib import Path

from gateway.diagnosis.unreached import Unreached
from gateway.site.read import read
from gateway.tags import (
    BAD_SENSOR_FAILURE,
    UNCERTAIN_LAST_USABLE_VALUE,
    UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE,
    UNCERTAIN_SENSOR_NOT_ACCURATE,
    AlarmState,
    Limit,
)
from tests.corpus.bench import Bench
from tests.corpus.episodes import CONFIG, PLANT
from tests.diagnosis.evidence_site import assessed, ill, sample, seen, site

SITE = site()
SAMPLES = seen(
    {
        "P1.R": sample("P1.R", 5000.0),
        "P1.READ": sample("P1.READ", 0, status=BAD_SENSOR_FAILURE),
        "P1.TRIPPED": False,
        "P1.UP": sample("P1.UP", 300.0),
    }
).samples
LOST = assessed(health=(ill("P1", "failed contact"),))


def told(samples=SAMPLES, known=LOST, machine="P1"):
    return Unreached(SITE, machine).shown(samples, known)


def test_what_is_open_reads_like_insulation():
    """A resistance is at most what is read; a contact that has not actuated decides nothing."""
    now = told()
    at_most = UNCERTAIN_SENSOR_NOT_ACCURATE.with_limit(Limit.LOW)
    assert (5000.0, at_most) == (now["P1.R"].value, now["P1.R"].status)
    assert UNCERTAIN_LAST_USABLE_VALUE == now["P1.TRIPPED"].status
    assert SAMPLES["P1.UP"] is now["P1.UP"]
    assert SAMPLES["P1.READ"] is now["P1.READ"]


def test_what_comes_through_no_more_is_old():
    """With the radio path lost a value that looks alive repeats an old one: it decides nothing."""
    now = told(known=assessed(health=(ill("P1", "telemetry lost"),)))
    assert (5000.0, UNCERTAIN_LAST_USABLE_VALUE) == (now["P1.R"].value, now["P1.R"].status)
    held = seen({"P1.R": sample("P1.R", 5e3, status=UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE)})
    kept = told(held.samples, assessed(health=(ill("P1", "telemetry lost"),)))["P1.R"]
    assert UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE == kept.status


def test_what_shows_a_fault_still_does():
    """A contact that has actuated is taken as it is, and so is a current: it is at least that."""
    actuated = seen({"P1.TRIPPED": True}).samples
    assert actuated["P1.TRIPPED"] is told(actuated)["P1.TRIPPED"]
    current = told(seen({"D1.I": 2000.0}).samples, machine="D1")["D1.I"]
    assert (2000.0, Limit.HIGH) == (current.value, current.status.limit)


def test_a_rotor_that_is_reached_is_believed():
    """With nothing wrong on the way to the rotor the samples are handed on as they are."""
    well = assessed(health=(ill("P1.LOOP", "wire break"),))
    assert SAMPLES is told(known=well)


def test_a_brush_that_loses_its_ring_clears_no_alarm(tmp_path: Path):
    """With the fault still there and the brush on nothing, the alarm stands until the brush
    touches again and shows the winding sound; a fault that comes back raises as ever."""
    fault = "machine: U1, fault: {location: 0.3, resistance: 12 kohm}"
    story = (
        f"at: 10 s, {fault}",
        "at: 40 s, machine: U1, brush: pressed without contact",
        "at: 120 s, machine: U1, brush: healthy",
        "at: 140 s, machine: U1, fault: {location: 0.3, resistance: none}",
    )
    rows = ["scenario: lost", f"plant: {PLANT}", "seed: 4", "timeline:"]
    text = "\n".join((*rows, *(f"  - {{{entry}}}" for entry in story))) + "\n"
    demo, _ = read(CONFIG / "demo.yaml")
    states, shown = {}, {}
    for time_s, frame in Bench(demo, "U1", text, tmp_path).run(180.0, 0.5):
        states[time_s] = next(a for a in frame.alarms if a.alarm == "U1.EARTH_FAULT_STAGE_1")
        shown[time_s] = next(x for x in frame.samples if x.tag == "U1.FAULT_RESISTANCE").status
    assert (True, False, True) == (shown[39.0].is_good, shown[100.0].is_good, shown[179.0].is_good)
    assert AlarmState.UNACKNOWLEDGED is states[39.0].state
    assert (AlarmState.UNACKNOWLEDGED, False) == (states[100.0].state, states[100.0].judged)
    assert (AlarmState.UNACKNOWLEDGED, True) == (states[139.0].state, states[139.0].judged)
    assert AlarmState.RETURNED_UNACKNOWLEDGED is states[179.0].state
