"""The door of the field room: what is delivered, and when, over real connections."""

import asyncio
import time
from typing import Any

import pytest
from structlog.testing import capture_logs

from gateway.field import Field
from gateway.field.modbus import TcpMaster
from gateway.tags import (
    BAD_COMMUNICATION_ERROR,
    BAD_CONFIGURATION_ERROR,
    BAD_NO_COMMUNICATION,
    BAD_TIMEOUT,
    GOOD,
)


def link(port: int, name: str = "north", **more: Any) -> dict[str, Any]:
    return {
        "kind": "modbus-tcp",
        "name": name,
        "host": "127.0.0.1",
        "port": port,
        "timeout": "200 ms",
        **more,
    }


def device(name: str = "a", link: str = "north", **more: Any) -> dict[str, Any]:
    return {"name": name, "link": link, "profile": "monitor", **more}


def monitor(**more: Any) -> dict[str, Any]:
    return {
        "profile": "monitor",
        "poll": {"normal": "50 ms"},
        "points": (
            {"name": "x", "function": 3, "address": 10},
            {"name": "y", "function": 3, "address": 12, "type": "float32"},
            {"name": "z", "function": 4, "address": 500, "bit": 3, "type": "bool"},
            {"name": "c", "function": 1, "address": 3, "type": "bool"},
        ),
        **more,
    }


POINTS = ("a.x", "a.y", "a.z", "a.c")


async def stopped(task: asyncio.Task[None]) -> None:
    """Cancel, and see that it ends within a second."""
    task.cancel()
    async with asyncio.timeout(1.0):
        await asyncio.wait({task})
    assert task.cancelled()


async def test_points_of_one_request_are_delivered_together(
    tcp_device: Any, site_of: Any, now: Any, heard: Any
) -> None:
    """Raw words in wire order arrive, one delivery a request, each stamped with its arrival."""
    server = await tcp_device()
    field = Field(site_of([link(server.port)], [device()], [monitor()], POINTS), now, heard)
    began = now()
    running = asyncio.create_task(field.run())
    await heard.until(lambda: len(heard.batches) >= 6)
    await stopped(running)
    first = {tuple(r.point for r in batch): batch for batch in heard.batches[:3]}
    assert {("a.x", "a.y"), ("a.z",), ("a.c",)} == set(first)
    assert [(70,), (84, 91)] == [r.words for r in first["a.x", "a.y"]]
    assert [(3500,)] == [r.words for r in first["a.z",]]
    assert [(1,)] == [r.words for r in first["a.c",]]
    assert {GOOD} == {r.status for r in heard.readings}
    assert all(began.utc_ns <= r.at.utc_ns <= now().utc_ns for r in heard.readings)
    report = field.reports()[0]
    assert ("a", "north", True, 0, "") == (
        report.device,
        report.link,
        report.reachable,
        report.failed,
        report.last_error,
    )


def line_link(line: Any, **more: Any) -> dict[str, Any]:
    return {
        "kind": "modbus-rtu",
        "name": "row",
        "line": line.path,
        "baud": 115200,
        "timeout": "100 ms",
        **more,
    }


async def test_units_on_one_line_are_all_read(
    rtu_line: Any, site_of: Any, now: Any, heard: Any
) -> None:
    """Every unit of a serial line is read in turn over the one port."""
    devices = [device(f"d{i}", "row", unit_id=i) for i in (1, 2, 17)]
    points = [f"{d['name']}.{p}" for d in devices for p in "xyzc"]
    field = Field(site_of([line_link(rtu_line)], devices, [monitor()], points), now, heard)
    running = asyncio.create_task(field.run())
    await heard.until(lambda: len(heard.batches) >= 20)
    await stopped(running)
    assert set(points) == {r.point for r in heard.readings}
    assert {GOOD} == {r.status for r in heard.readings}
    assert {(70,)} == {r.words for r in heard.readings if r.point == "d17.x"}


