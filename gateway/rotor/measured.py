"""A number with its standard uncertainty: the currency of the physics."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Measured:
    """A number and its standard uncertainty, both in the unit of the name that holds it."""

    value: float
    u: float
