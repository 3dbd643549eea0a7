"""The field side as a whole, on devices that nobody plays."""

import asyncio
import time
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from gateway.archive.history import frames
from gateway.archive.journal_store import journal, journal_frame, verify
from gateway.archive.layout import StoreError
from gateway.archive.store import Store
from gateway.chain import Chain
from gateway.service import field_side as field_side_module
from gateway.service import surroundings
from gateway.service.field_side import ARCHIVE, field_side
from gateway.service.wall import WALL, WallClient
from gateway.site.installed import Site
from gateway.site.read import read
from gateway.tags import Command, Frame, Instant, Order

CONFIG = Path(__file__).parents[2] / "config"


def site_in(directory: Path) -> Site:
    (directory / "profiles").symlink_to(CONFIG / "profiles")
    path = directory / "site.yaml"
    path.write_text((CONFIG / "demo.yaml").read_text().replace("scan: 500 ms", "scan: 100 ms"))
    return read(path)[0]


async def run_for(site: Site, state: Path, seconds: float) -> None:
    stop = asyncio.Event()
    running = asyncio.create_task(field_side(site, state, stop))
    await asyncio.sleep(seconds)
    stop.set()
    await asyncio.wait_for(running, 5.0)


async def test_unreadable_chain_state_costs_the_state_and_no_frame(tmp_path: Path) -> None:
    """After an upgrade or damage the chain begins anew, and its Frames are archived."""
    site = site_in(tmp_path)
    store = await Store.open(tmp_path / ARCHIVE, max_size_bytes=2**24)
    moment = Instant(time.time_ns(), time.monotonic_ns())
    last = Frame("U1", 41, moment, (), (), (), (), ())
    await store.write([(last, {"alarms": b'{"of": "another version"}'})])
    await store.close()
    await run_for(site, tmp_path, 1.5)
    found = [f.sequence for f in frames(tmp_path / ARCHIVE, "U1", 0, time.time_ns() + 10**9)]
    assert list(range(41, 41 + len(found))) == found
    assert len(found) > 5


async def test_everything_that_was_stepped_is_on_disk_after_a_stop(tmp_path: Path) -> None:
    """A second run goes on with the number after the last one of the first run."""
    site = site_in(tmp_path)
    for _ in range(2):
        await run_for(site, tmp_path, 1.0)
    for machine in ("U1", "U2", "U3"):
        found = [f.sequence for f in frames(tmp_path / ARCHIVE, machine, 0, time.time_ns() + 10**9)]
        assert list(range(1, 1 + len(found))) == found
        assert len(found) > 10


