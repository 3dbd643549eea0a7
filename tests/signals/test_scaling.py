"""From current to value: the laws of a loop, against worked rows and an independent propagation."""

import struct
from math import sqrt

import pytest
import uncertainties
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import umath

from gateway.signals import scaling
from gateway.tags import (
    GOOD,
    UNCERTAIN_ENGINEERING_UNITS_EXCEEDED,
    Limit,
)
from tests.signals.loops import loop, point, value

FLOAT = point(type="float32")

# Worked rows of the laws of a 4-20 mA loop, computed in double precision from
# x = (I - 4 mA)/16 mA: linear 0 to 100, logarithmic 1 to 10 000, square root 0 to 100.
ROWS = [
    (3.8, -1.25, 0.891251, 0.0),
    (4.0, 0.0, 1.0, 0.0),
    (5.6, 10.0, 2.51189, 31.62278),
    (8.0, 25.0, 10.0, 50.0),
    (12.0, 50.0, 100.0, 70.71068),
    (16.0, 75.0, 1000.0, 86.60254),
    (19.2, 95.0, 6309.57, 97.46794),
    (20.0, 100.0, 10000.0, 100.0),
    (20.5, 103.125, 13335.2, 101.55048),
]


@pytest.mark.parametrize(("current_ma", "linear", "logarithmic", "root"), ROWS)
def test_laws_give_the_worked_values(current_ma, linear, logarithmic, root):
    """Each law gives the worked value at each current."""
    current_a = current_ma / 1000
    assert linear == pytest.approx(scaling.linear(current_a, 0, 100)[0], rel=1e-6, abs=1e-9)
    assert logarithmic == pytest.approx(scaling.logarithmic(current_a, 1, 1e4)[0], rel=5e-6)
    assert root == pytest.approx(scaling.square_root(current_a, 0, 100, 0)[0], rel=1e-6)


@pytest.mark.parametrize(("current_ma", "expected"), [(7.2, 80.0), (12, 50.0), (19.2, 5.0)])
def test_reverse_acting_loop(current_ma, expected):
    """Where the range falls, more current is less (worked rows of 100 to 0)."""
    assert expected == pytest.approx(scaling.linear(current_ma / 1000, 100, 0)[0])


@pytest.mark.parametrize(
    ("current_ma", "expected"), [(9.204120, 20.0), (14.688391, 470.0), (18.795880, 5000.0)]
)
def test_logarithmic_loop_from_its_inverse(current_ma, expected):
    """The worked currents of 20 kohm, 470 kohm and 5 Mohm give these resistances back."""
    assert expected == pytest.approx(scaling.logarithmic(current_ma / 1000, 1, 1e4)[0], rel=1e-6)


def test_logarithmic_sensitivity_of_four_decades():
    """20 uA are 1.151 % of reading anywhere on four decades (ln(10^4)/16 per mA)."""
    for current_ma in (4.0, 11.0, 20.0):
        found, slope = scaling.logarithmic(current_ma / 1000, 1, 1e4)
        assert 0.575646 == pytest.approx(slope / 1000 / found, rel=1e-5)


def test_square_root_is_cut_off():
    """At or below the cut-off, and below live zero, a square-root law says nothing but its zero."""
    assert (0, 0.0) == scaling.square_root(0.00401, 0, 100, 0.01)
    assert (0, 0.0) == scaling.square_root(0.0038, 0, 100, 0)
    assert 0 < scaling.square_root(0.00420, 0, 100, 0.01)[0]


def test_square_root_starts_at_the_low_end_of_its_range():
    """A quarter of the current's span is half of the range, wherever the range begins."""
    assert 60.0 == pytest.approx(scaling.square_root(0.008, 20, 100, 0)[0])
    assert (20, 0.0) == scaling.square_root(0.008, 20, 100, 0.25)


TABLE = [(0.004, 0.0), (0.008, 10.0), (0.012, 100.0), (0.020, 1000.0)]


@pytest.mark.parametrize(
    ("current_ma", "expected"),
    [(4, 0), (6, 5), (8, 10), (10, 55), (12, 100), (16, 550), (20, 1000), (3.8, -0.5)],
)
def test_table_is_straight_between_its_rows(current_ma, expected):
    """Between two rows a table is a straight line, and its ends go on straight."""
    assert expected == pytest.approx(scaling.table(current_ma / 1000, TABLE)[0])
    assert 1112.5 == pytest.approx(scaling.table(0.021, TABLE)[0])


LAWS = {
    "linear": lambda i: scaling.linear(i, -40, 150),
    "reverse": lambda i: scaling.linear(i, 100, 0),
    "logarithmic": lambda i: scaling.logarithmic(i, 1, 1e4),
    "falling logarithmic": lambda i: scaling.logarithmic(i, 1e4, 1),
    "square root": lambda i: scaling.square_root(i, 20, 100, 0),
    "table": lambda i: scaling.table(i, TABLE),
}


