"""When each way to see a fault last proved that it could."""

from dataclasses import replace

import pytest
from pydantic import TypeAdapter

from gateway.diagnosis.health import HealthMemory
from gateway.diagnosis.proof import ProofMemory, ProofWatch
from gateway.tags import BAD_TIMEOUT, GOOD, Limit, Sample, StatusSignal
from tests.diagnosis.health_site import NOON_NS, SECOND, Desk, site

TESTING, FAILED = 1, 2  # bits 0 and 1 of the monitor's status


def proof(desk, tag):
    record = desk.record(tag)
    return record.proof, (record.proved_ns - NOON_NS) // SECOND if record.proved_ns else None


def statuses(desk, *values):
    for value in values:
        desk.plant.registers["mon.status"] = (value,)
        desk.step(2)
    return desk


def test_channels_are_what_earth_fault_alarms_rest_on():
    """Values below a limit and contacts that indicate an earth fault are the channels."""
    assert ("U1.R", "U1.LOOP", "U1.SAYS") == ProofWatch(site(), "U1").channels


def test_passed_self_test_proves_the_devices_channels():
    """A self-test that ends without a failure proves what its device measures, and no more."""
    desk = statuses(Desk(), 0, TESTING)
    assert ("", None) == proof(desk, "U1.R")
    statuses(desk, 0)
    assert ("self-test", 5) == proof(desk, "U1.R")
    assert ("", None) == proof(desk, "U1.LOOP")
    assert ("self-test", 5) == proof(desk.step(100), "U1.R")


@pytest.mark.parametrize(
    "course",
    [
        (0, TESTING, TESTING | FAILED, 0),
        (0, TESTING, FAILED, 0),
        (0, TESTING | FAILED, 0),
        (0, FAILED, 0),
        (0, 0, 0),
    ],
)
def test_failed_test_proves_nothing(course):
    """A failure during a test or at its end, or no test at all, proves nothing."""
    assert ("", None) == proof(statuses(Desk(), *course), "U1.R")


def test_test_whose_end_nobody_saw_proves_nothing():
    """A device that fell silent during its test may have failed it."""
    desk = statuses(Desk(), 0, TESTING)
    desk.plant.dead = {"mon": BAD_TIMEOUT}
    desk.plant.registers["mon.status"] = (0,)
    desk.step(3)
    desk.plant.dead = {}
    assert ("", None) == proof(desk.step(3), "U1.R")


def test_fault_seen_over_two_paths_proves_both():
    """Two channels over different devices that see the fault together prove each other."""
    desk = Desk()
    desk.step(3)
    desk.plant.fault(5.0)
    assert ("", None) == proof(desk.step(3), "U1.R")
    desk.plant.registers["io.di"] = (0,)
    desk.step(3)
    assert ("fault seen", 8) == proof(desk, "U1.R")
    assert ("fault seen", 8) == proof(desk, "U1.SAYS")
    assert ("", None) == proof(desk, "U1.LOOP")
    assert ("fault seen", 68) == proof(desk.step(61), "U1.R")


def test_paths_over_one_device_prove_nothing():
    """Loop and contact on one device are one path: its fault may show on both."""
    desk = Desk()
    desk.step(3)
    desk.plant.registers["io.di"] = (0,)
    desk.plant.registers["io.ch"] = (5000,)
    desk.step(5)
    assert desk.seen.samples["U1.SAYS"].value
    assert desk.seen.samples["U1.LOOP"].value < 20
    assert ("", None) == proof(desk, "U1.SAYS")
    assert ("", None) == proof(desk, "U1.LOOP")


def test_held_value_proves_nothing():
    """A value that is held in the alarm region does not agree with anything."""
    desk = Desk()
    desk.plant.fault(5.0)
    desk.step(3)
    statuses(desk, 8)
    desk.plant.registers["io.di"] = (0,)
    assert ("", None) == proof(desk.step(3), "U1.SAYS")


def test_overdue_proof():
    """Without a proof for longer than asked for, a channel needs maintenance, until it has one."""
    desk = Desk(site(machine={"prove_every": "2 h"}))
    desk.step()
    desk.step(2, seconds=3600.0)
    assert "proof overdue" not in desk.causes("U1.R")
    desk.step(2)
    assert ["proof overdue"] == desk.causes("U1.R")
    assert "not proved for 2.0 h; due every 2.0 h" == desk.detail("U1.R")
    assert StatusSignal.MAINTENANCE_REQUIRED == desk.record("U1.SAYS").signal
    assert [] == desk.causes("U1.TEMP")
    statuses(desk, TESTING, 0)
    assert [] == desk.causes("U1.R")
    assert ["proof overdue"] == desk.causes("U1.LOOP")


def test_proof_outlives_a_restart():
    """What was proved is still proved by a desk that goes on from saved memory."""
    desk = statuses(Desk(), 0, TESTING, 0)
    adapter = TypeAdapter(HealthMemory)
    again = Desk(desk.site)
    again.plant, again.memory = desk.plant, adapter.validate_json(adapter.dump_json(desk.memory))
    assert desk.memory == again.memory
    assert ("self-test", 5) == proof(again.step(), "U1.R")


def test_at_least_proves_nothing():
    """A resistance of at least 10 kohm is not known to be in the alarm region below 20 kohm."""
    desk = Desk()
    desk.plant.registers["io.di"] = (0,)
    desk.step(5)
    for limit, expected in ((Limit.HIGH, set()), (Limit.LOW, {"U1.R", "U1.SAYS"})):
        sample = Sample("U1.R", 10.0, GOOD.with_limit(limit), desk.seen.utc_ns)
        seen = replace(desk.seen, samples={**desk.seen.samples, "U1.R": sample})
        memory, _ = ProofWatch(desk.site, "U1").step(ProofMemory(), seen, set())
        assert expected == set(memory.proofs)
