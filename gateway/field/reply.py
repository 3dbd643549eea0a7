"""What is asked, what came back, and whether the one fits the other.

PURE. A reply is refused when anything in it differs from what its request must bring: function,
byte count, length. Nothing is trimmed, padded or guessed.
"""

import struct
from dataclasses import dataclass
from typing import Final

from gateway.field.plan import BIT_FUNCTIONS, reply_bytes
from gateway.tags import Instant

_TABLES: Final = {1: "coil", 2: "discrete input", 3: "holding register", 4: "input register"}
# Modbus application protocol V1.1b3, 7
_REFUSALS: Final = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}


@dataclass(frozen=True, slots=True)
class Ask:
    """One read. The address is the one on the wire, from 0."""

    unit: int
    function: int
    address: int
    count: int

    def __str__(self) -> str:
        last = f"-{self.address + self.count - 1}" if self.count > 1 else ""
        return f"unit {self.unit}, {_TABLES[self.function]} {self.address}{last} (from 0)"


@dataclass(frozen=True, slots=True)
class Answer:
    """Registers in the order of the wire, or 0 and 1 for coils and inputs."""

    words: tuple[int, ...]
    at: Instant  # when the last byte of the reply was taken from the line


class ModbusError(Exception):
    """A read that brought nothing. Its text says what, where, and what to look at."""


class NoLink(ModbusError):
    """The connection could not be made, or the port not be opened."""


class NoAnswer(ModbusError):
    """Not one byte came in time."""


class Misfit(ModbusError):
    """Something came, and it is no good reply to the request; or the link fell meanwhile."""


class Refused(ModbusError):
    """The device answered with an exception: it lives, and does not give this."""

    def __init__(self, text: str, code: int) -> None:
        super().__init__(text)
        self.code = code


def words_of(frame: bytes, ask: Ask, link: str) -> tuple[int, ...]:
    """The words in a reply's function code and data (V1.1b3, 6.1 to 6.4).

    Raises Refused for an exception to this request, Misfit for anything else that is no good
    reply to it. The bits that fill up the last byte mean nothing and are not looked at.
    """
    function, size = ask.function, reply_bytes(ask.function, ask.count)
    if len(frame) == 2 + size and frame[0] == function and frame[1] == size:
        if function in BIT_FUNCTIONS:
            return tuple(frame[2 + (i >> 3)] >> (i & 7) & 1 for i in range(ask.count))
        return struct.unpack_from(f">{ask.count}H", frame, 2)
    if len(frame) == 2 and frame[0] == function | 0x80:
        code = frame[1]
        raise Refused(
            f"link {link}, {ask}: refused with exception {code} "
            f"({_REFUSALS.get(code, 'not in the standard')}); compare profile and device",
            code,
        )
    raise misfit(
        ask,
        link,
        f"the reply has function {frame[0]} and {max(0, len(frame) - 2)} data bytes, "
        f"expected function {function} and {size}",
    )


def misfit(ask: Ask, link: str, what: str) -> Misfit:
    """The error for something that came and is no good reply."""
    return Misfit(f"link {link}, {ask}: {what}; look for noise or a second master")
