"""Raw registers to numbers: types, orders of bytes, masks and bits, formats of input modules."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.signals import registers
from gateway.tags import BAD_SENSOR_FAILURE, GOOD, UNCERTAIN_ENGINEERING_UNITS_EXCEEDED, Limit
from tests.signals.loops import loop, point, register, value

ORDERS = ("ABCD", "CDAB", "BADC", "DCBA")

# IEEE 754 single in the four register orders; the bytes recomputed with Python's struct.
FLOATS = [
    (1.0, "3F80 0000", "0000 3F80", "803F 0000", "0000 803F"),
    (-2.5, "C020 0000", "0000 C020", "20C0 0000", "0000 20C0"),
    (123.456, "42F6 E979", "E979 42F6", "F642 79E9", "79E9 F642"),
    (47.3, "423D 3333", "3333 423D", "3D42 3333", "3333 3D42"),
    (1000000.0, "4974 2400", "2400 4974", "7449 0024", "0024 7449"),
]


def words(text):
    return tuple(int(word, 16) for word in text.split())


@pytest.mark.parametrize("row", FLOATS, ids=lambda row: str(row[0]))
def test_floats_in_four_orders(row):
    """A float comes out of its two registers in each order of the bytes."""
    for order, text in zip(ORDERS, row[1:], strict=True):
        found = registers.decode(point(type="float32", order=order), words(text))
        assert row[0] == pytest.approx(found, rel=1e-7)


@pytest.mark.parametrize(
    ("order", "text"),
    list(zip(ORDERS, ("1234 5678", "5678 1234", "3412 7856", "7856 3412"), strict=True)),
)
def test_whole_numbers_in_four_orders(order, text):
    """0x12345678 comes out of its two registers in each order, signed and unsigned."""
    for kind in ("uint32", "int32"):
        assert 305419896 == registers.decode(point(type=kind, order=order), words(text))


def test_one_register_in_four_orders():
    """A single register has no words to swap; only the orders that swap bytes touch it."""
    found = [registers.decode(point(order=order), (0x1234,)) for order in ORDERS]
    assert [0x1234, 0x1234, 0x3412, 0x3412] == found


@given(st.integers(-(2**31), 2**31 - 1), st.sampled_from(ORDERS))
def test_signed_pairs_come_back(number, order):
    """Every 32-bit number comes back from the registers that a device would send."""
    a, b, c, d = struct.pack(">i", number)
    sent = {"ABCD": (a, b, c, d), "CDAB": (c, d, a, b), "BADC": (b, a, d, c), "DCBA": (d, c, b, a)}
    pair = struct.unpack(">2H", bytes(sent[order]))
    assert number == registers.decode(point(type="int32", order=order), pair)
    assert number % 2**32 == registers.decode(point(type="uint32", order=order), pair)


@pytest.mark.parametrize(
    ("word", "expected"), [(0xFF6E, -146), (0x8000, -32768), (0xFFFF, -1), (0x7FFF, 32767)]
)
def test_twos_complement(word, expected):
    """A signed register is a two's complement."""
    assert expected == registers.decode(point(type="int16"), (word,))


# IEEE 754: quiet NaN 7FC00000, infinities 7F800000 and FF800000.
@pytest.mark.parametrize("text", ["7FC0 0000", "7F80 0000", "FF80 0000", "7FA0 0001"])
def test_no_number_is_bad(text):
    """NaN and infinity in a float register are a bad sample, never a number."""
    at = point(type="float32", unit="kohm")
    assert registers.decode(at, words(text)) is None
    sample = value(register(), *words(text), at=at)
    assert (None, BAD_SENSOR_FAILURE) == (sample.value, sample.status)


def test_scale_and_offset():
    """The profile's scale and offset make the number of the device's unit."""
    assert 23.5 == registers.decode(point(type="int16", scale=0.5, offset=-40.0), (127,))


def test_left_justified_count():
    """The status bits below a left-justified 12-bit count are masked away before scaling."""
    at = point(mask=0xFFF0, scale=1 / 16)
    assert 0xABC == registers.decode(at, (0xABCD,))
    assert 1.0 == registers.resolution(at)


