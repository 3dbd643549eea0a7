"""The dossier: every part is there, every text is escaped, page and PDF say the same."""

import io
import re
from dataclasses import replace
from datetime import UTC
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import pytest
from pypdf import PdfReader

from gateway.alarms.journal import entries_of
from gateway.diagnosis.causes import CAUSES
from gateway.report import page, pdf
from gateway.report.case import Case, Origin, Plotted, tags_to_plot
from gateway.report.curve import thinned
from gateway.report.document import Bullets, Document, Facts, Paragraph, Picture, Section, Table
from gateway.report.dossier import CAUTIONS, compose
from gateway.site.read import read
from gateway.tags import (
    GOOD,
    Bearing,
    Conclusion,
    Evidence,
    Finding,
    Forecast,
    Frame,
    HealthRecord,
    Observed,
    PatternFound,
    StateTrend,
    StatusSignal,
    Subject,
    Trend,
)
from tests.replay.plant import LOW, Second, lived, site_text, write_site

HOSTILE = """<script>alert(1)</script> & "quoted" 'it' <img src=x onerror=alert(2)>"""
S = 10**9


def evidence(at_ns: int) -> Evidence:
    return Evidence(
        LOW,
        Conclusion.CONTRADICTED,
        (
            Observed(
                "r1", Bearing.AGAINST, "loop", "the loop says 100 kΩ",
                "G1.LOOP", 100.0, GOOD, at_ns, 1.3,
            ),
            Observed(
                "r2", Bearing.FOR, "device mon", "9.12 kΩ is below 20 kΩ",
                "G1.R", 9.12, GOOD, at_ns, 0.1,
            ),
            Observed("r3", Bearing.DOUBT, "gateway", "steps begin late"),
            Observed("r4", Bearing.OPEN, "device mon", f"no self-test {HOSTILE}"),
        ),
        ("earth fault in the winding",),
        ("dirty lamp: there is none",),
        ("does it stay at standstill?",),
    )  # fmt: skip


def dressed(frame: Frame) -> Frame:
    """The Frame with health, evidence and trend, as a chain gives them."""
    at_ns = frame.at.utc_ns
    health = (
        HealthRecord(
            "mon", Subject.MONITOR, StatusSignal.NORMAL, (), at_ns - 7200 * S, "self-test"
        ),
        HealthRecord(
            "G1.LOOP", Subject.LOOP, StatusSignal.FAILURE,
            (Finding("wire break", at_ns - 90 * S, "3.41 mA for 5 s"),),
        ),
    )  # fmt: skip
    trend = Trend(
        "G1.R",
        (
            StateTrend(
                "running hot", 120, at_ns - 86_400 * S, at_ns, "falling",
                -0.12, -0.15, -0.09, 0.0003,
                (Forecast(LOW, 20.0, 3.1, 4.5, None),),
            ),
        ),
        (PatternFound("steady decline", at_ns, "p 0.0003"),),
    )  # fmt: skip
    return replace(frame, evidence=(evidence(at_ns),), health=health, trend=trend)


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Case:
    folder = tmp_path_factory.mktemp("site")
    site, _ = read(write_site(folder, text=site_text(description=HOSTILE)))
    day = (
        [Second("G1", 60e3, 0.3)] * 80
        + [Second("G1", 9e3, 0.3)] * 20
        + [Second("G1", 6e3, 0.4)] * 5
    )
    frames = [frame for frame, _ in lived(site, day)]
    place = next(i for i, f in enumerate(frames) if any(t.alarm == LOW for t in f.transitions))
    came = dressed(frames[place])
    (entry, *_) = entries_of(came, 12)
    plotted = []
    for tag in tags_to_plot(site, next(a for a in site.file.alarms if a.name == LOW)):
        history = [(f.at.utc_ns, s) for f in frames for s in f.samples if s.tag == tag.tag]
        curve = thinned(history, history[0][0], history[-1][0] + S)
        plotted.append(Plotted(tag, curve, "from 2 min before to 20 s after"))
    return Case(
        site,
        next(a for a in site.file.alarms if a.name == LOW),
        entry,
        (entry,),
        3,
        came,
        frames[10],
        frames[-1],
        tuple(plotted),
        Origin("archive.sqlite", "c0ffee" * 8, "1.2.3", "12:beef", "12 entries", came.at.utc_ns),
        UTC,
    )