async def test_a_step_that_fails_costs_no_other_machine_a_frame(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A fault of ours in one machine's chain is told in the log, and the others go on."""
    site = site_in(tmp_path)
    honest = Chain.step

    def step(chain: Chain, *given: Any) -> Frame:
        if chain.machine.name == "U2":
            raise ZeroDivisionError("a fault of ours")
        return honest(chain, *given)

    monkeypatch.setattr(Chain, "step", step)
    with capture_logs() as lines:
        await run_for(site, tmp_path, 1.5)
    for machine in ("U1", "U3"):
        found = [f.sequence for f in frames(tmp_path / ARCHIVE, machine, 0, time.time_ns() + 10**9)]
        assert list(range(1, 1 + len(found))) == found
        assert len(found) > 10
    assert ["U2"] == [line["machine"] for line in lines if line["event"] == "step failed"]


async def test_an_order_whose_step_failed_is_refused_and_the_next_one_is_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who ordered hears that the step failed; the chain goes on from where it was."""
    site = site_in(tmp_path)
    honest = Chain.step
    failures = ["a fault of ours"]

    def step(chain: Chain, readings: Any, now: Any, commands: Any, *rest: Any) -> Frame:
        if commands and failures:
            raise ZeroDivisionError(failures.pop())
        return honest(chain, readings, now, commands, *rest)

    monkeypatch.setattr(Chain, "step", step)
    client = WallClient(tmp_path / WALL)
    served: list[Frame] = []
    reading = asyncio.create_task(client.run(served.append, lambda report: None))
    running = asyncio.create_task(run_for(site, tmp_path, 2.0))
    order = Command(Order.ACKNOWLEDGE, "U1.EARTH_FAULT_STAGE_1", "Ida Holm")
    first, second = await client.order(order), await client.order(order)
    await running
    reading.cancel()
    assert "the step that should have taken the order failed; the log tells why" == first
    assert second.startswith("the alarm is normal")
    found = [f.sequence for f in served if f.machine == "U1"]
    assert list(range(found[0], found[0] + len(found))) == found


async def test_what_a_step_without_a_frame_did_is_undone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A Frame that cannot be encoded takes its step with it: no alarm moves without its entry."""
    site = site_in(tmp_path)
    honest = Frame.encode
    failures = ["a fault of ours"]

    def encode(frame: Frame) -> bytes:
        if frame.commands and failures:
            raise ZeroDivisionError(failures.pop())
        return honest(frame)

    monkeypatch.setattr(Frame, "encode", encode)
    client = WallClient(tmp_path / WALL)
    reading = asyncio.create_task(client.run(lambda frame: None, lambda report: None))
    running = asyncio.create_task(run_for(site, tmp_path, 1.5))
    order = Command(Order.REMOVE, "U1.EARTH_FAULT_STAGE_1", "Ida Holm", "tests of the winding")
    first, second = await client.order(order), await client.order(order)
    await running
    reading.cancel()
    assert first.startswith("the step that should have taken the order failed")
    assert "" == second
    found = list(frames(tmp_path / ARCHIVE, "U1", 0, time.time_ns() + 10**9))
    assert list(range(1, 1 + len(found))) == [f.sequence for f in found]
    assert ["remove from service"] == [
        t.cue for f in found for t in f.transitions if t.alarm == order.alarm
    ]


async def test_a_disk_that_refuses_is_told_once_and_the_frames_are_served(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that stays full costs the archive its Frames, the plant none, and the log a line."""
    site = site_in(tmp_path)

    async def refuse(store: Store, steps: Any) -> None:
        raise StoreError("disk is full")

    monkeypatch.setattr(Store, "write", refuse)
    served: list[Frame] = []
    reading = asyncio.create_task(
        WallClient(tmp_path / WALL).run(served.append, lambda report: None)
    )
    with capture_logs() as lines:
        await run_for(site, tmp_path, 1.5)
    reading.cancel()
    own = [f for f in served if f.machine == "U1"]
    assert len(own) > 5
    # Each Frame is refused before the next one, which says so.
    assert {1} == {f.gateway.unarchived_frames for f in own[2:]}
    assert ["disk is full"] == [
        line["reason"] for line in lines if line["event"] == "frames not archived"
    ]


async def test_what_alarms_did_while_the_disk_refused_is_journaled_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An order of the time in which the disk was full is in the journal when there is room again,
    in its place, with its Frame."""
    site = site_in(tmp_path)
    honest = Store.write
    full = True

    async def write(store: Store, steps: Any) -> None:
        if full:
            raise StoreError("disk is full")
        await honest(store, steps)

    monkeypatch.setattr(Store, "write", write)
    client = WallClient(tmp_path / WALL)
    reading = asyncio.create_task(client.run(lambda frame: None, lambda report: None))
    running = asyncio.create_task(run_for(site, tmp_path, 2.0))
    alarm = "U2.LIGHT_LOW"
    for order in (Order.REMOVE, Order.RETURN):
        assert "" == await client.order(Command(order, alarm, "Ida Holm", "tests"))
        await asyncio.sleep(0.3)
    full = False
    assert "" == await client.order(Command(Order.REMOVE, alarm, "Ida Holm", "tests"))
    await running
    reading.cancel()
    path = tmp_path / ARCHIVE
    entries = [e for e in journal(path, 0, time.time_ns() + 10**9) if e.transition.alarm == alarm]
    expected = ["remove from service", "return to service", "remove from service"]
    assert expected == [e.transition.cue for e in entries]
    assert [1, 1, 1] == [len(journal_frame(path, e.number).commands) for e in entries]
    assert None is verify(path).broken
    written = [f.sequence for f in frames(path, "U2", 0, time.time_ns() + 10**9)]
    assert sorted(set(written)) == written
    assert len(written) > 5


async def test_each_frame_says_how_the_gateway_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A clock that is set, late steps and a changed site file are in the machine's Frames."""
    site = site_in(tmp_path)
    monkeypatch.setattr(surroundings, "LOOK_PERIOD_S", 0.1)
    set_forward_ns = 0

    def now() -> Instant:
        return Instant(time.time_ns() + set_forward_ns, time.monotonic_ns())

    monkeypatch.setattr(field_side_module, "now", now)
    running = asyncio.create_task(run_for(site, tmp_path, 2.5))
    await asyncio.sleep(0.8)
    set_forward_ns = 7_000_000_000
    await asyncio.sleep(0.5)
    with (tmp_path / "site.yaml").open("a") as file:
        file.write("# another one")
    time.sleep(0.35)  # noqa: ASYNC251 the loop stands still: the next step is late
    await running
    found = list(frames(tmp_path / ARCHIVE, "U1", 0, time.time_ns() + 10**11))
    assert {1.0} == {f.gateway.archive_room for f in found}
    assert {0} == {f.gateway.unarchived_frames for f in found}
    assert [7.0] == [
        pytest.approx(f.gateway.clock_step_s, abs=0.05) for f in found if f.gateway.clock_step_s
    ]
    assert 0.0 == found[3].gateway.late_share
    assert found[-1].gateway.late_share >= 0.016
    changed = [f.gateway.configuration_changed for f in found]
    assert (False, True) == (changed[0], changed[-1])
    assert sorted(changed) == changed
