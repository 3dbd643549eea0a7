"""How long things take on a Modbus line.

PURE. The times of the RTU line follow from its speed (MODBUS over Serial Line V1.02, 2.5.1.1);
those of a TCP link are common practice and serve only to weigh requests against registers.
"""

from typing import Final

from gateway.field.plan import Cost, reply_bytes

CHARACTER_BITS: Final = 11  # start, eight data, parity or a second stop bit, stop (2.5.1)
REQUEST_CHARACTERS: Final = 8  # unit, function, address, count, CRC
REPLY_CHARACTERS: Final = 5  # unit, function, byte count, CRC

# Common practice, no source: a small device answers in some milliseconds whatever is asked, and
# a byte more costs about what a 10 Mbit/s segment needs for it.
_TCP_REQUEST_S: Final = 0.002
_TCP_BYTE_S: Final = 1e-6


def character_s(baud: int) -> float:
    """Seconds that one character takes."""
    return CHARACTER_BITS / baud


def silence_s(baud: int) -> float:
    """t3.5: the silence before a request; fixed at 1.75 ms above 19200 baud (2.5.1.1)."""
    return 3.5 * character_s(baud) if baud <= 19200 else 0.00175


def exchange_s(baud: int, function: int, count: int) -> float:
    """Seconds that the characters of a read and of its good reply take, without any silence."""
    characters = REQUEST_CHARACTERS + REPLY_CHARACTERS + reply_bytes(function, count)
    return characters * character_s(baud)


def rtu_cost(baud: int, turnaround_s: float) -> Cost:
    """What a read costs on an RTU line, for a device that answers after `turnaround_s`."""
    return Cost(
        fixed_s=(REQUEST_CHARACTERS + REPLY_CHARACTERS) * character_s(baud)
        + turnaround_s
        + 2 * silence_s(baud),
        per_byte_s=character_s(baud),
    )


def tcp_cost(turnaround_s: float) -> Cost:
    """What a read costs on a TCP link, for a device that answers after `turnaround_s`."""
    return Cost(fixed_s=_TCP_REQUEST_S + turnaround_s, per_byte_s=_TCP_BYTE_S)
