"""A number with its standard uncertainty, and what a measurement tells of one."""

from dataclasses import dataclass
from math import sqrt

from gateway.tags import Status


@dataclass(frozen=True, slots=True)
class Measured:
    """A number and its standard uncertainty, both in the unit of the name that holds it."""

    value: float
    u: float

    @classmethod
    def within(cls, value: float, accuracy: float) -> "Measured":
        """A setting known to a share of itself at worst: rectangular (GUM 4.3.7)."""
        return cls(value, abs(value) * accuracy / sqrt(3))


@dataclass(frozen=True, slots=True)
class Estimate:
    """One quantity as far as a measurement tells it.

    With limit bits 'high' in the status the quantity is at least `value`, with 'low' at most, and
    `u` is None. Without a value it cannot be told.
    """

    status: Status
    value: float | None = None
    u: float | None = None
