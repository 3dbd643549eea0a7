"""Raw registers to numbers, by type, byte order and bit.

Orders are named after the bytes A B C D of a big-endian 32-bit value in the order in which they
arrive: ABCD big-endian, CDAB words swapped, BADC bytes swapped, DCBA little-endian.
"""

import struct
from math import isfinite

from gateway.site.profile import ByteOrder, Point

_ORDER: dict[ByteOrder, tuple[int, ...]] = {
    "ABCD": (0, 1, 2, 3),
    "CDAB": (2, 3, 0, 1),
    "BADC": (1, 0, 3, 2),
    "DCBA": (3, 2, 1, 0),
}
_FORMAT = {"uint32": ">I", "int32": ">i", "float32": ">f", "int16": ">h", "uint16": ">H"}


def decode(point: Point, words: tuple[int, ...]) -> float | None:
    """The number in these registers, scaled as the profile says; None if it is not a number.

    A float register that holds NaN or an infinity (IEEE 754) is not a number. `words` must be as
    many as the point is wide; anything else raises ValueError.
    """
    if len(words) != point.width:
        raise ValueError(f"{point.name}: {len(words)} registers where {point.width} are needed")
    if point.type == "bool":
        return float(words[0])
    if point.mask is not None:
        words = tuple(word & point.mask for word in words)
    if point.bit is not None:
        return float(words[0] >> point.bit & 1)
    raw = struct.pack(f">{len(words)}H", *words)
    # A 16-bit value has the bytes A B; only the orders that swap bytes within a word touch it.
    order = _ORDER[point.order]
    if len(raw) == 2:
        order = (1, 0) if point.order in ("BADC", "DCBA") else (0, 1)
    (number,) = struct.unpack(_FORMAT[point.type], bytes(raw[i] for i in order))
    return number * point.scale + point.offset if isfinite(number) else None


def resolution(point: Point) -> float:
    """The step between neighbouring values, in the unit of the profile; 0 for a float."""
    if point.type == "float32":
        return 0.0
    lowest_bit = (point.mask & -point.mask) if point.mask else 1
    return abs(point.scale) * lowest_bit