@pytest.mark.parametrize(("bit", "expected"), [(0, 0), (1, 1), (15, 1), (14, 0)])
def test_bit_of_a_word(bit, expected):
    """One bit of a status word is 0 or 1, counted from the lowest."""
    assert expected == registers.decode(point(bit=bit), (0x8002,))


@pytest.mark.parametrize(("kind", "count"), [("uint16", 2), ("float32", 1), ("bool", 0)])
def test_wrong_count_is_refused(kind, count):
    """Registers that are not as many as the value takes are a fault of the caller."""
    with pytest.raises(ValueError, match="registers where"):
        registers.decode(point(type=kind), (0,) * count)


def test_resolution_of_a_format():
    """The step of a format is its scale; a float has none."""
    assert [0.1, 0.0] == [
        registers.resolution(point(scale=-0.1)),
        registers.resolution(point(type="float32")),
    ]


FULL_27648 = {"at_4_mA": 0, "at_20_mA": 27648}


# Formats of analog-input modules: the count at 4, 12 and 20 mA.
@pytest.mark.parametrize(
    ("given", "kind", "counts"),
    [
        ({"at_4_mA": 13107, "at_20_mA": 65535}, "uint16", (13107, 39321, 65535)),
        ({"at_4_mA": 0, "at_20_mA": 65535}, "uint16", (0, 32767.5, 65535)),
        ({"at_4_mA": 6553.4, "at_20_mA": 32767}, "int16", (6553.4, 19660.2, 32767)),
        ({"at_4_mA": 0x947B, "at_20_mA": 0xE666}, "uint16", (0x947B, 0xBD71, 0xE666)),
        (FULL_27648, "int16", (0, 13824, 27648)),
        ({"at_4_mA": 0, "at_20_mA": 10000}, "int16", (0, 5000, 10000)),
        ("microampere", "uint16", (4000, 12000, 20000)),
    ],
)
def test_formats_of_input_modules(given, kind, counts):
    """Each format of a module gives 0, 50 and 100 % at 4, 12 and 20 mA, to one count."""
    signal = loop(input=given)
    for count, expected in zip(counts, (0.0, 50.0, 100.0), strict=True):
        found = value(signal, round(count), at=point(type=kind)).value
        assert expected == pytest.approx(found, abs=0.004)


def test_milliampere_as_float():
    """A module that gives milliampere as a float needs no format at all."""
    signal, at = loop(input="milliampere"), point(type="float32")
    found = [value(signal, *words(t), at=at).value for t in ("4080 0000", "4140 0000", "41A0 0000")]
    assert [0.0, 50.0, 100.0] == pytest.approx(found)
    for text, limit in (("4066 6666", Limit.LOW), ("41A8 0000", Limit.HIGH)):
        sample = value(signal, *words(text), at=at)
        assert BAD_SENSOR_FAILURE.with_limit(limit) == sample.status


# Full scale 27648 over 4-20 mA: -692 is 3.5995 mA (failure), -691 is 3.6001 mA (gap), -346 is
# 3.7998 mA (gap), -345 is measurement; 28512 is 20.5 mA, 29376 is 21.0 mA.
@pytest.mark.parametrize(
    ("count", "status"),
    [
        (-692, BAD_SENSOR_FAILURE.with_limit(Limit.LOW)),
        (-345, UNCERTAIN_ENGINEERING_UNITS_EXCEEDED.with_limit(Limit.LOW)),
        (0, GOOD),
        (27648, GOOD),
        (28512, UNCERTAIN_ENGINEERING_UNITS_EXCEEDED.with_limit(Limit.HIGH)),
        (29376, BAD_SENSOR_FAILURE.with_limit(Limit.HIGH)),
    ],
)
def test_edges_of_the_27648_format(count, status):
    """The limits of NE 43 are met in milliampere, not in rounded counts."""
    sample = value(loop(input=FULL_27648), count & 0xFFFF, at=point(type="int16"))
    assert status == sample.status


@pytest.mark.parametrize("count", [-691, -346, 28513, 29375])
def test_gaps_of_the_27648_format(count):
    """A first count in a gap is no measurement and no failure."""
    sample = value(loop(input=FULL_27648), count & 0xFFFF, at=point(type="int16"))
    assert (None, "BadWaitingForInitialData") == (sample.value, sample.status.name)
