"""kill -9 of either side: what survives, and what nobody else notices."""

import asyncio
import itertools
import os
import random
import signal
import time
from pathlib import Path

import pytest

from gateway.archive.history import frames
from gateway.archive.journal_store import journal, verify
from gateway.chain import Chain
from gateway.service.wall import WallClient
from gateway.tags import FieldReport, Frame
from tests.scenarios.plant import Plant, running, serving

SCAN_S = 0.5


def archived(plant: Plant, machine: str) -> list[Frame]:
    return list(frames(plant.state / "archive.db", machine, 0, time.time_ns() + 10**12))


def scans_ns(found: list[Frame]) -> list[int]:
    return [b.at.monotonic_ns - a.at.monotonic_ns for a, b in itertools.pairwise(found)]


async def until(condition: object, within_s: float, what: str) -> None:
    deadline_s = time.monotonic() + within_s
    while not condition():  # type: ignore[operator]
        assert time.monotonic() < deadline_s, what
        await asyncio.sleep(0.05)


async def report_of(plant: Plant) -> FieldReport:
    found: asyncio.Future[FieldReport] = asyncio.get_running_loop().create_future()

    def take(report: FieldReport) -> None:
        if not found.done():
            found.set_result(report)

    reading = asyncio.create_task(
        WallClient(plant.state / "wall.sock").run(lambda frame: None, take)
    )
    try:
        return await asyncio.wait_for(found, 5.0)
    finally:
        reading.cancel()
        await asyncio.gather(reading, return_exceptions=True)


async def test_killing_the_plant_side_makes_no_scan_late_or_lost(tmp_path: Path) -> None:
    """Killed again and again, the plant side comes back; the field side does not notice."""
    with running(tmp_path, "healthy") as plant:
        await asyncio.sleep(2.0)
        before = await report_of(plant)
        field_pid = plant.pid("field-side")
        for _ in range(3):
            killed = plant.pid("plant-side")
            os.kill(killed, signal.SIGKILL)
            await until(
                lambda: plant.pid("plant-side") not in (None, killed),  # noqa: B023
                5.0,
                "not restarted",
            )
            await until(lambda: serving(plant), 15.0, "not serving again")
        after = await report_of(plant)
        assert field_pid == plant.pid("field-side")
        assert before.late_steps == after.late_steps
        for machine in ("U1", "U2", "U3"):
            found = archived(plant, machine)
            sequences = [f.sequence for f in found]
            assert list(range(sequences[0], sequences[0] + len(found))) == sequences
            assert max(scans_ns(found)) < 1.1 * SCAN_S * 1e9
        assert {d.device: 0 for d in after.devices} == {d.device: d.late for d in after.devices}


async def test_killing_the_field_side_loses_no_frame_and_no_alarm(tmp_path: Path) -> None:
    """What was served is on disk; sequence, alarm state and latch go on where they were."""
    with running(tmp_path, "sudden-fault-near-an-end") as plant:
        served: dict[str, Frame] = {}
        reading = asyncio.create_task(
            WallClient(plant.state / "wall.sock").run(
                lambda frame: served.__setitem__(frame.machine, frame), lambda report: None
            )
        )
        stage_1, stage_2 = "U1.EARTH_FAULT_STAGE_1", "U1.EARTH_FAULT_STAGE_2"
        await until(
            lambda: {"unacknowledged"} == {plant.alarms().get(a) for a in (stage_1, stage_2)},
            30.0,
            "no alarms were raised",
        )
        assert 0 == plant.run("alarms", "ack", stage_2, "--why", "seen").returncode
        seen = dict(served)
        os.kill(plant.pid("field-side"), signal.SIGKILL)
        last_served = {name: max(f.sequence, served[name].sequence) for name, f in seen.items()}
        await until(
            lambda: all(served[m].sequence > last_served[m] + 4 for m in last_served), 15.0, "dead"
        )
        reading.cancel()
        await asyncio.gather(reading, return_exceptions=True)
        for machine, sequence in last_served.items():
            found = archived(plant, machine)
            assert list(range(1, len(found) + 1)) == [f.sequence for f in found]
            assert len(found) > sequence
        states = plant.alarms()
        assert "acknowledged" == states[stage_2]
        assert "unacknowledged" == states[stage_1]
        raised = [t.alarm for f in archived(plant, "U1") for t in f.transitions if t.cue == "occur"]
        assert sorted(set(raised)) == sorted(raised), "an alarm was raised again by the restart"


