"""The plant's devices as Modbus servers: one per TCP port, one per RTU line.

Registers are taken from the installation at the moment of each request and as one piece. Units
that are silent, or absent from an RTU line, say nothing at all; an unknown unit behind a TCP port
is answered like a gateway does, with exception 0x0B (V1.1b3, clause 7).

It refuses all functions but the one its register map is for, all writes among them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Protocol

from pymodbus.constants import ExcCodes
from pymodbus.framer import FramerType
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from simulator.installation import Installation
from simulator.line import SimulatorError
from simulator.plant import CHANNELS, Device, DeviceKind

_HOST = "127.0.0.1"
_FUNCTIONS: Mapping[DeviceKind, int] = {
    "pulse monitor": 4,
    "DC-injection monitor": 3,
    "analog input module": 4,
    "contact module": 2,
}
_UNIT_IN_TCP_HEADER = 6
_EXCEPTION_IN_TCP_FRAME = 8


class Clock(Protocol):
    """Scenario time."""

    def now_s(self) -> float: ...


class TcpPort:
    """One TCP port with the units behind it, closed while a unit's state is `refused`."""

    def __init__(
        self, installation: Installation, devices: Sequence[Device], port: int, clock: Clock
    ) -> None:
        self._installation = installation
        self._devices = {device.unit: device for device in devices}
        self._port = port
        self._clock = clock
        self._server: ModbusTcpServer | None = None

    async def follow(self) -> None:
        """Open or close the port as the scenario has it now."""
        refused = any(
            self._installation.state(device.name) == "refused" for device in self._devices.values()
        )
        if refused:
            await self.close()
        elif self._server is None:
            await self._open()

    async def close(self) -> None:
        """Close the port and every connection to it."""
        server, self._server = self._server, None
        if server is not None:
            await server.shutdown()  # type: ignore[no-untyped-call]

    async def _open(self) -> None:
        server = ModbusTcpServer(
            _served(self._installation, self._devices.values(), self._clock),
            address=(_HOST, self._port),
            trace_packet=self._filter,
        )
        try:
            await server.serve_forever(background=True)
        except RuntimeError:
            names = ", ".join(device.name for device in self._devices.values())
            raise SimulatorError(
                f"{names}: TCP port {self._port} cannot be opened, probably another program has "
                "it; choose another first port"
            ) from None
        self._server = server

    def _filter(self, sending: bool, packet: bytes) -> bytes:
        if not sending or len(packet) <= _EXCEPTION_IN_TCP_FRAME:
            return packet
        device = self._devices.get(packet[_UNIT_IN_TCP_HEADER])
        if device is None:
            # pymodbus answers for an unknown unit with exception 4.
            return packet[:_EXCEPTION_IN_TCP_FRAME] + bytes((ExcCodes.GATEWAY_NO_RESPONSE,))
        return b"" if self._installation.state(device.name) == "silent" else packet


class RtuUnits:
    """The units on one RTU line."""

    def __init__(
        self, installation: Installation, devices: Sequence[Device], baud: int, clock: Clock
    ) -> None:
        self._installation = installation
        self._devices = {device.unit: device for device in devices}
        self._baud = baud
        self._clock = clock
        self._server: ModbusSerialServer | None = None

    async def open(self, terminal: str) -> None:
        """Serve on a terminal."""
        server = ModbusSerialServer(
            _served(self._installation, self._devices.values(), self._clock),
            framer=FramerType.RTU,
            port=terminal,
            baudrate=self._baud,
            trace_packet=self._filter,
        )
        await server.serve_forever(background=True)
        self._server = server

    async def close(self) -> None:
        """Leave the line."""
        server, self._server = self._server, None
        if server is not None:
            await server.shutdown()  # type: ignore[no-untyped-call]

    def _filter(self, sending: bool, packet: bytes) -> bytes:
        if not sending or not packet:
            return packet
        device = self._devices.get(packet[0])
        silent = device is None or self._installation.state(device.name) == "silent"
        return b"" if silent else packet


def _served(installation: Installation, devices: Iterable[Device], clock: Clock) -> list[SimDevice]:
    return [_sim_device(installation, device, clock) for device in devices]


def _sim_device(installation: Installation, device: Device, clock: Clock) -> SimDevice:
    async def answer(
        function: int,
        start: int,
        address: int,
        count: int,
        registers: list[int],
        values: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        if function != _FUNCTIONS[device.kind] or values is not None:
            return ExcCodes.ILLEGAL_FUNCTION
        if function == 2 and address >= CHANNELS:
            return ExcCodes.ILLEGAL_ADDRESS
        installation.advance(clock.now_s())
        current = installation.registers(device)
        registers[: len(current)] = current
        return None

    return SimDevice(
        id=device.unit,
        simdata=_map(device.kind),
        action=answer,
        use_bit_addressing=device.kind == "contact module",
    )


def _map(kind: DeviceKind) -> list[SimData]:
    if kind == "pulse monitor":
        return [SimData(0, count=17, datatype=DataType.REGISTERS)]
    if kind == "DC-injection monitor":
        return [
            SimData(0, count=5, datatype=DataType.REGISTERS),
            SimData(5, count=3, datatype=DataType.INVALID),
            SimData(8, count=1, datatype=DataType.REGISTERS),
        ]
    if kind == "analog input module":
        return [SimData(0, count=CHANNELS, datatype=DataType.REGISTERS)]
    return [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
