"""How many digits a number has for people."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.report.numbers import with_uncertainty


@pytest.mark.parametrize(
    ("value", "uncertainty", "text"),
    [
        # JCGM 100:2008 (GUM), 7.2.2 and 7.2.6: 100.021 47 g and 0.35 mg; 10.057 62 ohm, 27 mohm
        (100.02147, 0.00035, "100.02147 ± 0.00035"),
        (10.05762, 0.027, "10.058 ± 0.027"),
        (4993.79, 140.0, "4990 ± 140"),
        (250.0, 0.577, "250.00 ± 0.58"),
        (3.0, 0.0996, "3.00 ± 0.10"),
        (75.0, None, "75"),
        (75.0, 0.0, "75"),
    ],
)
def test_value_ends_where_its_uncertainty_ends(
    value: float, uncertainty: float | None, text: str
) -> None:
    """The uncertainty has two digits, the value as many places; without one it has six digits."""
    assert text == with_uncertainty(value, uncertainty)


@given(st.floats(-1e7, 1e7), st.floats(1e-6, 1e6))
def test_rounding_is_small_beside_the_uncertainty(value: float, uncertainty: float) -> None:
    """Whatever is rounded away of value and uncertainty is below a tenth of the uncertainty."""
    shown, spread = map(float, with_uncertainty(value, uncertainty).split(" ± "))
    assert abs(value - shown) <= 0.1 * uncertainty + 1e-9 * abs(value)
    assert abs(uncertainty - spread) <= 0.1 * uncertainty
    assert re.search(r"± [\d.]+$", with_uncertainty(value, uncertainty))
