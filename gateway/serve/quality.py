"""The one StatusCode vocabulary in the words of each protocol that cannot carry it whole.

PURE. One table a protocol. OPC UA needs none: it carries the StatusCode itself.
"""

from typing import Final

from gateway.tags import Status

MODBUS_BAD: Final = 0
MODBUS_UNCERTAIN: Final = 1
MODBUS_GOOD: Final = 2

# Zero is bad, so that a client that reads an image full of zeros trusts nothing.
_MODBUS: Final = {"Bad": MODBUS_BAD, "Uncertain": MODBUS_UNCERTAIN, "Good": MODBUS_GOOD}


def modbus_quality(status: Status) -> int:
    """The quality word of the served registers: 0 bad, 1 uncertain, 2 good."""
    return _MODBUS[status.severity]
