"""The simulator through its door: real sockets, a real pseudo-terminal, a real Modbus client."""

from __future__ import annotations

import asyncio
import os
import struct
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from pymodbus import ModbusException
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient

from simulator.run import SimulatorError, run

if TYPE_CHECKING:
    from tests.simulator.conftest import Serve, Served, Write

PULSE = struct.Struct(">HH6fhHH")


@asynccontextmanager
async def tcp(served: Served, offset: int) -> AsyncIterator[AsyncModbusTcpClient]:
    """Connect to one of the plant's TCP ports."""
    client = AsyncModbusTcpClient(
        "127.0.0.1", port=served.port_base + offset, timeout=0.5, retries=0, reconnect_delay=0
    )
    assert await client.connect()
    try:
        yield client
    finally:
        client.close()


@asynccontextmanager
async def rtu(served: Served, timeout_s: float = 0.3) -> AsyncIterator[AsyncModbusSerialClient]:
    """Connect to the plant's RTU line."""
    client = AsyncModbusSerialClient(
        str(served.line_dir / "line-u3"),
        baudrate=19200,
        timeout=timeout_s,
        retries=0,
        reconnect_delay=0,
    )
    assert await client.connect()
    try:
        yield client
    finally:
        client.close()


async def pulse(
    client: AsyncModbusTcpClient | AsyncModbusSerialClient, unit: int
) -> tuple[float, ...]:
    """Read a pulse monitor's 17 registers in one request."""
    answer = await client.read_input_registers(0, count=17, device_id=unit)
    assert not answer.isError()
    return PULSE.unpack(struct.pack(">17H", *answer.registers))


async def becomes(wanted: bool, read: Callable[[], Awaitable[bool]]) -> None:
    """Wait until what is read is what is wanted, 5 s at most."""
    async with asyncio.timeout(5):
        while await read() != wanted:  # noqa: ASYNC110
            await asyncio.sleep(0.05)


async def test_all_devices_answer_as_their_maps_say(scenario: Write, serve: Serve) -> None:
    """Every device of the plant is read with its function, unit and registers."""
    async with serve(scenario()) as served:
        async with tcp(served, 0) as client:
            (
                status,
                _,
                plus_ua,
                minus_ua,
                *_,
                own_kohm,
                own_percent,
                tenths,
                ohms,
                link,
            ) = await pulse(client, 1)
            assert (1, 750, 0) == (status, tenths, link)
            assert pytest.approx(50, abs=13) == ohms  # a new brush of 5 ohm
            # 5 Mohm in the middle: (50 V + 175 V) and (-50 V + 175 V) over 5.02 Mohm.
            assert pytest.approx(44.82, abs=0.2) == plus_ua
            assert pytest.approx(24.90, abs=0.2) == minus_ua
            assert pytest.approx(5000, rel=0.02) == own_kohm
            assert pytest.approx(50, abs=1) == own_percent
        async with tcp(served, 1) as client:
            head = await client.read_holding_registers(0, count=5, device_id=1)
            # (24 V + 125 V) over 5.012 Mohm is 29.7 uA, low word first.
            assert pytest.approx(30, abs=3) == head.registers[2]
            assert 0 == head.registers[3]
            assert pytest.approx(2500, abs=6) == head.registers[4]
            light = await client.read_holding_registers(8, count=1, device_id=1)
            assert pytest.approx(950, abs=20) == light.registers[0]
        async with tcp(served, 2) as client:
            counts = await client.read_input_registers(0, count=8, device_id=10)
            # 100 % speed and 80 % load on 0 to 120 %: 13.33 and 10.67 mA above 4 mA.
            assert pytest.approx([23040, 18432], abs=35) == counts.registers[3:5]
            circuits = await client.read_discrete_inputs(0, count=8, device_id=11)
            assert [True] * 7 + [False] == circuits.bits[:8]
        async with rtu(served) as client:
            assert pytest.approx(5000, rel=0.02) == (await pulse(client, 3))[6]


@pytest.mark.parametrize(
    ("offset", "call", "address", "count", "unit", "code"),
    [
        (0, "read_input_registers", 16, 2, 1, 2),
        (0, "read_holding_registers", 0, 1, 1, 1),
        (1, "read_holding_registers", 4, 2, 1, 2),
        (1, "read_holding_registers", 7, 2, 1, 2),
        (1, "read_input_registers", 0, 1, 1, 1),
        (2, "read_input_registers", 8, 1, 10, 2),
        (2, "read_discrete_inputs", 8, 1, 11, 2),
        (2, "read_coils", 0, 1, 11, 1),
        (2, "read_input_registers", 0, 1, 99, 0x0B),
    ],
)
async def test_what_is_not_there_is_refused(
    scenario: Write,
    serve: Serve,
    offset: int,
    call: str,
    address: int,
    count: int,
    unit: int,
    code: int,
) -> None:
    """Wrong addresses, functions and units get the exception of Modbus V1.1b3, clause 7."""
    async with serve(scenario()) as served, tcp(served, offset) as client:
        answer = await getattr(client, call)(address, count=count, device_id=unit)
        assert answer.isError()
        assert code == answer.exception_code