async def test_a_dead_device_never_delays_a_live_one(
    tcp_device: Any, site_of: Any, now: Any, heard: Any
) -> None:
    """Behind one link that answers and one that does not, each device goes at its own pace."""
    live, dead = await tcp_device(), await tcp_device()
    dead.reply = lambda t, u, p: b""
    links = [link(live.port), link(dead.port, "south")]
    devices = [device("a"), device("b", "south")]
    site = site_of(links, devices, [monitor()], ["a.x", "b.x", "b.z", "b.c"])
    field = Field(site, now, heard)
    running = asyncio.create_task(field.run())
    await heard.until(lambda: len(heard.of("a")) >= 20)
    await stopped(running)
    a, b = field.reports()
    assert (True, 0, 0, False) == (a.reachable, a.failed, a.skipped, b.reachable)
    assert a.lateness_p99_s < 0.05
    assert {(BAD_TIMEOUT, ())} == {(r.status, r.words) for r in heard.of("b")}
    # One request of three went out in the first round; what was left out is told once.
    assert ["b.c", "b.x", "b.z"] == [r.point for r in heard.of("b")][:3]
    assert 1 == sum(r.point == "b.z" for r in heard.readings)
    assert b.skipped >= 2
    assert "device b: link south, unit 1, coil 3 (from 0): no answer" in b.last_error


async def test_after_a_failure_the_rest_of_the_round_is_left_out(
    tcp_device: Any, site_of: Any, now: Any, heard: Any
) -> None:
    """One time-out a round is paid for, not one for each request; all points are told bad."""
    server = await tcp_device()
    server.reply = lambda t, u, p: b""
    field = Field(
        site_of([link(server.port)], [device()], [monitor(poll={"normal": "10 s"})], POINTS),
        now,
        heard,
    )
    running = asyncio.create_task(field.run())
    await heard.until(lambda: len(heard.readings) >= 4)
    await stopped(running)
    report = field.reports()[0]
    assert (1, 1, 2) == (report.polls, report.failed, report.skipped)
    assert set(POINTS) == {r.point for r in heard.readings}
    assert 1 == len(server.requests)


async def test_a_refusal_is_the_one_requests_matter(
    tcp_device: Any, site_of: Any, now: Any, heard: Any
) -> None:
    """What a device refuses is bad, and told once; the device is reachable, the rest is read."""
    server = await tcp_device()
    server.reply = lambda t, u, p: (
        server.frame(t, u, b"\x84\x02") if p[0] == 4 else server.good(t, u, p)
    )
    field = Field(site_of([link(server.port)], [device()], [monitor()], POINTS), now, heard)
    with capture_logs() as lines:
        running = asyncio.create_task(field.run())
        await heard.until(lambda: len(heard.batches) >= 9)
        await stopped(running)
    report = field.reports()[0]
    told = [line["reason"] for line in lines if line["event"] == "device refuses"]
    assert [report.last_error] == told
    assert (True, 0) == (report.reachable, report.skipped)
    assert report.failed >= 3
    assert "exception 2 (illegal data address)" in report.last_error
    statuses = {r.point: r.status for r in heard.readings}
    assert {
        "a.x": GOOD,
        "a.y": GOOD,
        "a.z": BAD_COMMUNICATION_ERROR,
        "a.c": GOOD,
    } == statuses


async def test_a_device_that_comes_goes_and_comes_back(
    tcp_device: Any, site_of: Any, now: Any, heard: Any, unused_tcp_port: int
) -> None:
    """Never there, there, gone, there again: each has its status, and few lines in the log."""
    server = await tcp_device()
    await server.stop()
    health = {"backoff_first": "20 ms", "backoff_most": "100 ms"}
    site = site_of([link(server.port, **health)], [device()], [monitor()], ["a.x"])
    field = Field(site, now, heard)
    with capture_logs() as lines:
        running = asyncio.create_task(field.run())
        await heard.until(lambda: len(heard.readings) >= 1)
        assert BAD_NO_COMMUNICATION == heard.readings[0].status
        await server.start(server.port)
        await heard.until(lambda: heard.readings[-1].status == GOOD)
        await server.stop()
        await heard.until(lambda: heard.readings[-1].status == BAD_COMMUNICATION_ERROR)
        await server.start(server.port)
        await heard.until(lambda: heard.readings[-1].status == GOOD)
        await stopped(running)
    assert field.reports()[0].reachable
    assert 1 == len(lines)  # the later changes came within a minute
    assert ("device does not answer", "a") == (lines[0]["event"], lines[0]["device"])


