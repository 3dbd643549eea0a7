"""The installed program on the simulated plant, seen from outside as the plant sees it."""

import json
import os
import re
import signal
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from asyncua import Client, ua
from pymodbus.client import AsyncModbusTcpClient

from gateway.archive.history import history
from gateway.serve.registers import layout
from gateway.site.installed import Site
from gateway.site.read import read
from gateway.tags import Sample, Status

CONFIG = Path(__file__).parents[2] / "config"
PROGRAM = Path(sys.executable).with_name("rotor-gateway")
STARTED_WITHIN_S = 30.0


def free_ports(count: int) -> int:
    """The first of `count` neighbouring ports that nobody listens on."""
    for first in range(20000 + os.getpid() % 20000, 60000, count):
        sockets = []
        try:
            for port in range(first, first + count):
                tried = socket.socket()
                sockets.append(tried)
                tried.bind(("127.0.0.1", port))
            return first
        except OSError:
            continue
        finally:
            for tried in sockets:
                tried.close()
    raise AssertionError("no free ports")


class Plant:
    """A running demo: its site, its state directory and its process."""

    def __init__(self, directory: Path, scenario: str, *, edit: Callable[[str], str]) -> None:
        self.directory = directory
        self.state = directory / "state"
        base = free_ports(6)
        self.port_base, self.opcua_port, self.modbus_port, self.http_port = (
            base,
            base + 3,
            base + 4,
            base + 5,
        )
        text = (CONFIG / "demo.yaml").read_text()
        for old, new in (
            ("15020", base),
            ("15021", base + 1),
            ("15022", base + 2),
            ("4840", self.opcua_port),
            ("1502,", f"{self.modbus_port},"),
            ("8080", self.http_port),
        ):
            assert old in text
            text = text.replace(f"port: {old}", f"port: {new}")
        self.site_path = directory / "site.yaml"
        self.site_path.write_text(edit(text))
        (directory / "profiles").symlink_to(CONFIG / "profiles")
        self.site: Site = read(self.site_path)[0]
        with (directory / "stderr").open("wb") as stderr:
            self.process = subprocess.Popen(
                [
                    PROGRAM,
                    "demo",
                    *("--site", self.site_path),
                    *("--scenario", CONFIG / "scenarios" / f"{scenario}.yaml"),
                    *("--port-base", str(base)),
                    *("--state", self.state),
                    "--no-table",
                ],
                stdout=subprocess.DEVNULL,
                stderr=stderr,
            )

    @property
    def log(self) -> str:
        return (self.directory / "stderr").read_text() + (self.state / "demo.log").read_text()

    def pid(self, role: str) -> int | None:
        """The process that plays the role; None while there is none."""
        try:
            return int((self.state / f"{role}.pid").read_text())
        except (FileNotFoundError, ValueError):
            return None

    def stop(self) -> float:
        """Seconds from SIGTERM to the end."""
        begin_s = time.monotonic()
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(10)
        return time.monotonic() - begin_s

    def run(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """A command of the program on this site and state."""
        command, *rest = arguments
        return subprocess.run(
            [PROGRAM, command, self.site_path, *rest, "--state", self.state],
            capture_output=True,
            text=True,
            timeout=30,
            check=False,
        )

    def alarms(self) -> dict[str, str]:
        listed = json.loads(self.run("alarms", "list", "--json").stdout)
        return {row["alarm"]: row["state"] for row in listed}

    def archived(self, tag: str) -> Sample:
        """The newest sample of a tag in the archive."""
        now_ns = time.time_ns()
        rows = history(self.state / "archive.db", tag, now_ns - 600 * 10**9, now_ns, 10**6)
        samples = [row.sample for row in rows]
        return samples[-1]

    async def over_opcua(self) -> dict[str, tuple[Any, Status]]:
        """Value and status of every tag, and the state of every alarm, as a client reads them."""
        names = [t.tag for t in self.site.tags]
        alarms = [f"{a.name}.State" for a in self.site.file.alarms]
        client = Client(f"opc.tcp://127.0.0.1:{self.opcua_port}")
        client.session_timeout = 60_000
        async with client:
            values = await client.uaclient.read_attributes(
                [ua.NodeId(name, 2) for name in (*names, *alarms)], ua.AttributeIds.Value
            )
        return {
            name: (v.Value.Value if v.Value else None, Status(v.StatusCode.value))
            for name, v in zip((*names, *alarms), values, strict=True)
        }

    async def over_modbus(self) -> dict[str, tuple[float, Status, int, int]]:
        """Value, StatusCode, quality word and age of every tag from the served registers."""
        client = AsyncModbusTcpClient("127.0.0.1", port=self.modbus_port)
        assert await client.connect()
        found = {}
        for block in layout(self.site):
            for n, definition in enumerate(block.tags):
                reply = await client.read_holding_registers(block.tag_address(n), count=6)
                raw = struct.pack(">6H", *reply.registers)
                value, status, quality, age_s = struct.unpack(">fIHH", raw)
                found[definition.tag] = (value, Status(status), quality, age_s)
        client.close()
        return found

    async def alarm_bits(self) -> dict[str, tuple[bool, bool]]:
        """Active and unacknowledged, per alarm, from the served registers."""
        client = AsyncModbusTcpClient("127.0.0.1", port=self.modbus_port)
        assert await client.connect()
        found = {}
        for block in layout(self.site):
            words = (await client.read_holding_registers(block.address + 1, count=2)).registers
            for n, name in enumerate(block.alarms):
                found[name] = (bool(words[0] >> n & 1), bool(words[1] >> n & 1))
        client.close()
        return found


def serving(plant: Plant) -> bool:
    """Whether every output of the plant listens."""
    for port in (plant.opcua_port, plant.modbus_port, plant.http_port):
        with socket.socket() as tried:
            if tried.connect_ex(("127.0.0.1", port)):
                return False
    return True


@contextmanager
def running(
    directory: Path, scenario: str, *, edit: Callable[[str], str] = lambda text: text
) -> Iterator[Plant]:
    """A demo with this scenario on ports of its own, up and served; ended afterwards."""
    plant = Plant(directory, scenario, edit=edit)
    try:
        deadline_s = time.monotonic() + STARTED_WITHIN_S
        while not serving(plant):
            assert plant.process.poll() is None, plant.log
            assert time.monotonic() < deadline_s, plant.log
            time.sleep(0.1)
        yield plant
    finally:
        if plant.process.poll() is None:
            plant.stop()
        assert not re.search(r"Traceback|\"level\": \"critical\"", plant.log), plant.log
