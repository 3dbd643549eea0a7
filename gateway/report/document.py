"""What a report consists of: sections of text, tables and drawings, without a form of their own.

A drawing is lines, areas and texts on a plane whose y grows downwards, in points. Refuses anything
that a page and a PDF could show differently: no styles but the few named here.
"""

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

INK: Final = "#1c1c1c"
PALE: Final = "#8a8a8a"
GRID: Final = "#dddddd"
BLUE: Final = "#0b4f8a"
RED: Final = "#b03a00"

Spot: TypeAlias = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Line:
    """A line through points; `dash` has the lengths of strokes and gaps, empty for a whole line."""

    spots: tuple[Spot, ...]
    colour: str = INK
    width: float = 1.0
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Area:
    """A filled polygon without an edge."""

    spots: tuple[Spot, ...]
    colour: str
    opacity: float = 1.0


@dataclass(frozen=True, slots=True)
class Label:
    """One line of text; `anchor` is the part of it that stands at the spot."""

    spot: Spot
    text: str
    size: float = 9.0
    anchor: Literal["start", "middle", "end"] = "start"
    colour: str = INK


@dataclass(frozen=True, slots=True)
class Drawing:
    """A picture; later items lie on earlier ones."""

    width: float
    height: float
    items: tuple[Line | Area | Label, ...]
    says: str  # what it shows, for who cannot see it


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Running text; `strong` where it must not be overlooked."""

    text: str
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list under a short heading."""

    heading: str
    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of text; `widths` are shares of the page, one for each column."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Facts:
    """Names and what they are, a row each."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing with its caption."""

    drawing: Drawing
    caption: str


Block: TypeAlias = Paragraph | Bullets | Table | Facts | Picture


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and what stands under it."""

    heading: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Document:
    """A whole report."""

    title: str
    subtitle: str
    sections: tuple[Section, ...]
    foot: str  # stands at the end of a page, and on every sheet of a PDF
