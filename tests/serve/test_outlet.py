"""The Feed: what is shown of the newest Frame, and when it stops being good."""

import asyncio
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.serve import OUTLETS, outlets
from gateway.serve.outlet import Feed
from gateway.site.model import Outputs
from gateway.tags import (
    BAD_SENSOR_FAILURE,
    BAD_WAITING_FOR_INITIAL_DATA,
    GOOD,
    UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE,
    UNCERTAIN_SENSOR_NOT_ACCURATE,
    AlarmState,
    Limit,
    Sample,
)
from tests.serve.sites import Clock, Orders, free_port, machine, make_frame, make_report, make_site


def at_noon(tag: str, value: float | None, status: int, clock: Clock) -> Sample:
    return Sample(tag, value, status, clock.utc_ns, 0.5)  # type: ignore[arg-type]


def test_no_frame_yet_is_waiting_for_initial_data() -> None:
    """Before the first Frame every tag is bad and says that data are awaited."""
    feed = Feed(make_site({}), Clock())
    assert BAD_WAITING_FOR_INITIAL_DATA == feed.sample("G1.R").status
    assert None is feed.sample("G1.R").value
    assert inf == feed.age_s("G1.R")
    assert not feed.alive("G1")
    assert [("G1.R.LOW", False), ("G1.R.TRIP", False)] == [
        (a.alarm, a.judged) for a in feed.alarms("G1")
    ]


@given(st.floats(0, 20))
def test_good_becomes_last_usable_value_exactly_when_lost(silent_s: float) -> None:
    """A good value keeps value and time but not its status once three seconds pass silently."""
    clock = Clock()
    feed = Feed(make_site({}), clock)
    sample = at_noon("G1.R", 47.3, GOOD, clock)
    feed.take(make_frame("G1", clock, [sample], [("G1.R.LOW", AlarmState.UNACKNOWLEDGED)]))
    clock.advance(silent_s)
    lost = clock.monotonic_ns - Clock().monotonic_ns > 3_000_000_000
    shown = feed.sample("G1.R")
    expected = UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE if lost else GOOD
    assert (47.3, expected, sample.time_ns, 0.5) == (
        shown.value,
        shown.status,
        shown.time_ns,
        shown.uncertainty,
    )
    assert (not lost) == feed.alive("G1")
    alarm = feed.alarms("G1")[0]
    assert (AlarmState.UNACKNOWLEDGED, not lost) == (alarm.state, alarm.judged)


def test_slow_scan_is_not_lost_early() -> None:
    """A machine scanned every two seconds is lost after three scans, not after three seconds."""
    clock = Clock()
    feed = Feed(make_site({}, machines=[machine("G1", "2 s"), machine("G2")]), clock)
    for name in ("G1", "G2"):
        feed.take(make_frame(name, clock, []))
    clock.advance(5.9)
    assert (True, False) == (feed.alive("G1"), feed.alive("G2"))
    clock.advance(0.2)
    assert not feed.alive("G1")


def test_bad_stays_bad_and_limits_stay_when_lost() -> None:
    """A lost field side turns no bad sample into a better one and keeps 'at least' as it was."""
    clock = Clock()
    feed = Feed(make_site({}), clock)
    at_least = UNCERTAIN_SENSOR_NOT_ACCURATE.with_limit(Limit.HIGH)
    feed.take(
        make_frame(
            "G1",
            clock,
            [
                at_noon("G1.R", 100.0, at_least, clock),
                at_noon("G1.U", None, BAD_SENSOR_FAILURE, clock),
            ],
        )
    )
    clock.advance(10)
    assert BAD_SENSOR_FAILURE == feed.sample("G1.U").status
    assert Limit.HIGH == feed.sample("G1.R").status.limit
    assert UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE == feed.sample("G1.R").status.code


def test_step_of_the_clock_ages_nothing() -> None:
    """The age of a sample follows the monotonic clock, whatever happens to UTC."""
    clock = Clock()
    feed = Feed(make_site({}), clock)
    sample = at_noon("G1.R", 1.0, GOOD, clock)
    clock.advance(0.25)
    feed.take(make_frame("G1", clock, [sample]))
    clock.advance(2)
    clock.utc_ns += 3600 * 10**9
    assert 2.25 == feed.age_s("G1.R")


def test_frame_of_an_unknown_machine_is_dropped() -> None:
    """A Frame of a machine that the site does not name changes nothing."""
    feed = Feed(make_site({}), Clock())
    feed.take(make_frame("G9", Clock(), []))
    assert 0 == feed.frames


async def test_subscribers_hear_each_frame_and_one_loss() -> None:
    """A subscriber is called for each Frame, and once when the machine goes lost."""
    clock = Clock()
    feed = Feed(make_site({}), clock)
    heard: list[str] = []
    lost = asyncio.Event()

    def hear(name: str) -> None:
        heard.append(name)
        if not feed.alive(name):
            lost.set()

    feed.take(make_frame("G1", clock, []))
    clock.advance(2.95)
    feed.subscribe(hear)
    feed.take(make_frame("G2", clock, []))
    assert ["G2"] == heard
    await asyncio.sleep(0.02)  # the timer is real; nothing may be told before it is due
    assert ["G2"] == heard
    clock.advance(0.06)
    async with asyncio.timeout(2):
        await lost.wait()
    await asyncio.sleep(0.1)
    assert ["G2", "G1"] == heard
    feed.unsubscribe(hear)
    feed.take(make_frame("G1", clock, []))
    assert ["G2", "G1"] == heard


def test_every_configured_outlet_is_built_and_no_other() -> None:
    """The site file alone decides what is served."""
    assert set(Outputs.model_fields) == {name for name, _ in OUTLETS}
    assert [] == outlets(make_site({}), Feed(make_site({}), Clock()), Orders())
    for name, _ in OUTLETS:
        site = make_site({name: {"port": free_port()}})
        assert 1 == len(outlets(site, Feed(site, Clock()), Orders()))


@pytest.mark.parametrize("name", [name for name, _ in OUTLETS])
async def test_outlet_stopped_at_once_leaves_its_port(name: str) -> None:
    """An outlet that is stopped right after its start leaves nothing behind."""
    port = free_port()
    site = make_site({name: {"port": port}})
    (outlet,) = outlets(site, Feed(site, Clock()), Orders())
    await outlet.start()
    await outlet.stop()
    server = await asyncio.start_server(lambda r, w: w.close(), "127.0.0.1", port)
    server.close()
    await server.wait_closed()
    assert {asyncio.current_task()} == asyncio.all_tasks()


@pytest.mark.parametrize("name", [name for name, _ in OUTLETS])
async def test_taken_port_is_one_clear_error(name: str) -> None:
    """An outlet that cannot listen names its setting, and can be stopped all the same."""
    server = await asyncio.start_server(lambda r, w: w.close(), "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    site = make_site({name: {"port": port}})
    (outlet,) = outlets(site, Feed(site, Clock()), Orders())
    with pytest.raises(OSError, match=rf"outputs\.{name}: cannot listen on 127\.0\.0\.1:{port}"):
        await outlet.start()
    await outlet.stop()
    server.close()
    await server.wait_closed()


def test_report_is_kept() -> None:
    """The newest report of the field side is the one that is shown."""
    feed = Feed(make_site({}), Clock())
    assert None is feed.report
    report = make_report([True])
    feed.take_report(report)
    assert report is feed.report
