"""A document as a PDF: the same texts, tables and drawings as on the page, on A4 sheets.

Fonts are embedded; letters that they do not have are drawn as a box. Texts are escaped, the
library takes markup in them otherwise. Refuses links, scripts and forms.
"""

import io
from functools import partial
from html import escape
from pathlib import Path
from typing import Any, Final

import matplotlib
from reportlab.graphics.shapes import Drawing as Canvas
from reportlab.graphics.shapes import Polygon, PolyLine, String
from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import Flowable, KeepTogether, SimpleDocTemplate, Spacer
from reportlab.platypus import Paragraph as Text
from reportlab.platypus import Table as Grid

from gateway.report.document import (
    GRID,
    INK,
    PALE,
    Block,
    Bullets,
    Document,
    Drawing,
    Facts,
    Label,
    Line,
    Paragraph,
    Picture,
    Table,
)

_FONT, _BOLD = "Report", "Report-Bold"
# The drawing library that is here anyway brings free fonts with Greek and Cyrillic letters.
_FILES: Final = ((_FONT, "DejaVuSans.ttf"), (_BOLD, "DejaVuSans-Bold.ttf"))
_MARGIN: Final = 15 * mm
_PADDING: Final = 6.0  # of the library's frame, on each side
_WIDTH: Final = A4[0] - 2 * (_MARGIN + _PADDING)
_FACT_NAMES: Final = 0.22  # share of the width

_style = partial(ParagraphStyle, fontName=_FONT, textColor=HexColor(INK), splitLongWords=1)
_PLAIN: Final = _style("plain", fontSize=8.5, leading=12, spaceAfter=4)
_CELL: Final = _style("cell", fontSize=7, leading=9)
_HEAD: Final = _style("head", fontSize=7, leading=9, fontName=_BOLD)
_STRONG: Final = _style("strong", fontSize=9, leading=13, fontName=_BOLD, spaceAfter=6)
_TITLE: Final = _style("title", fontSize=16, leading=20, fontName=_BOLD)
_UNDER: Final = _style("under", fontSize=8.5, leading=12, textColor=HexColor(PALE), spaceAfter=6)
_H2: Final = _style(
    "h2", fontSize=11, leading=14, fontName=_BOLD, spaceBefore=10, spaceAfter=4, keepWithNext=1
)
_H3: Final = _style("h3", fontSize=8.5, leading=12, fontName=_BOLD, spaceBefore=4, keepWithNext=1)
_ITEM: Final = _style("item", parent=_PLAIN, fontSize=8.5, leading=12, leftIndent=10)
_CAPTION: Final = _style("caption", fontSize=7, leading=9, textColor=HexColor(PALE), spaceAfter=8)


def render(document: Document) -> bytes:
    """The PDF. The same document gives the same bytes."""
    fonts = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name, file in _FILES:
        pdfmetrics.registerFont(TTFont(name, str(fonts / file)))
    story: list[Flowable] = [_text(document.title, _TITLE), _text(document.subtitle, _UNDER)]
    for section in document.sections:
        heading = [_text(section.heading, _H2)]
        for block in section.blocks:
            shown = [*heading, *_shown(block)]
            # Together with its heading: what is kept together within would tear off from it.
            story += [KeepTogether(shown)] if isinstance(block, Picture) else shown
            heading = []
        story += heading
    out = io.BytesIO()
    sheets = SimpleDocTemplate(
        out,
        pagesize=A4,
        leftMargin=_MARGIN,
        rightMargin=_MARGIN,
        topMargin=_MARGIN,
        bottomMargin=_MARGIN + 6 * mm,
        title=document.title,
        subject=document.subtitle,
        author="",
        invariant=1,
    )
    foot = partial(_foot, document.foot)
    sheets.build(story, onFirstPage=foot, onLaterPages=foot)
    return out.getvalue()


def _foot(text: str, canvas: Any, sheets: Any) -> None:
    canvas.saveState()
    foot = _text(text, _CAPTION)
    foot.wrap(_WIDTH - 15 * mm, 20 * mm)
    foot.drawOn(canvas, _MARGIN + _PADDING, 9 * mm)
    canvas.setFont(_FONT, 7)
    canvas.setFillColor(HexColor(PALE))
    canvas.drawRightString(A4[0] - _MARGIN - _PADDING, 9 * mm, f"page {sheets.page}")
    canvas.restoreState()


def _text(text: str, style: ParagraphStyle) -> Text:
    return Text(escape(text), style)


def _shown(block: Block) -> list[Flowable]:
    if isinstance(block, Paragraph):
        return [_text(block.text, _STRONG if block.strong else _PLAIN)]
    if isinstance(block, Bullets):
        heading = [_text(block.heading, _H3)] if block.heading else []
        return [*heading, *(_text(f"• {item}", _ITEM) for item in block.items)]
    if isinstance(block, Facts):
        rows = [[_text(name, _HEAD), _text(what, _CELL)] for name, what in block.rows]
        return [_grid(rows, (_FACT_NAMES, 1 - _FACT_NAMES), 0)]
    if isinstance(block, Table):
        rows = [[_text(name, _HEAD) for name in block.head]]
        rows += [[_text(cell, _CELL) for cell in row] for row in block.rows]
        return [_grid(rows, block.widths, 1)]
    return [_drawn(block.drawing), Spacer(0, 3), *_caption(block)]


def _caption(picture: Picture) -> list[Flowable]:
    return [_text(picture.caption, _CAPTION)] if picture.caption else []


def _grid(rows: list[list[Text]], widths: tuple[float, ...], head_rows: int) -> Flowable:
    style: list[Any] = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, -1), 0.4, HexColor(GRID)),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 5),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
    ]
    if head_rows:
        style.append(("LINEBELOW", (0, 0), (-1, 0), 0.8, HexColor(INK)))
    return Grid(
        rows,
        colWidths=[_WIDTH * share for share in widths],
        repeatRows=head_rows,
        style=style,
        spaceAfter=6,
        splitInRow=1,
    )


def _drawn(drawing: Drawing) -> Canvas:
    """A drawing scaled to the width of the text; the sheet's y grows upwards."""
    scale = _WIDTH / drawing.width
    canvas = Canvas(_WIDTH, drawing.height * scale)
    canvas.scale(scale, scale)
    for item in drawing.items:
        if isinstance(item, Label):
            x, y = item.spot
            canvas.add(
                String(
                    x,
                    drawing.height - y,
                    item.text,
                    fontName=_FONT,
                    fontSize=item.size * 0.9,
                    textAnchor=item.anchor,
                    fillColor=HexColor(item.colour),
                )
            )
            continue
        flat = [v for x, y in item.spots for v in (x, drawing.height - y)]
        if isinstance(item, Line):
            line = PolyLine(
                flat,
                strokeColor=HexColor(item.colour),
                strokeWidth=item.width,
                strokeLineJoin=1,
            )
            if item.dash:
                line.strokeDashArray = list(item.dash)
            canvas.add(line)
        else:
            canvas.add(
                Polygon(
                    flat,
                    fillColor=HexColor(item.colour),
                    fillOpacity=item.opacity,
                    strokeColor=None,
                )
            )
    return canvas