async def test_a_write_changes_nothing(scenario: Write, serve: Serve) -> None:
    """Devices refuse to be written with exception 1."""
    async with serve(scenario()) as served, tcp(served, 1) as client:
        assert 1 == (await client.write_register(0, 9, device_id=1)).exception_code
        assert 1 == (await client.read_holding_registers(0, count=1, device_id=1)).registers[0]


async def test_registers_of_one_cycle_change_together(scenario: Write, serve: Serve) -> None:
    """While a fault toggles, no read mixes one cycle's currents with another's verdict."""
    told = scenario(
        "  - {at: 0 s, machine: U1, fault: {location: 0.5, resistance: 5 kohm}}\n"
        "  - {at: 1 s, machine: U1, fault: {location: 0.5, resistance: 50 kohm}}\n",
        head="repeat: 2 s\n",
    )
    verdicts = set()
    async with serve(told, speed=100) as served, tcp(served, 0) as client:
        for _ in range(200):
            _, _, plus_ua, minus_ua, *_, own_kohm, _, _, _, _ = await pulse(client, 1)
            assert pytest.approx(100e3 / (plus_ua - minus_ua) - 20, abs=0.05) == own_kohm
            verdicts.add(round(own_kohm / 10))
    assert {0, 5} <= verdicts


async def test_a_silent_device_takes_connections_and_says_nothing(
    scenario: Write, serve: Serve
) -> None:
    """A dead monitor times out, and answers again when it is healthy."""
    told = scenario(
        "  - {at: 0 s, device: u2-monitor, state: silent}\n"
        "  - {at: 20 s, device: u2-monitor, state: healthy}\n"
    )
    async with serve(told, speed=20) as served, tcp(served, 1) as client:
        with pytest.raises(ModbusException, match="No response"):
            await client.read_holding_registers(0, count=1, device_id=1)

        async def answered() -> bool:
            try:
                return not (await client.read_holding_registers(0, count=1, device_id=1)).isError()
            except ModbusException:
                return False

        await becomes(True, answered)


async def test_a_refusing_device_closes_its_port(scenario: Write, serve: Serve) -> None:
    """A refused port takes no connection and drops the one it has; later it is open again."""
    told = scenario(
        "  - {at: 10 s, device: u2-monitor, state: refused}\n"
        "  - {at: 30 s, device: u2-monitor, state: healthy}\n"
    )
    async with serve(told, speed=20) as served:

        async def opened() -> bool:
            try:
                _, writer = await asyncio.open_connection("127.0.0.1", served.port_base + 1)
            except ConnectionRefusedError:
                return False
            writer.close()
            return True

        reader, writer = await asyncio.open_connection("127.0.0.1", served.port_base + 1)
        await becomes(False, opened)
        assert b"" == await asyncio.wait_for(reader.read(), 1)
        writer.close()
        await becomes(True, opened)


async def test_absent_and_silent_units_of_a_line_say_nothing(scenario: Write, serve: Serve) -> None:
    """On a multi-drop line nobody answers for a unit that is not there or is dead."""
    told = scenario("  - {at: 10 s, device: u3-monitor, state: silent}\n")
    async with serve(told, speed=10) as served, rtu(served) as client:
        with pytest.raises(ModbusException, match="No response"):
            await client.read_input_registers(0, count=1, device_id=9)
        assert 1 == (await pulse(client, 3))[0]

        async def silent() -> bool:
            try:
                await pulse(client, 3)
            except ModbusException:
                return True
            return False

        await becomes(True, silent)


async def test_a_noisy_line_loses_some_answers_and_delivers_no_wrong_one(
    scenario: Write, serve: Serve
) -> None:
    """Of 60 polls some fail and most arrive, all of them with believable values."""
    told = scenario("  - {at: 0 s, line: line-u3, bit_flips: 0.5 %}\n")
    good = bad = 0
    async with serve(told) as served, rtu(served, 0.15) as client:
        for _ in range(60):
            try:
                reading = await pulse(client, 3)
            except ModbusException:
                bad += 1
                continue
            good += 1
            assert pytest.approx(5000, rel=0.02) == reading[6]
    assert bad > 0
    assert good > bad


async def test_a_line_can_be_left_and_taken_again(scenario: Write, serve: Serve) -> None:
    """A second client finds the line as the first did, even after half a request."""
    async with serve(scenario()) as served:
        async with rtu(served) as first:
            assert 1 == (await pulse(first, 3))[0]
        terminal = os.open(served.line_dir / "line-u3", os.O_RDWR | os.O_NOCTTY)
        os.write(terminal, bytes.fromhex("03 04 00"))
        os.close(terminal)
        async with rtu(served) as second:

            async def answered() -> bool:
                try:
                    return (await pulse(second, 3))[0] == 1
                except ModbusException:
                    return False

            await becomes(True, answered)