def texts(document: Document) -> list[str]:
    """Every text of a document but those inside drawings."""
    found = [document.title, document.subtitle]
    for section in document.sections:
        found.append(section.heading)
        for block in section.blocks:
            if isinstance(block, Paragraph):
                found.append(block.text)
            elif isinstance(block, Bullets):
                found += [block.heading, *block.items]
            elif isinstance(block, Table):
                found += [*block.head, *(cell for row in block.rows for cell in row)]
            elif isinstance(block, Facts):
                found += [text for row in block.rows for text in row]
            elif isinstance(block, Picture):
                found.append(block.caption)
    return [t for t in found if t]


def bare(text: str) -> str:
    """Without white space, which a PDF breaks and a page wraps as they like."""
    return re.sub(r"\s+", "", text)


PARTS = (
    "G1.LOW came: normal to unacknowledged",
    "Contradicted: another path speaks against it.",
    "the loop says 100 kΩ",
    "G1.LOOP: (100.0 ± 2.6) kΩ",
    "earth fault in the winding",
    "dirty lamp: there is none",
    "does it stay at standstill?",
    "-0.12 (-0.15 to -0.09)",
    "G1.LOW: 3.1 d to never",
    "steady decline",
    "wire break: 3.41 mA for 5 s",
    f"{CAUSES['wire break'].meaning}; {CAUSES['wire break'].advice}",
    "2 h before by self-test",
    "3 more entries of this time are not shown.",
    "c0ffee" * 8,
    "12:beef",
    "1.2.3",
    "low resistance to earth",
    *CAUTIONS,
)


@pytest.mark.parametrize("part", PARTS)
def test_each_part_is_there(case: Case, part: str) -> None:
    """What the dossier promises stands in it."""
    assert any(part in text for text in texts(compose(case)))


def test_for_and_against_come_in_order(case: Case) -> None:
    """Observations are told for, against, doubt, open, whatever their order in the record."""
    table = next(
        b for s in compose(case).sections for b in s.blocks
        if isinstance(b, Table) and b.head[0] == "Speaks"
    )  # fmt: skip
    assert ["for", "against", "doubt", "open"] == [row[0] for row in table.rows]


