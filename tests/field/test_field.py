"""The door of the field room: what is delivered, and when, over real connections."""

import asyncio

from gateway.field import Field
from gateway.tags import (
    BAD_COMMUNICATION_ERROR,
    BAD_CONFIGURATION_ERROR,
    BAD_NO_COMMUNICATION,
    BAD_TIMEOUT,
    GOOD,
)


def link(port, name="north", **more):
    return {
        "kind": "modbus-tcp",
        "name": name,
        "host": "127.0.0.1",
        "port": port,
        "timeout": "200 ms",
        **more,
    }


def device(name="a", link="north", **more):
    return {"name": name, "link": link, "profile": "monitor", **more}


def monitor(**more):
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


async def stopped(task):
    task.cancel()
    async with asyncio.timeout(1.0):
        await asyncio.wait({task})


async def test_points_of_one_request_are_delivered_together(tcp_device, site_of, now, heard):
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


def line_link(line, **more):
    return {
        "kind": "modbus-rtu",
        "name": "row",
        "line": line.path,
        "baud": 115200,
        "timeout": "100 ms",
        **more,
    }


async def test_units_on_one_line_are_all_read(rtu_line, site_of, now, heard):
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
