"""Metrics and health as a collector and a probe meet them."""

import asyncio
import contextlib
import http.client
import json
import resource
import signal
import socket
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client import generate_latest
from prometheus_client.parser import text_string_to_metric_families
from structlog.testing import capture_logs

from gateway.serve.http import HttpOutlet
from gateway.serve.metrics import feed_registry
from gateway.serve.outlet import Feed
from gateway.site.installed import Site
from gateway.tags import BAD_SENSOR_FAILURE, GOOD, AlarmState, Sample
from tests.serve.sites import Clock, Orders, free_port, make_frame, make_report, make_site


@dataclass(frozen=True)
class Answer:
    status_code: int
    headers: Mapping[str, str]  # names in lower case
    text: str

    def json(self) -> Any:
        return json.loads(self.text)


@dataclass(frozen=True)
class Client:
    """A plain HTTP client that leaves the event loop free."""

    port: int

    async def get(self, path: str, accept: str = "*/*") -> Answer:
        return await self.request("GET", path, accept)

    async def request(self, method: str, path: str, accept: str = "*/*") -> Answer:
        return await asyncio.to_thread(self._request, method, path, accept)

    def _request(self, method: str, path: str, accept: str) -> Answer:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=5)
        try:
            connection.request(method, path, headers={"Accept": accept})
            answer = connection.getresponse()
            headers = {name.lower(): value for name, value in answer.getheaders()}
            return Answer(answer.status, headers, answer.read().decode())
        finally:
            connection.close()


@contextlib.asynccontextmanager
async def outlet() -> AsyncIterator[tuple[Feed, Clock, Client]]:
    port = free_port()
    site = make_site({"http": {"port": port}})
    clock = Clock()
    feed = Feed(site, clock)
    served = HttpOutlet(site, feed, Orders())
    await served.start()
    try:
        yield feed, clock, Client(port)
    finally:
        async with asyncio.timeout(5):
            await served.stop()


def metrics(text: str) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    """All series, read by the metrics library's own parser."""
    return {
        (s.name, tuple(sorted(s.labels.items()))): s.value
        for family in text_string_to_metric_families(text)
        for s in family.samples
    }


async def test_health_follows_the_frames() -> None:
    """503 with a reason for each silent machine, 200 while Frames of all of them arrive."""
    async with outlet() as (feed, clock, client):
        answer = await client.get("/healthz")
        assert (503, 2) == (answer.status_code, len(answer.json()["reasons"]))
        for name in ("G1", "G2"):
            feed.take(make_frame(name, clock, []))
        answer = await client.get("/healthz")
        assert (200, {"status": "healthy", "reasons": []}) == (answer.status_code, answer.json())
        clock.advance(4)
        feed.take(make_frame("G2", clock, []))
        answer = await client.get("/healthz")
        assert 503 == answer.status_code
        assert ["machine G1: frames from the field side stand still"] == answer.json()["reasons"]


async def test_bad_tag_has_a_status_and_no_value() -> None:
    """A value appears only while the tag is not bad; its status always does."""
    async with outlet() as (feed, clock, client):
        feed.take(
            make_frame(
                "G1",
                clock,
                [
                    Sample("G1.R", 47.25, GOOD, clock.utc_ns),
                    Sample("G1.U", None, BAD_SENSOR_FAILURE, clock.utc_ns),
                    Sample("G1.FAULT", True, GOOD, clock.utc_ns),
                ],
                [("G1.R.LOW", AlarmState.UNACKNOWLEDGED)],
            )
        )
        clock.advance(0.5)
        answer = await client.get("/metrics")
        assert 200 == answer.status_code
        found = metrics(answer.text)
    g1 = ("machine", "G1")
    assert 47.25 == found["rotor_tag_value", (g1, ("tag", "G1.R"), ("unit", "kohm"))]
    assert 1 == found["rotor_tag_value", (g1, ("tag", "G1.FAULT"), ("unit", ""))]
    assert not any(n == "rotor_tag_value" and ("tag", "G1.U") in k for n, k in found)
    assert 0x808C0000 == found["rotor_tag_status", (g1, ("tag", "G1.U"))]
    assert 0.5 == found["rotor_tag_age_seconds", (g1, ("tag", "G1.R"))]
    assert 1 == found["rotor_alarm_active", (("alarm", "G1.R.LOW"), g1)]
    assert (1, 0) == tuple(
        found["rotor_alarm_judged", (("alarm", a), g1)] for a in ("G1.R.LOW", "G1.R.TRIP")
    )
    assert 1 == found["rotor_frames_received_total", ()]


async def test_field_report_is_rendered() -> None:
    """Every device of the newest report has its counters."""
    async with outlet() as (feed, _, client):
        assert "rotor_device" not in (await client.get("/metrics")).text
        feed.take_report(make_report([True, False]))
        found = metrics((await client.get("/metrics")).text)
    mon1 = (("device", "mon1"), ("link", "net"))
    assert (0, 100, 3, 2, 1, 0.004) == tuple(
        found[f"rotor_device_{what}", mon1]
        for what in (
            "reachable",
            "polls_total",
            "polls_failed_total",
            "polls_late_total",
            "polls_skipped_total",
            "lateness_p99_seconds",
        )
    )
    assert (50, 1, 4096, 49) == tuple(
        found[f"rotor_{what}", ()]
        for what in ("steps_total", "late_steps_total", "archive_bytes", "archive_frames_total")
    )