async def test_bytes_take_their_time_on_the_line(scenario: Write, serve: Serve) -> None:
    """A request of 8 and an answer of 39 characters need 26.9 ms at 19200 baud (11 bits each)."""
    async with serve(scenario()) as served, rtu(served) as client:
        began_s = time.perf_counter()
        await pulse(client, 3)
        assert time.perf_counter() - began_s > 47 * 11 / 19200


async def test_speed_multiplies_scenario_time(scenario: Write, serve: Serve) -> None:
    """At 50 times the speed the heartbeat of one-second cycles beats 50 times a second."""
    async with serve(scenario(), speed=50) as served, tcp(served, 0) as client:
        first, began_s = (await pulse(client, 1))[1], time.perf_counter()
        await asyncio.sleep(0.4)
        beats, gone_s = (await pulse(client, 1))[1] - first, time.perf_counter() - began_s
    assert pytest.approx(50 * gone_s, abs=3) == beats


async def test_it_stops_within_a_second_and_leaves_nothing(scenario: Write, serve: Serve) -> None:
    """With clients connected it stops at once; link and file descriptors are gone."""
    before = set(os.listdir("/proc/self/fd"))
    async with serve(scenario()) as served:
        async with tcp(served, 0) as client, rtu(served) as serial:
            await pulse(client, 1)
            await pulse(serial, 3)
            began_s = time.perf_counter()
            served.stop.set()
            await asyncio.wait_for(served.task, 1)
            assert time.perf_counter() - began_s < 1
            assert [] == list(served.line_dir.iterdir())
    await asyncio.sleep(0.05)
    assert before == set(os.listdir("/proc/self/fd"))


async def test_cancelling_leaves_nothing_either(scenario: Write, serve: Serve) -> None:
    """A cancelled run ends cancelled, closes its ports and takes its link away."""
    async with serve(scenario()) as served:
        served.task.cancel()
        await asyncio.wait({served.task}, timeout=1)
        assert served.task.cancelled()
        assert [] == list(served.line_dir.iterdir())
        with pytest.raises(ConnectionRefusedError):
            await asyncio.open_connection("127.0.0.1", served.port_base)


async def test_it_ends_with_the_duration(scenario: Write, tmp_path: Path, port_base: int) -> None:
    """A scenario of 4 s at 20 times the speed has ended after about 0.2 s."""
    told = scenario(head="duration: 4 s\n")
    began_s = time.perf_counter()
    await asyncio.wait_for(
        run(told, port_base=port_base, line_dir=tmp_path, speed=20, stop=asyncio.Event()), 2
    )
    assert pytest.approx(0.2, abs=0.15) == time.perf_counter() - began_s


async def test_a_stale_link_is_replaced_and_a_file_is_not(
    scenario: Write, tmp_path: Path, port_base: int
) -> None:
    """A dangling link of a killed run gives way; a file of somebody else stops the start."""
    line_dir = tmp_path / "lines"
    line_dir.mkdir()
    (line_dir / "line-u3").symlink_to("/dev/pts/99999")
    async with asyncio.timeout(5):
        stop = asyncio.Event()
        task = asyncio.create_task(
            run(scenario(), port_base=port_base, line_dir=line_dir, speed=1, stop=stop)
        )
        while os.readlink(line_dir / "line-u3") == "/dev/pts/99999":  # noqa: ASYNC110
            await asyncio.sleep(0.01)
        stop.set()
        await task
    (line_dir / "line-u3").write_text("mine")
    with pytest.raises(SimulatorError, match="move it away"):
        await run(scenario(), port_base=port_base, line_dir=line_dir, speed=1, stop=stop)
    assert "mine" == (line_dir / "line-u3").read_text()


async def test_a_taken_port_is_told_and_the_others_are_closed(
    scenario: Write, serve: Serve, tmp_path: Path
) -> None:
    """The text names device and port; nothing of the failed start stays open."""
    async with serve(scenario()) as served:
        with pytest.raises(SimulatorError, match=rf"u1-monitor: TCP port {served.port_base} "):
            await run(
                scenario(),
                port_base=served.port_base,
                line_dir=tmp_path / "other",
                speed=1,
                stop=asyncio.Event(),
            )
        before = set(os.listdir("/proc/self/fd"))
        with pytest.raises(SimulatorError, match=rf"TCP port {served.port_base} "):
            await run(
                scenario(),
                port_base=served.port_base - 2,
                line_dir=tmp_path / "other",
                speed=1,
                stop=asyncio.Event(),
            )
        await asyncio.sleep(0)
        assert before == set(os.listdir("/proc/self/fd"))


@pytest.mark.parametrize(
    ("port_base", "speed", "told"),
    [(21000, 0.0, "speed 0"), (21000, 1e9, "speed 1e"), (65534, 1.0, "first port 65534"),
     (0, 1.0, "first port 0")],
)  # fmt: skip
async def test_arguments_out_of_range_are_told(
    scenario: Write, tmp_path: Path, port_base: int, speed: float, told: str
) -> None:
    """Speeds and ports that cannot be are refused before anything is opened."""
    with pytest.raises(SimulatorError, match=told):
        await run(
            scenario(), port_base=port_base, line_dir=tmp_path, speed=speed, stop=asyncio.Event()
        )
