"""Quantities as people write them: units, dimensions, UNECE codes."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.site.units import UNITS, quantity, unit

# UnitId by the published table of UNECE codes (OPC Foundation UNECE_to_OPCUA.csv).
PUBLISHED = {
    "ohm": ("OHM", 5195853),
    "kohm": ("B49", 4338745),
    "Mohm": ("B75", 4339509),
    "V": ("VLT", 5655636),
    "mV": ("2Z", 12890),
    "kV": ("KVT", 4937300),
    "A": ("AMP", 4279632),
    "mA": ("4K", 13387),
    "uA": ("B84", 4339764),
    "%": ("P1", 20529),
    "degC": ("CEL", 4408652),
    "s": ("SEC", 5457219),
    "ms": ("C26", 4403766),
    "min": ("MIN", 5065038),
    "h": ("HUR", 4740434),
    "d": ("DAY", 4473177),
    "Hz": ("HTZ", 4740186),
    "W": ("WTT", 5723220),
    "kW": ("KWT", 4937556),
    "MW": ("MAW", 5062999),
    "uF": ("4O", 13391),
    "nF": ("C41", 4404273),
}


def test_unece_codes_are_the_published_ones():
    """Every unit carries the code and the id that OPC UA clients look up."""
    assert PUBLISHED == {u.name: (u.unece, u.unece_id) for u in UNITS.values()}


@pytest.mark.parametrize(
    ("text", "si"),
    [
        ("20 kohm", 20_000.0),
        ("20kohm", 20_000.0),
        ("20 kΩ", 20_000.0),
        ("0.47 Mohm", 470_000.0),
        (".5 s", 0.5),
        ("5. s", 5.0),
        ("-10 mA", -0.01),
        ("+3.6 mA", 0.0036),
        ("1e3 V", 1000.0),
        ("1.5E-3 V", 0.0015),
        ("2 uA", 2e-6),
        ("2 µA", 2e-6),  # micro sign
        ("2 μA", 2e-6),  # Greek mu
        ("10 %", 0.1),
        ("2 min", 120.0),
        ("1.5 h", 5400.0),
        ("30 d", 2_592_000.0),
        ("  7 ms ", 0.007),
        ("80 °C", 80.0),
    ],
)
def test_quantity_as_people_write_it(text, si):
    """Number and unit in the spellings of the trade give the SI value."""
    assert si == quantity(text).si


@pytest.mark.parametrize(
    ("text", "dimension", "told"),
    [
        (500, "time", "a number with its unit is needed, such as '500 s'"),
        (3.6, "current", "a number with its unit is needed, such as '3.6 mA'"),
        (None, "time", "a number with its unit is needed, such as '10 s'"),
        (True, "ratio", "a number with its unit is needed, such as '10 %'"),
        (("1 s",), "time", "a number with its unit is needed, such as '10 s'"),
        ("500", "resistance", "'500' is not a number with its unit, such as '10 kohm'"),
        ("soon", "time", "'soon' is not a number with its unit, such as '10 s'"),
        ("1,5 s", "time", "'1,5 s' is not a number with its unit, such as '10 s'"),
        ("nan s", "time", "'nan s' is not a number with its unit, such as '10 s'"),
        ("5 sec", "time", "unknown unit 'sec'; known are ms, s, min, h, d"),
        ("5 KOHM", "resistance", "unknown unit 'KOHM'; known are ohm, kohm, Mohm"),
        ("5 K", None, "kW, MW; a difference of temperatures is in degC too"),
        ("5 V", "time", "'5 V' is a voltage; a time is needed here (ms, s, min, h, d)"),
        ("1e999999999 s", "time", "'1e999999999 s' is beyond any quantity of a plant"),
        ("1e99999999999999999999 s", "time", "is beyond any quantity of a plant"),
    ],
)
def test_what_is_no_quantity_is_told(text, dimension, told):
    """A text that is no quantity of the dimension is refused with what would be right."""
    with pytest.raises(ValueError) as caught:
        quantity(text, dimension)
    assert told in str(caught.value)


def test_other_dimension_is_no_unit_of_it():
    """A quantity is never read in a unit of another dimension."""
    with pytest.raises(ValueError, match="20 kohm is a resistance, not a voltage"):
        quantity("20 kohm").in_unit(unit("V"))


@pytest.mark.parametrize("name", [5, None, True, {}, ()])
def test_unit_is_text(name):
    """What is no text is no unit."""
    with pytest.raises(ValueError, match=r"^a unit is needed; known are ohm, "):
        unit(name)


def test_unknown_unit_names_the_known_ones():
    """A wrong unit is refused with all there are."""
    with pytest.raises(ValueError, match=r"unknown unit 'Ohm'; known are ohm, kohm, .*MW$"):
        unit("Ohm")


@given(st.integers(-(10**6), 10**6), st.sampled_from(sorted(UNITS)), st.sampled_from(sorted(UNITS)))
def test_written_number_survives_its_units(number, one, other):
    """A number in its own unit is exactly as written, through any other unit of the dimension."""
    written = quantity(f"{number} {one}")
    assert float(number) == written.in_unit(unit(one))
    if unit(other).dimension == written.dimension:
        back = quantity(f"{written.in_unit(unit(other))!r} {other}").in_unit(unit(one))
        assert number == pytest.approx(back, rel=1e-12)


@given(st.text(max_size=20), st.sampled_from([None, "time", "resistance", "frequency"]))
def test_any_text_is_a_quantity_or_refused(text, dimension):
    """No text makes anything but a finite quantity or a ValueError."""
    try:
        found = quantity(text, dimension)
    except ValueError:
        return
    assert abs(found.si) < 1e40