@given(st.text(max_size=30))
def test_any_label_survives_its_escaping(device: str) -> None:
    """Quotes, backslashes and line ends in a name come back as they were, on one line."""
    site: Site = make_site({})
    feed = Feed(site, Clock())
    feed.take_report(make_report([True], device))
    text = generate_latest(feed_registry(site, feed)).decode()
    series = [
        s
        for family in text_string_to_metric_families(text)
        for s in family.samples
        if s.name == "rotor_device_reachable"
    ]
    assert [device + "0"] == [s.labels["device"] for s in series]


async def test_every_answer_has_the_security_headers_and_there_is_no_other_page() -> None:
    """Pages, refusals and errors alike carry the headers; nothing else is served."""
    async with outlet() as (_, _, client):
        for method, path, status in (
            ("GET", "/metrics", 200),
            ("HEAD", "/healthz", 503),
            ("POST", "/metrics", 405),
            ("GET", "/", 404),
            ("GET", "/docs", 404),
        ):
            answer = await client.request(method, path)
            assert (path, status) == (path, answer.status_code)
            assert "nosniff" == answer.headers["x-content-type-options"]
            assert (
                "default-src 'none'; frame-ancestors 'none'"
                == (answer.headers["content-security-policy"])
            )
            assert "no-store" == answer.headers["cache-control"]
            assert "server" not in answer.headers


async def test_openmetrics_is_given_to_who_asks() -> None:
    """The exposition format is negotiated."""
    async with outlet() as (_, _, client):
        answer = await client.get("/metrics", "application/openmetrics-text; version=1.0.0")
        assert answer.headers["content-type"].startswith("application/openmetrics-text")
        assert answer.text.endswith("# EOF\n")
        plain = await client.get("/metrics")
        assert plain.headers["content-type"].startswith("text/plain")


async def test_connections_that_ask_nothing_are_bounded_and_end(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A hundred that never ask get 64 places, and lose those in time, whatever they dribble."""
    monkeypatch.setattr("gateway.serve.http._ASKS_WITHIN_S", 0.6)
    async with outlet() as (_, _, client):
        opened = [await asyncio.open_connection("127.0.0.1", client.port) for _ in range(100)]
        closed: list[int] = []

        async def watch(number: int) -> None:
            with contextlib.suppress(ConnectionError):
                await opened[number][0].read()
            closed.append(number)

        async with asyncio.timeout(5), asyncio.TaskGroup() as watching:
            for number in range(100):
                watching.create_task(watch(number))
            await asyncio.sleep(0.2)
            assert 100 - 64 == len(closed)
            while len(closed) < 100:
                for _, writer in opened:
                    writer.write(b"G")
                await asyncio.sleep(0.1)
        assert 503 == (await client.get("/healthz")).status_code
        for _, writer in opened:
            writer.close()


async def test_a_rush_of_connections_does_not_take_every_file(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Six hundred that come between two turns of the loop do not cost the others their files."""
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    async with outlet() as (_, _, client):
        await client.get("/healthz")  # it listens with its own backlog from now on
        rush = [socket.socket() for _ in range(600)]
        highest = max(tried.fileno() for tried in rush)
        resource.setrlimit(resource.RLIMIT_NOFILE, (highest + 400, before[1]))
        try:
            for tried in rush:
                tried.setblocking(False)
                tried.connect_ex(("127.0.0.1", client.port))
            await asyncio.sleep(0.5)
        finally:
            resource.setrlimit(resource.RLIMIT_NOFILE, before)
            for tried in rush:
                tried.close()
    assert [] == [r.getMessage() for r in caplog.records if r.name == "asyncio"]


async def test_bad_requests_do_not_fill_the_log(caplog: pytest.LogCaptureFixture) -> None:
    """What is no HTTP is answered with 400 and leaves no line."""
    async with outlet() as (_, _, client):
        for _ in range(20):
            reader, writer = await asyncio.open_connection("127.0.0.1", client.port)
            writer.write(b"\x00\x01\x00\x00\x00\x06\r\n\r\n")
            assert b"400" in await reader.read()
            writer.close()
    assert [] == [r.getMessage() for r in caplog.records if r.name.startswith("uvicorn")]


async def test_a_server_that_fails_is_told_of(monkeypatch: pytest.MonkeyPatch) -> None:
    """What ends the server is an error in the log at once, not only when the gateway stops."""

    async def fail(self: object, sockets: object) -> None:
        raise RuntimeError("out of everything")

    monkeypatch.setattr("gateway.serve.http._Embedded.serve", fail)
    served = HttpOutlet(
        make_site({"http": {"port": free_port()}}), Feed(make_site({}), Clock()), Orders()
    )
    with capture_logs() as lines:
        await served.start()
        await asyncio.sleep(0.05)
    with pytest.raises(RuntimeError):
        await served.stop()
    assert [("error", "out of everything")] == [
        (line["log_level"], line["why"]) for line in lines if "why" in line
    ]


async def test_signals_of_the_process_stay_with_the_process() -> None:
    """Serving HTTP takes no signal handler away, and the port is free after the stop."""
    before = signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)
    async with outlet() as (_, _, client):
        assert before == (signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM))
        port = client.port
    server = await asyncio.start_server(lambda r, w: w.close(), "127.0.0.1", port)
    server.close()
    await server.wait_closed()
