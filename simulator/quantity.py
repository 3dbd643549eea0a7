"""Quantities with units, as written in plant and scenario files: "8 kohm", "0.5 s", "2 %".

It refuses numbers without a unit, units of another kind, and anything that is not finite.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of quantity: its units with their factors to the base unit, and an example."""

    name: str
    factors: Mapping[str, float]
    example: str


def _kind(name: str, example: str, **factors: float) -> Kind:
    return Kind(name, MappingProxyType(factors), example)


RESISTANCE = _kind("resistance", "8 kohm", mohm=1e-3, ohm=1.0, kohm=1e3, Mohm=1e6)
TIME = _kind("time", "0.5 s", ms=1e-3, s=1.0, min=60.0, h=3600.0, d=86400.0)
VOLTAGE = _kind("voltage", "350 V", mV=1e-3, V=1.0, kV=1e3)
CAPACITANCE = _kind("capacitance", "0.5 uF", nF=1e-9, uF=1e-6)
CURRENT = _kind("current", "1 mA", uA=1e-6, mA=1e-3, A=1.0)
TEMPERATURE = _kind("temperature", "75 degC", degC=1.0)
TEMPERATURE_STEP = _kind("temperature difference", "10 K", K=1.0)
FREQUENCY = _kind("frequency", "300 Hz", Hz=1.0)
SHARE = Kind("share", MappingProxyType({"%": 0.01}), "2 %")

_FORM = re.compile(r"([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*([A-Za-z%]+)", re.ASCII)


def parse(text: str, kind: Kind) -> float:
    """Return the quantity in the base unit of `kind`; raises ValueError with what would be right.

    Base units are ohm, second, volt, farad, ampere, degC, kelvin, hertz and, for a share, 1.
    """
    right = f"write a {kind.name} such as {kind.example!r}, in {', '.join(kind.factors)}"
    found = _FORM.fullmatch(text.strip())
    if found is None:
        raise ValueError(f"{text!r} is not a number with a unit; {right}")
    factor = kind.factors.get(found[2])
    if factor is None:
        raise ValueError(f"{text!r} has no unit of {kind.name}; {right}")
    value = float(found[1]) * factor
    if not math.isfinite(value):
        raise ValueError(f"{text!r} is too large; {right}")
    return value
