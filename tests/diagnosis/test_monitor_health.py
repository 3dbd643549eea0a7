"""What devices say of themselves."""

import pytest

from gateway.tags import BAD_TIMEOUT, StatusSignal, Subject
from tests.diagnosis.health_site import Desk, site


@pytest.mark.parametrize(
    ("bit", "cause", "signal"),
    [
        (0, "function check", StatusSignal.FUNCTION_CHECK),
        (1, "device failure", StatusSignal.FAILURE),
        (2, "no communication", StatusSignal.FAILURE),
        (4, "out of service", StatusSignal.FUNCTION_CHECK),
    ],
)
def test_status_bits_are_the_devices_health(bit, cause, signal):
    """What a status bit means is said of the device, at once, and no longer than it is set."""
    desk = Desk()
    desk.step(3)
    desk.plant.registers["mon.status"] = (1 << bit,)
    record = desk.step().record("mon")
    assert (Subject.MONITOR, signal) == (record.kind, record.signal)
    assert [cause] == desk.causes("mon")
    assert f"bit {bit} of mon.status" in desk.detail("mon")
    desk.plant.registers["mon.status"] = (0,)
    assert [] == desk.step().causes("mon")


def test_held_value_is_no_fault_of_the_device():
    """A device that holds a value says so; only the age of the value is judged."""
    desk = Desk()
    desk.step(3)
    desk.plant.registers["mon.status"] = (8,)
    desk.step(5)
    assert {StatusSignal.NORMAL} == {r.signal for r in desk.records}
    desk.step(10)
    assert [] == desk.causes("mon")
    assert ["stale value"] == desk.causes("U1.IP")


def test_stopped_heartbeat():
    """A device that answers without counting on does not measure; its tags have the same cause."""
    desk = Desk()
    desk.step(3)
    desk.plant.beating = False
    assert [] == desk.step(5).causes("mon")
    assert ["heartbeat stopped"] == desk.step(1).causes("mon")
    assert ["heartbeat stopped"] == desk.causes("U1.IP")
    desk.step(20)
    assert ["heartbeat stopped"] == desk.causes("U1.R")
    desk.plant.beating = True
    assert StatusSignal.NORMAL == desk.step(1).record("U1").signal


def test_unread_heartbeat_has_not_stopped():
    """A counter that nobody reads has not stopped: the silence of the device is told instead."""
    desk = Desk()
    desk.step(3)
    desk.plant.dead = {"mon": BAD_TIMEOUT}
    assert ["no answer"] == desk.step(30).causes("mon")
    desk.plant.dead = {}
    assert [] == desk.step().causes("mon")


def test_test_under_way_is_function_check_until_values_are_too_old():
    """During a self-test the tags are in function check; a test that never ends blinds them."""
    desk = Desk()
    desk.step(3)
    desk.plant.registers["mon.status"] = (1,)
    desk.step(2)
    for subject in ("mon", "U1.IP", "U1.R", "U1"):
        assert StatusSignal.FUNCTION_CHECK == desk.record(subject).signal
    assert StatusSignal.NORMAL == desk.record("U1.LOOP").signal
    desk.step(10)
    assert StatusSignal.FAILURE == desk.record("U1.IP").signal
    assert "function check" in desk.detail("U1.IP")


def test_silence_of_the_radio_path_has_its_own_name():
    """With telemetry the device's lost communication is the radio path's."""
    desk = Desk(site(machine={"access": "telemetry"}))
    desk.step(3)
    desk.plant.registers["mon.status"] = (4,)
    assert ["telemetry lost"] == desk.step().causes("mon")
    assert ["telemetry lost"] == desk.causes("U1.R")


def test_words_of_a_silent_device_are_old():
    """Of a device that gives nothing its silence is told, not what it said of itself before."""
    desk = Desk()
    desk.step(3)
    desk.plant.registers["mon.status"] = (2,)
    desk.plant.beating = False
    assert ["device failure", "heartbeat stopped"] == sorted(desk.step(6).causes("mon"))
    desk.plant.dead = {"mon": BAD_TIMEOUT}
    assert ["no answer"] == desk.step(20).causes("mon")