async def test_a_fault_of_ours_at_one_device_costs_no_other_device_a_poll(
    tcp_device: Any, site_of: Any, now: Any, heard: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What nobody foresaw makes the values of that device bad, is told once, and stays there."""
    server = await tcp_device()
    links = [link(server.port, "north"), link(server.port, "south", backoff_first="20 ms")]
    devices = [device("a"), device("b", "south")]
    field = Field(site_of(links, devices, [monitor()], ["a.x", "b.x"]), now, heard)
    honest = TcpMaster.read

    async def read(master: TcpMaster, ask: Any) -> Any:
        if master.name == "south":
            raise ZeroDivisionError("a fault of ours")
        return await honest(master, ask)

    monkeypatch.setattr(TcpMaster, "read", read)
    with capture_logs() as lines:
        running = asyncio.create_task(field.run())
        await heard.until(
            lambda: running.done() or 10 <= len([r for r in heard.readings if r.point == "a.x"])
        )
        await heard.until(lambda: running.done() or field.reports()[1].failed >= 3)
        assert not running.done()
        await stopped(running)
    found = {r.point: r.status for r in heard.readings}
    assert {"a.x": GOOD, "b.x": BAD_COMMUNICATION_ERROR} == found
    assert "a fault of ours" in field.reports()[1].last_error
    assert 1 == len([line for line in lines if line["event"] == "reading failed"])


async def test_late_and_missed_polls_are_counted_and_not_made_up_for(
    tcp_device: Any, site_of: Any, now: Any, heard: Any
) -> None:
    """A device slower than its period is asked on its grid of times, and the misses counted."""
    server = await tcp_device()
    server.delay_s = 0.12
    field = Field(site_of([link(server.port)], [device()], [monitor()], ["a.x"]), now, heard)
    began_s = time.monotonic()
    running = asyncio.create_task(field.run())
    await heard.until(lambda: len(heard.readings) >= 6)
    elapsed_s = time.monotonic() - began_s
    await stopped(running)
    report = field.reports()[0]
    assert report.late >= 4
    periods = elapsed_s / 0.05
    assert periods - 3 <= report.polls + report.skipped <= periods + 2
    assert report.polls <= 7


async def test_poll_classes_keep_their_own_periods(
    tcp_device: Any, site_of: Any, now: Any, heard: Any
) -> None:
    """Fast points come fast, slow ones slowly, never in one request; a device may differ."""
    server = await tcp_device()
    profile = monitor(
        poll={"fast": "1 s", "slow": "200 ms"},
        points=(
            {"name": "x", "function": 3, "address": 10, "poll": "fast"},
            {"name": "y", "function": 3, "address": 11, "poll": "slow"},
        ),
    )
    devices = [device(poll={"fast": "20 ms"})]
    field = Field(site_of([link(server.port)], devices, [profile], ["a.x", "a.y"]), now, heard)
    running = asyncio.create_task(field.run())
    await heard.until(lambda: len(heard.batches) >= 60)
    await stopped(running)
    counts = [sum(r.point == p for r in heard.readings) for p in ("a.x", "a.y")]
    assert 7 <= counts[0] / counts[1] <= 13
    assert {1} == {len(batch) for batch in heard.batches}


async def test_a_dead_unit_leaves_the_line_to_the_live_one(
    rtu_line: Any, site_of: Any, now: Any, heard: Any
) -> None:
    """On a shared line a dead unit takes no more than its share, and a live one is not starved."""
    rtu_line.silent_units = {1}
    shared = line_link(rtu_line, backoff_first="10 ms", dead_device_share="10 %")
    devices = [device("dead", "row", unit_id=1), device("live", "row", unit_id=2)]
    profile = monitor(poll={"normal": "20 ms"})
    site = site_of([shared], devices, [profile], ["dead.x", "dead.z", "live.x"])
    field = Field(site, now, heard)
    began_s = time.monotonic()
    running = asyncio.create_task(field.run())
    await heard.until(lambda: len(heard.of("live")) >= 125)
    elapsed_s = time.monotonic() - began_s
    await stopped(running)
    probes = [at for at, frame in rtu_line.requests if frame[0] == 1]
    # Each probe costs the time-out of 100 ms; one may be under way beyond the share.
    assert len(probes) * 0.1 <= 0.1 * elapsed_s + 0.1
    assert elapsed_s < 1.4 * 125 * 0.02
    assert {GOOD} == {r.status for r in heard.of("live")}
    dead, live = field.reports()
    assert (False, True) == (dead.reachable, live.reachable)


async def test_read_once(tcp_device: Any, rtu_line: Any, site_of: Any, now: Any) -> None:
    """Named points are read once each, in the order asked, whatever their links do."""
    live, dead = await tcp_device(), await tcp_device()
    dead.reply = lambda t, u, p: b""
    links = [link(live.port), link(dead.port, "south"), line_link(rtu_line)]
    devices = [device("a"), device("b", "south"), device("c", "row", unit_id=5)]
    names = ["c.y", "b.x", "b.c", "a.z", "a.nothing", "nobody.x", "a.z"]
    field = Field(site_of(links, devices, [monitor()], ["a.x"]), now, pytest.fail)
    readings = await field.read_once(names)
    assert [
        ("c.y", (84, 91), GOOD),
        ("b.x", (), BAD_TIMEOUT),
        ("b.c", (), BAD_TIMEOUT),
        ("a.z", (3500,), GOOD),
        ("a.nothing", (), BAD_CONFIGURATION_ERROR),
        ("nobody.x", (), BAD_CONFIGURATION_ERROR),
    ] == [(r.point, r.words, r.status) for r in readings]
    assert (1, 1, 1) == (len(live.requests), len(dead.requests), len(rtu_line.requests))
    await live.all_closed()
    await dead.all_closed()


async def test_read_once_beside_running_polls(
    tcp_device: Any, site_of: Any, now: Any, heard: Any
) -> None:
    """A single read shares the connection of the polls and leaves it open."""
    server = await tcp_device()
    field = Field(site_of([link(server.port)], [device()], [monitor()], ["a.x"]), now, heard)
    running = asyncio.create_task(field.run())
    await heard.until(lambda: len(heard.readings) >= 2)
    assert [(3500,)] == [r.words for r in await field.read_once(["a.z"])]
    polls = len(heard.readings)
    await heard.until(lambda: len(heard.readings) >= polls + 3)
    await stopped(running)
    assert ({GOOD}, 1) == ({r.status for r in heard.readings}, server.connections)


async def test_cancelling_amid_everything(
    tcp_device: Any, rtu_line: Any, site_of: Any, now: Any, heard: Any
) -> None:
    """Cancelling ends within a second whatever is under way, and closes every connection."""
    slow = await tcp_device()
    slow.reply = lambda t, u, p: b""
    rtu_line.silent_units = {5}
    links = [link(slow.port, timeout="30 s"), line_link(rtu_line, timeout="30 s")]
    devices = [device("a"), device("c", "row", unit_id=5)]
    site = site_of(links, devices, [monitor()], ["a.x", "c.x"])
    for _ in range(2):
        field = Field(site, now, heard)
        slow.requests.clear()
        rtu_line.requests.clear()
        running = asyncio.create_task(field.run())
        await asyncio.wait({running}, timeout=0.3)
        assert (1, 1) == (len(slow.requests), len(rtu_line.requests))
        await stopped(running)


async def test_cancelling_as_a_reply_arrives(
    tcp_device: Any, site_of: Any, now: Any, heard: Any
) -> None:
    """Polling ends also when it is cancelled in the turn in which a reply comes."""
    server = await tcp_device()
    running: asyncio.Task[None] | None = None

    def cancel_and_tell_time() -> Any:
        assert running is not None
        running.cancel()
        return now()

    site = site_of([link(server.port)], [device()], [monitor()], ["a.x"])
    running = asyncio.create_task(Field(site, cancel_and_tell_time, heard).run())
    done, _ = await asyncio.wait({running}, timeout=2.0)
    assert {running} == done


async def test_a_point_that_cannot_be_read_is_refused_at_the_start(
    site_of: Any, now: Any, heard: Any
) -> None:
    """A site whose profile forbids one of its own points does not start, and says which."""
    profile = monitor(unreadable=({"function": 3, "first": 13, "last": 13},))
    with pytest.raises(ValueError, match=r"a\.y .*unreadable"):
        Field(site_of([link(1)], [device()], [profile], POINTS), now, heard)
