"""Quantities with units."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator import quantity


@pytest.mark.parametrize(
    ("text", "kind", "expected"),
    [
        ("8 kohm", quantity.RESISTANCE, 8000.0),
        ("8kohm", quantity.RESISTANCE, 8000.0),
        ("5 Mohm", quantity.RESISTANCE, 5e6),
        ("210 mohm", quantity.RESISTANCE, 0.21),
        ("6 min", quantity.TIME, 360.0),
        ("-40 V", quantity.VOLTAGE, -40.0),
        ("0.5 uF", quantity.CAPACITANCE, 5e-7),
        ("20.3 mA", quantity.CURRENT, 0.0203),
        ("2 %", quantity.SHARE, 0.02),
        ("1e3 ohm", quantity.RESISTANCE, 1000.0),
    ],
)
def test_quantities_become_base_units(text: str, kind: quantity.Kind, expected: float) -> None:
    """A number with a unit becomes that many base units."""
    assert pytest.approx(expected, rel=1e-12) == quantity.parse(text, kind)


@pytest.mark.parametrize("text", ["8", "kohm", "8 kOhm", "8 V", "8 k ohm", "nan ohm", "1e999 ohm"])
def test_anything_else_is_refused_with_what_would_be_right(text: str) -> None:
    """A missing, wrong or misspelt unit is refused, and the text shows a right one."""
    with pytest.raises(ValueError, match="'8 kohm'"):
        quantity.parse(text, quantity.RESISTANCE)


@given(st.text())
def test_no_text_does_more_than_being_refused(text: str) -> None:
    """Any text gives a finite number or a ValueError."""
    try:
        value = quantity.parse(text, quantity.TIME)
    except ValueError:
        return
    assert value == value
    assert abs(value) < float("inf")
