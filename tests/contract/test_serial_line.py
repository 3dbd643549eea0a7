"""An RTU line over a socat pair: the field side on one end, a slave that is not ours on the other.

The slave is the library's serial server in a process of its own; mbpoll (libmodbus) reads the same
slave first, so that the line itself is known to work.
"""

import asyncio
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.field import Field
from gateway.service.clock import now
from gateway.site.installed import Site
from gateway.site.read import read
from gateway.tags import GOOD, Reading

SLAVE = """
import asyncio, sys
from pymodbus import FramerType
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

async def main():
    registers = [SimData(0, values=[0, 7, 0x42F6, 0xE979], datatype=DataType.REGISTERS)]
    device = SimDevice(id=5, simdata=registers)
    await ModbusSerialServer(
        device, framer=FramerType.RTU, port=sys.argv[1], baudrate=19200
    ).serve_forever()

asyncio.run(main())
"""
SITE = """
site: Alder Lock
machines:
  - name: G1
    access: collector rings
    detection: pulse injection
    field_winding: {{rated_field_voltage: 250 V}}
links:
  - {{name: line, kind: modbus-rtu, line: {line}, baud: 19200, parity: none, timeout: 500 ms}}
devices:
  - {{name: monitor, link: line, unit_id: 5, profile: monitor}}
signals:
  - {{tag: G1.R, machine: G1, kind: register, point: monitor.r,
     unit: kohm, range: [0 kohm, 1 Mohm]}}
"""
PROFILE = """
profile: monitor
poll: {normal: 200 ms}
points:
  - {name: r, function: 3, address: 2, type: float32, unit: kohm}
"""


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Path]:
    """The master's end of a socat pair with unit 5 on the other end."""
    socat = shutil.which("socat")
    assert socat, "socat is missing: apt-get install socat"
    master, slave = tmp_path / "master", tmp_path / "slave"
    pair = subprocess.Popen(
        [socat, f"pty,raw,echo=0,link={master}", f"pty,raw,echo=0,link={slave}"]
    )
    served = None
    try:
        for _ in range(100):
            if master.exists() and slave.exists():
                break
            subprocess.run(["sleep", "0.05"], check=True)
        served = subprocess.Popen([sys.executable, "-c", SLAVE, slave])
        mbpoll = shutil.which("mbpoll")
        assert mbpoll, "mbpoll is missing: apt-get install mbpoll"
        command = [mbpoll, "-m", "rtu", "-a", "5", "-b", "19200", "-P", "none", "-0"]
        command += ["-t", "4", "-r", "1", "-c", "1", "-1", "-o", "0.5", str(master)]
        for _ in range(20):
            reply = subprocess.run(command, capture_output=True, text=True, check=False, timeout=10)
            if reply.returncode == 0:
                break
        assert "[1]: \t7" in reply.stdout, reply.stdout + reply.stderr
        yield master
    finally:
        for process in (served, pair):
            if process is not None:
                process.terminate()
                process.wait(5)


def site_on(line: Path, directory: Path) -> Site:
    (directory / "profiles").mkdir()
    (directory / "profiles" / "monitor.yaml").write_text(PROFILE)
    path = directory / "site.yaml"
    path.write_text(SITE.format(line=line))
    return read(path)[0]


async def test_field_side_reads_a_foreign_slave_over_a_socat_pair(
    line: Path, tmp_path: Path
) -> None:
    """Polled again and again, a foreign RTU slave gives the registers that it has."""
    found: list[Reading] = []
    field = Field(site_on(line, tmp_path), now, found.extend)
    polling = asyncio.create_task(field.run())
    for _ in range(100):
        await asyncio.sleep(0.05)
        if len(found) >= 5:
            break
    polling.cancel()
    await asyncio.gather(polling, return_exceptions=True)
    assert len(found) >= 5
    # 123.456 as IEEE 754 single is 42F6 E979.
    assert {((0x42F6, 0xE979), GOOD)} == {(r.words, r.status) for r in found}
