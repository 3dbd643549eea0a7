"""Units of measurement: their dimension, their factor, their UNECE code.

Quantities in files carry their unit as people write it ("20 kohm", "0.5 s", "10 %"). Numbers are
kept as Decimal until they are converted, so that "2 uA" in µA is 2 and not 2.0000000000000004.
Temperatures are degrees Celsius only: they are compared and shown, never scaled.
"""

import re
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Final


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit. `unece` is the common code that OPC UA EUInformation is made of."""

    name: str
    dimension: str
    factor: Decimal  # to the coherent SI unit of the dimension
    unece: str
    display: str

    @property
    def unece_id(self) -> int:
        """UnitId of EUInformation: the code's characters, v = v * 256 + ASCII (OPC 10000-8)."""
        return int.from_bytes(self.unece.encode("ascii"), "big")


def _table() -> dict[str, Unit]:
    rows = (
        ("ohm", "resistance", "1", "OHM", "Ω"),
        ("kohm", "resistance", "1e3", "B49", "kΩ"),
        ("Mohm", "resistance", "1e6", "B75", "MΩ"),
        ("mV", "voltage", "1e-3", "2Z", "mV"),
        ("V", "voltage", "1", "VLT", "V"),
        ("kV", "voltage", "1e3", "KVT", "kV"),
        ("uA", "current", "1e-6", "B84", "µA"),
        ("mA", "current", "1e-3", "4K", "mA"),
        ("A", "current", "1", "AMP", "A"),
        ("nF", "capacitance", "1e-9", "C41", "nF"),
        ("uF", "capacitance", "1e-6", "4O", "µF"),
        ("ms", "time", "1e-3", "C26", "ms"),
        ("s", "time", "1", "SEC", "s"),
        ("min", "time", "60", "MIN", "min"),
        ("h", "time", "3600", "HUR", "h"),
        ("d", "time", "86400", "DAY", "d"),
        ("Hz", "frequency", "1", "HTZ", "Hz"),
        ("%", "ratio", "0.01", "P1", "%"),
        ("degC", "Celsius temperature", "1", "CEL", "°C"),
        ("W", "power", "1", "WTT", "W"),
        ("kW", "power", "1e3", "KWT", "kW"),
        ("MW", "power", "1e6", "MAW", "MW"),
    )
    return {row[0]: Unit(row[0], row[1], Decimal(row[2]), row[3], row[4]) for row in rows}


UNITS: Final[dict[str, Unit]] = _table()
# Other spellings that people type; one meaning each.
_SPELLINGS: Final[dict[str, str]] = {
    "Ω": "ohm",
    "kΩ": "kohm",
    "MΩ": "Mohm",
    "µA": "uA",
    "μA": "uA",
    "µF": "uF",
    "°C": "degC",
}
# The unit that a text of a fault takes for its example, where a dimension has several.
_USUAL: Final = {"time": "s", "voltage": "V", "current": "mA", "ratio": "%"}
_DIGITS_MOST: Final = 30  # beyond any quantity of a plant, within any float
_QUANTITY: Final = re.compile(r"^\s*((?>[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?))\s*(\S+)\s*$")


def unit(name: object) -> Unit:
    """The unit of this name. Raises ValueError with the names there are."""
    if not isinstance(name, str):
        raise ValueError(f"a unit is needed; known are {', '.join(UNITS)}")
    found = UNITS.get(_SPELLINGS.get(name, name))
    if found is None:
        raise ValueError(f"unknown unit {name!r}; known are {', '.join(UNITS)}")
    return found


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with its unit, as written."""

    number: Decimal
    unit: Unit

    @property
    def dimension(self) -> str:
        return self.unit.dimension

    @property
    def si(self) -> float:
        """The value in the coherent SI unit (a ratio as a plain number)."""
        return float(self.number * self.unit.factor)

    def in_unit(self, other: Unit) -> float:
        """The value in another unit of the same dimension. Raises ValueError for any other."""
        if other.dimension != self.dimension:
            raise ValueError(f"{self} is a {self.dimension}, not a {other.dimension}")
        return float(self.number * self.unit.factor / other.factor)

    def __str__(self) -> str:
        return f"{self.number} {self.unit.name}"


def quantity(text: object, dimension: str | None = None) -> Quantity:
    """A quantity from its text, of this dimension if one is asked for.

    Raises ValueError that says what would be right.
    """
    known = [u.name for u in UNITS.values() if dimension in (None, u.dimension)]
    fitting = _USUAL.get(dimension or "", "kohm" if "kohm" in known else known[0])
    if isinstance(text, int | float) and not isinstance(text, bool):
        raise ValueError(f"a number with its unit is needed, such as '{text} {fitting}'")
    if not isinstance(text, str):
        raise ValueError(f"a number with its unit is needed, such as '10 {fitting}'")
    match = _QUANTITY.match(text)
    if match is None:
        raise ValueError(f"{text!r} is not a number with its unit, such as '10 {fitting}'")
    if _SPELLINGS.get(match[2], match[2]) not in UNITS:
        hint = "; a difference of temperatures is in degC too" if match[2] == "K" else ""
        raise ValueError(f"unknown unit {match[2]!r}; known are {', '.join(known)}{hint}")
    try:
        number = Decimal(match[1])
        within = number.is_zero() or number.adjusted() < _DIGITS_MOST
    except InvalidOperation:
        within = False
    if not within:
        raise ValueError(f"{text!r} is beyond any quantity of a plant")
    result = Quantity(number, unit(match[2]))
    if dimension is not None and result.dimension != dimension:
        raise ValueError(
            f"{text!r} is a {result.dimension}; a {dimension} is needed here ({', '.join(known)})"
        )
    return result