class Page(HTMLParser):
    """Tags, attributes and text of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def test_hostile_texts_are_texts(case: Case) -> None:
    """A description with markup in it is shown as it is written, and does nothing."""
    parsed = Page()
    html = page.render(compose(case))
    parsed.feed(html)
    assert not {"script", "img", "link", "iframe", "object", "a"} & parsed.tags
    assert not {"src", "href", "onerror", "onload"} & parsed.attributes
    assert bare(HOSTILE) in bare("".join(parsed.words))
    assert "http:" not in html.replace("http://www.w3.org", "")
    assert "https:" not in html
    assert "url(" not in html


def test_page_and_pdf_say_the_same(case: Case, tmp_path: Path) -> None:
    """Every text of the dossier is on the page and can be taken out of the PDF."""
    document = compose(case)
    html = page.render(document)
    on_page = bare(unescape(re.sub(r"<[^>]*>", "", html)))
    sheets = PdfReader(io.BytesIO(pdf.render(document))).pages
    # A row may be broken over lines between its cells, so cells are looked for word by word.
    on_sheets = {w for sheet in sheets for w in sheet.extract_text().split()}
    for text in texts(document):
        assert bare(text) in on_page
        if len(text) < 60:
            assert {w for w in text.split() if len(w) < 12} <= on_sheets, text
    assert all("replaces no protection" in sheet.extract_text() for sheet in sheets)


def test_a_refused_order_is_not_drawn(case: Case) -> None:
    """On the curves stands what happened to the alarm; what was refused stands in the journal."""
    transition = replace(case.entry.transition, cue="shelve", after=case.entry.transition.before)
    later = replace(case.entry, number=13, utc_ns=case.entry.utc_ns + S, transition=transition)
    refused = replace(later, transition=replace(transition, refusal="say why"))
    drawn = [
        page.render(compose(replace(case, around=(case.entry, e)))).count(">shelve<")
        for e in (later, refused)
    ]
    assert [2, 0] == drawn


@pytest.mark.parametrize("rows", range(36, 48, 3))
def test_a_heading_stays_with_its_picture(case: Case, rows: int) -> None:
    """However full the sheet is, the heading of a picture is not left alone at its foot."""
    picture = next(b for s in compose(case).sections for b in s.blocks if isinstance(b, Picture))
    picture = replace(picture, caption="as the caption says")
    filler = Bullets("", tuple(f"filler {k}" for k in range(rows)))
    document = Document("t", "s", (Section("Full", (filler,)), Section("Heading", (picture,))), "")
    sheets = [s.extract_text() for s in PdfReader(io.BytesIO(pdf.render(document))).pages]
    (with_heading,) = (k for k, text in enumerate(sheets) if "Heading" in text)
    (with_caption,) = (k for k, text in enumerate(sheets) if "as the caption says" in text)
    assert with_heading == with_caption


def test_the_same_case_gives_the_same_bytes(case: Case) -> None:
    """Nothing of the moment or of this computer gets in."""
    document = compose(case)
    assert page.render(document) == page.render(compose(case))
    assert pdf.render(document) == pdf.render(document)


def test_a_later_fault_elsewhere_is_drawn_and_a_worse_first_one_is_not(case: Case) -> None:
    """From 60 to 9 kohm at one place is a worse fault; 6 kohm at 40 % means another one.

    1/6 - 1/9 kohm = 1/18 kohm; (0.4/6 - 0.3/9) * 18 = 0.6: the fault that is added lies at 60 %.
    """
    said = [t for t in texts(compose(case)) if "explains what is read" in t]
    assert 1 == len(said)
    (text,) = said
    assert text.startswith("Later fault: ")
    found = re.search(r"\(([\d.]+) ± [\d.]+\) kΩ", text)
    assert found is not None
    assert 18.0 == pytest.approx(float(found[1]), rel=0.05)
    winding = next(
        b.drawing for s in compose(case).sections if s.heading == "Place in the field winding"
        for b in s.blocks if isinstance(b, Picture)
    )  # fmt: skip
    place = re.search(r"later fault: \(([\d.]+) ±", winding.says)
    assert place is not None
    assert 60.0 == pytest.approx(float(place[1]), abs=1.5)


def test_what_turned_since_is_told(case: Case) -> None:
    """Of the newest step only the observations are told that were not there when the alarm came."""
    assert case.newest is not None
    then = case.frame.evidence[0]
    turned = replace(then.observations[0], bearing=Bearing.FOR, text="the loop agrees")
    later = replace(
        then, conclusion=Conclusion.CORROBORATED, observations=(turned, *then.observations[1:])
    )
    said = texts(compose(replace(case, newest=replace(case.newest, evidence=(later,)))))
    assert any("Corroborated: paths" in t and t.startswith("In the newest") for t in said)
    assert (1, 1) == (said.count("the loop agrees"), said.count("steps begin late"))
    same = texts(compose(replace(case, newest=replace(case.newest, evidence=(then,)))))
    assert "No observation has been added to those above, and none turned." in same


def test_what_is_not_kept_is_said(case: Case) -> None:
    """Without evidence, health, newest step and history the dossier says so, and is still made."""
    poor = replace(
        case,
        frame=replace(case.frame, evidence=(), health=(), trend=None, samples=()),
        newest=None,
        before=None,
        plotted=(),
        left_out=0,
    )
    said = texts(compose(poor))
    for text in (
        "No evidence record was kept with this entry.",
        "No health record was kept with this entry.",
        "Nothing is archived of the values around this alarm.",
        "the archive has no newer step",
    ):
        assert text in said
    assert pdf.render(compose(poor)).startswith(b"%PDF-")


def test_values_of_an_own_alarm_are_plotted_with_its_limits(case: Case) -> None:
    """Resistance first, then the field voltage; the limits of the alarms on it are drawn."""
    assert ["G1.R", "G1.U_POS"] == [p.tag.tag for p in case.plotted]
    html = page.render(compose(case))
    assert "G1.LOW: below 20 kohm" in html
    assert "G1.VERY_LOW: below 5 kohm" in html