async def test_killed_again_and_again_the_field_side_keeps_its_journal(tmp_path: Path) -> None:
    """Over kills under alarm traffic the journal verifies and has what the Frames have."""
    chance = random.Random(4)
    with running(tmp_path, "second-fault") as plant:
        path = plant.state / "archive.db"
        await until(
            lambda: "unacknowledged" in plant.alarms().values(), 30.0, "no alarm was raised"
        )
        head = None
        for _ in range(4):
            assert plant.run("alarms", "ack", "U1.EARTH_FAULT_STAGE_1").returncode in (0, 1)
            await asyncio.sleep(chance.uniform(0.0, 2.0))
            killed = plant.pid("field-side")
            os.kill(killed, signal.SIGKILL)
            verdict = verify(path, head)
            assert verdict.broken is None
            head = verdict.head
            await until(
                lambda: plant.pid("field-side") not in (None, killed),  # noqa: B023
                15.0,
                "not restarted",
            )
            await until(lambda: serving(plant), 15.0, "not serving again")
        plant.stop()
        verdict = verify(path, head)
        assert verdict.broken is None
        assert verdict.head.number > 4
        for machine in ("U1", "U2", "U3"):
            found = archived(plant, machine)
            assert list(range(1, len(found) + 1)) == [f.sequence for f in found]
            brought = [(f.sequence, t) for f in found for t in f.transitions]
            kept = [e for e in journal(path, 0, 2**63 - 1) if e.machine == machine]
            assert brought == [(e.sequence, e.transition) for e in kept]


async def test_recorded_readings_replay_to_the_same_bytes(tmp_path: Path) -> None:
    """The Readings and orders of an archived run give its Frames again, byte for byte."""
    with running(tmp_path, "second-fault") as plant:
        await until(
            lambda: "unacknowledged" in plant.alarms().values(), 30.0, "no alarm was raised"
        )
        plant.run("alarms", "ack", "U1.EARTH_FAULT_STAGE_1")
        plant.run("alarms", "reset", "U1.EARTH_FAULT_STAGE_1")
        os.kill(plant.pid("field-side"), signal.SIGKILL)
        await asyncio.sleep(5.0)
        plant.stop()
        for machine in ("U1", "U2", "U3"):
            found = archived(plant, machine)
            assert len(found) > 20
            chain = Chain(plant.site, machine)
            for frame in found:
                again = chain.step(frame.readings, frame.at, frame.commands, frame.gateway)
                assert frame.encode() == again.encode()
        assert any(t.refusal for f in archived(plant, "U1") for t in f.transitions)


@pytest.mark.parametrize("after_s", [0.0, 0.7, 5.0])
async def test_demo_stops_within_two_seconds_and_leaves_nobody(
    tmp_path: Path, after_s: float
) -> None:
    """SIGTERM at any moment ends every process in two seconds, with exit code 0."""
    plant = Plant(tmp_path, "healthy", edit=lambda text: text)
    await until(lambda: plant.pid("simulator"), 10.0, "not started")
    await asyncio.sleep(after_s)
    pids = [int(f.read_text()) for f in plant.state.glob("*.pid")]
    took_s = plant.stop()
    assert took_s < 2.0
    assert 0 == plant.process.returncode
    for pid in pids:
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)


async def test_stale_values_are_shown_as_stale_while_the_field_side_stands_still(
    tmp_path: Path,
) -> None:
    """A field side that hangs (stopped, not dead) turns every served value stale."""
    with running(tmp_path, "healthy") as plant:
        deadline_s = time.monotonic() + 20.0
        while any(not code.is_good for _, code, _, _ in (await plant.over_modbus()).values()):
            assert time.monotonic() < deadline_s, "not everything is measured"
            await asyncio.sleep(0.5)
        os.kill(plant.pid("field-side"), signal.SIGSTOP)
        try:
            await asyncio.sleep(5.0)
            registers = await plant.over_modbus()
            served = await plant.over_opcua()
        finally:
            os.kill(plant.pid("field-side"), signal.SIGCONT)
        names = {t.tag for t in plant.site.tags}
        want = "UncertainNoCommunicationLastUsableValue"
        assert {want} == {registers[tag][1].name for tag in names}
        assert {1} == {registers[tag][2] for tag in names}
        assert {want} == {served[tag][1].name for tag in names}
