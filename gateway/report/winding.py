"""The field winding, developed from its negative to its positive ring, with the places of faults.

The coils are a schema: how many there are, and how they are shared over the poles, is not known
here. Places are shares of the winding's voltage from its negative end, drawn with their expanded
uncertainty (k = 2). Refuses to draw a place that is not known; it says why instead.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from gateway.report.document import INK, PALE, RED, Area, Drawing, Label, Line, Spot

WIDTH = 720.0
_SENTENCES, _PITCH = 222.0, 17.0  # where they begin, and how far below each other
_FROM, _TO = 70.0, 650.0  # the ends of the winding
_TOP, _BOTTOM = 58.0, 158.0
_COILS: Final = 8
_TURNS: Final = 3
_BESIDE: Final = 10.0  # how far beside the winding an impossible place is drawn


@dataclass(frozen=True, slots=True)
class Place:
    """Where a fault is, in shares of the winding; `reach_pu` is its expanded uncertainty, k = 2."""

    name: str
    location_pu: float | None
    reach_pu: float | None
    text: str  # the figures, or why the place is not known


def draw(places: Sequence[Place]) -> Drawing:
    """The winding with every place that is known, and a sentence for each."""
    items = _winding()
    for i, place in enumerate(places):
        items += _mark(place, i)
    height = _SENTENCES + _PITCH * len(places) - 6.0
    return Drawing(WIDTH, height, tuple(items), "; ".join(f"{p.name}: {p.text}" for p in places))


def _across(location_pu: float) -> float:
    return min(max(_FROM + location_pu * (_TO - _FROM), _FROM - _BESIDE), _TO + _BESIDE)


def _winding() -> list[Line | Area | Label]:
    items: list[Line | Area | Label] = []
    pitch, middle = (_TO - _FROM) / _COILS, (_TOP + _BOTTOM) / 2
    for coil in range(_COILS):
        left = _FROM + coil * pitch
        for turn in range(_TURNS):
            inset, high = pitch * (0.1 + 0.11 * turn), 13.0 * turn
            items.append(
                Line(
                    _rounded(left + inset, _TOP + high, left + pitch - inset, _BOTTOM - high),
                    INK,
                    1.0,
                )
            )
        lead = ((left - pitch * 0.1, middle), (left + pitch * 0.1, middle))
        items.append(Line(lead, INK, 1.6))
    items.append(Line(((_TO - pitch * 0.1, middle), (_TO + pitch * 0.1, middle)), INK, 1.6))
    ends: tuple[tuple[float, str, float, Literal["start", "end"]], ...] = (
        (_FROM - 18, "−", _FROM - 26, "end"),
        (_TO + 8, "+", _TO + 26, "start"),
    )
    for left, name, text_x, anchor in ends:
        ring = ((left, 50.0), (left + 10, 50.0), (left + 10, 166.0), (left, 166.0))
        items += [Area(ring, "#d4d4d4"), Line((*ring, ring[0]), INK, 1.0)]
        items.append(Label((text_x, middle - 6), name, 14.0, anchor))
        items.append(Label((text_x, middle + 8), "ring", 9.0, anchor))
    for tenth in range(11):
        x = _across(tenth / 10)
        items.append(Line(((x, 172.0), (x, 177.0)), INK, 0.8))
        items.append(Label((x, 187.0), f"{10 * tenth} %", 8.0, "middle"))
    items.append(Line(((_FROM, 172.0), (_TO, 172.0)), INK, 0.8))
    text = "place in the winding, from its negative end; the number of coils is a schema"
    items.append(Label(((_FROM + _TO) / 2, 200.0), text, 8.0, "middle", PALE))
    return items


def _rounded(left: float, top: float, right: float, bottom: float) -> tuple[Spot, ...]:
    """A rectangle with its corners cut."""
    cut = min(7.0, (right - left) / 3)
    return (
        (left + cut, top),
        (right - cut, top),
        (right, top + cut),
        (right, bottom - cut),
        (right - cut, bottom),
        (left + cut, bottom),
        (left, bottom - cut),
        (left, top + cut),
        (left + cut, top),
    )


def _mark(place: Place, row: int) -> list[Line | Area | Label]:
    """A place with its band; the sentences stand under each other, the names above the coils."""
    text = f"{place.name}: {place.text}"
    said = Label((WIDTH / 2, _SENTENCES + _PITCH * row), text, 11.0, "middle", RED)
    if place.location_pu is None:
        return [said]
    x, top = _across(place.location_pu), 38.0 - 12 * row
    items: list[Line | Area | Label] = []
    if place.reach_pu is not None:
        left = _across(place.location_pu - place.reach_pu)
        right = _across(place.location_pu + place.reach_pu)
        band = ((left, 48.0), (right, 48.0), (right, 168.0), (left, 168.0))
        items += [Area(band, RED, 0.2)]
        items += [
            Line(((edge, 48.0), (edge, 168.0)), RED, 0.8, (4.0, 2.0)) for edge in (left, right)
        ]
    items += [
        Line(((x, top + 6), (x, 168.0)), RED, 2.0, (7.0, 3.0) if row else ()),
        Area(((x - 5, top + 4), (x + 5, top + 4), (x, top + 13)), RED),
        Label((x, top), place.name, 9.0, "middle", RED),
        said,
    ]
    return items
