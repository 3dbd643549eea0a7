"""How the gateway itself is, and alarms that decide nothing."""

import pytest

from gateway.tags import (
    BAD_TIMEOUT,
    AlarmRecord,
    AlarmState,
    GatewayCondition,
    StatusSignal,
    Subject,
)
from tests.diagnosis.health_site import Desk, site


@pytest.mark.parametrize(
    ("told", "cause", "signal", "kept_s"),
    [
        ({"clock_step_s": -2.5}, "clock stepped", StatusSignal.OUT_OF_SPECIFICATION, 600),
        ({"unarchived_frames": 3}, "frames not archived", StatusSignal.FAILURE, 60),
        ({"late_share": 0.2}, "gateway overload", StatusSignal.OUT_OF_SPECIFICATION, 0),
        ({"archive_room": 0.05}, "disk nearly full", StatusSignal.MAINTENANCE_REQUIRED, 0),
        (
            {"configuration_changed": True},
            "configuration changed",
            StatusSignal.MAINTENANCE_REQUIRED,
            0,
        ),
    ],
)
def test_gateway_tells_of_itself(told, cause, signal, kept_s):
    """What the gateway is told of itself is its health; what is over is kept for its time."""
    desk = Desk()
    assert [] == desk.step(3).causes("gateway")
    record = desk.step(gateway=GatewayCondition(**told)).record("gateway")
    assert (Subject.GATEWAY, signal) == (record.kind, record.signal)
    assert [cause] == desk.causes("gateway")
    assert [] == desk.causes("U1")
    if kept_s:
        assert [cause] == desk.step(kept_s).causes("gateway")
    assert [] == desk.step().causes("gateway")


def test_figures_of_the_gateway():
    """The text has the figures."""
    desk = Desk()
    desk.step(gateway=GatewayCondition(clock_step_s=-2.5))
    assert "by -2.500 s" == desk.detail("gateway")
    desk = Desk()
    desk.step(gateway=GatewayCondition(late_share=0.1))
    assert [] == desk.causes("gateway")
    desk.step(gateway=GatewayCondition(late_share=0.2))
    assert "20% of the last steps began late, at most 10% may" == desk.detail("gateway")


def record(state=AlarmState.NORMAL, judged=False):
    return (AlarmRecord("U1.LOW", state, judged, 0),)


def test_alarm_that_is_not_judged():
    """An alarm whose values are seen and decide nothing for a minute is told at its tag."""
    desk = Desk()
    desk.step(61, alarms=record())
    assert [] == desk.causes("U1.R")
    desk.step(alarms=record())
    assert ["alarm not judged"] == desk.causes("U1.R")
    assert "alarm U1.LOW for 61 s: U1.R is Good" == desk.detail("U1.R")
    assert [] == desk.step(alarms=record(judged=True)).causes("U1.R")


@pytest.mark.parametrize("state", [AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE])
def test_alarm_that_is_not_to_be_judged(state):
    """An alarm that is suppressed by design or out of service owes no judgement."""
    assert [] == Desk().step(100, alarms=record(state)).causes("U1.R")


def test_blind_tags_speak_for_the_alarm():
    """Where a tag is blind or in function check, that is the news, not the alarm."""
    desk = Desk()
    desk.step(2)
    desk.plant.dead = {"mon": BAD_TIMEOUT}
    assert ["no answer"] == desk.step(100, alarms=record()).causes("U1.R")
    desk.plant.dead = {}
    desk.step(1)
    desk.plant.registers["mon.status"] = (1,)
    assert ["function check"] == desk.step(5, alarms=record()).causes("U1.R")


def test_brush_leaves_alarms_unjudged_between_its_touches():
    """A retractable brush measures at intervals: only beyond them is an alarm not judged."""
    brush = {"every": "100 s", "contact": "10 s"}
    desk = Desk(site(machine={"access": "retractable brush", "brush": brush}))
    assert [] == desk.step(151, alarms=record()).causes("U1.R")
    assert ["alarm not judged"] == desk.step(alarms=record()).causes("U1.R")