@pytest.mark.parametrize("law", LAWS)
@given(st.floats(0.0042, 0.0205))
def test_slope_is_the_derivative(law, current_a):
    """The slope of every law is what a small step of current shows."""
    step_a = 1e-9
    near = [abs(current_a - row) for row, _ in TABLE]
    if law == "table" and min(near) <= step_a:
        return
    low, high = (LAWS[law](current_a + d)[0] for d in (-step_a, step_a))
    assert LAWS[law](current_a)[1] == pytest.approx((high - low) / (2 * step_a), rel=1e-4)


def by_uncertainties(scaling_law, current_ma, low, high, accuracy):
    """The value with its uncertainty by the `uncertainties` library (linear propagation)."""
    current = uncertainties.ufloat(current_ma, accuracy * 16 / sqrt(3))  # rectangular, GUM 4.3.7
    x = (current - 4) / 16
    if scaling_law == "linear":
        return low + (high - low) * x
    if scaling_law == "square root":
        return low + (high - low) * umath.sqrt(x)
    return low * umath.exp(umath.log(high / low) * x)


@pytest.mark.parametrize(
    ("law", "low", "high"),
    [
        ("linear", 0, 100),
        ("linear", 100, 0),
        ("square root", 0, 100),
        ("logarithmic", 1, 10000),
    ],
)
@given(
    current_ma=st.floats(4.25, 19.75, width=32), accuracy=st.sampled_from([0.0001, 0.0025, 0.01])
)
def test_uncertainty_of_a_loop(law, low, high, current_ma, accuracy):
    """Value and standard uncertainty of a loop are those of an independent propagation."""
    signal = loop(
        scaling=law,
        range=(f"{low} kohm", f"{high} kohm"),
        accuracy=f"{accuracy * 100} %",
        input="milliampere",
    )
    words = _words(current_ma)
    sample = value(signal, *words, at=FLOAT)
    expected = by_uncertainties(law, current_ma, low, high, accuracy)
    assert expected.nominal_value == pytest.approx(sample.value, rel=1e-9, abs=1e-9)
    assert expected.std_dev == pytest.approx(sample.uncertainty, rel=1e-9)


def _words(number):
    return struct.unpack(">2H", struct.pack(">f", number))


# LSB of 16 mA over 27648 counts: 0.57870 uA, 3.617 ohm of 100 kohm; a count is rectangular.
def test_uncertainty_of_a_count():
    """A loop with a perfect transmitter is still no better than one count of its module."""
    signal = loop(input={"at_4_mA": 0, "at_20_mA": 27648})
    sample = value(signal, 13824, at=point(type="int16"))
    assert 50.0 == pytest.approx(sample.value)
    assert 0.003617 / sqrt(12) == pytest.approx(sample.uncertainty, rel=1e-4)


def test_flat_law_claims_no_certainty():
    """Below its cut-off a square-root loop gives its zero, and no uncertainty at all."""
    sample = value(loop(scaling="square root", cutoff="1 %"), 4010)
    assert (0.0, GOOD, None) == (sample.value, sample.status, sample.uncertainty)


@pytest.mark.parametrize(
    ("more", "microampere", "limit"),
    [
        ({}, 3900, Limit.LOW),
        ({}, 20300, Limit.HIGH),
        ({"range": ("100 kohm", "0 kohm")}, 3900, Limit.HIGH),
        ({"range": ("100 kohm", "0 kohm")}, 20300, Limit.LOW),
        ({"range": ("1 kohm", "10 Mohm"), "scaling": "logarithmic"}, 3900, Limit.LOW),
        ({"scaling": "square root"}, 3900, Limit.LOW),
        ({"scaling": "square root", "range": ("100 kohm", "0 kohm")}, 3900, Limit.HIGH),
        (
            {
                "scaling": "table",
                "table": (
                    {"current": "4 mA", "value": "100 kohm"},
                    {"current": "20 mA", "value": "0 kohm"},
                ),
            },
            3900,
            Limit.HIGH,
        ),
    ],
)
def test_limit_bits_speak_of_the_value(more, microampere, limit):
    """Beyond its range a loop is uncertain, high or low as its value is, not as its current."""
    sample = value(loop(**more), microampere)
    assert UNCERTAIN_ENGINEERING_UNITS_EXCEEDED.with_limit(limit) == sample.status
    assert sample.value is not None


def test_table_loop_takes_its_rows_in_the_unit_of_the_tag():
    """A table may be written in any unit of the dimension; the tag's unit comes out."""
    rows = ({"current": "4 mA", "value": "0 ohm"}, {"current": "20000 uA", "value": "0.2 Mohm"})
    sample = value(loop(scaling="table", table=rows, range=("0 kohm", "200 kohm")), 12000)
    assert (100.0, GOOD) == (pytest.approx(sample.value), sample.status)
