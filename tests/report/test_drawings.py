"""The drawings: what is known is at its place, what is not is said."""

from itertools import pairwise

import pytest

from gateway.report import plot, winding
from gateway.report.curve import thinned
from gateway.report.document import Area, Drawing, Label, Line
from gateway.report.plot import Event, Threshold
from gateway.tags import GOOD, Sample

S = 10**9


def texts(drawing: Drawing) -> list[str]:
    return [item.text for item in drawing.items if isinstance(item, Label)]


def height_of(drawing: Drawing, text: str) -> float:
    """Of the grid line or threshold that a label of this text belongs to."""
    (label,) = (i for i in drawing.items if isinstance(i, Label) and i.text == text)
    return label.spot[1] - 3


def test_a_logarithmic_scale_has_equal_decades() -> None:
    """1, 10, 100, 1000 kohm stand at equal distances; the limit of 20 kohm is 30.1 % of one up.

    log10(20) - log10(10) = 0.30103.
    """
    history = [(k * S, Sample("R", v, GOOD, 0, v / 50)) for k, v in enumerate((2.0, 30.0, 900.0))]
    drawing = plot.draw(
        thinned(history, 0, 10 * S),
        name="G1.R",
        unit="kΩ",
        logarithmic=True,
        thresholds=(Threshold("limit", 20.0),),
        events=(Event(5 * S, "G1.LOW", main=True), Event(50 * S, "outside")),
    )
    heights = [height_of(drawing, text) for text in ("1", "10", "100", "1\u2009000")]
    steps = [a - b for a, b in pairwise(heights)]
    assert steps == pytest.approx([steps[0]] * 3)
    (limit,) = (
        i for i in drawing.items if isinstance(i, Line) and i.dash == (8.0, 3.0)
    )  # the threshold
    assert heights[1] - 0.30103 * steps[0] == pytest.approx(limit.spots[0][1], abs=0.01)
    assert {"G1.R, kΩ", "limit", "G1.LOW"} <= set(texts(drawing))
    assert "outside" not in texts(drawing)
    title, mark = (
        next(i for i in drawing.items if isinstance(i, Label) and i.text == text)
        for text in ("G1.R, kΩ", "G1.LOW")
    )
    assert mark.spot[1] - mark.size > title.spot[1]  # clear of the title, wherever it comes


def test_nothing_measured_is_said() -> None:
    """An empty history gives a hatched picture that says so, not an empty scale."""
    drawing = plot.draw(thinned([], 0, 60 * S), name="G1.U", unit="V", logarithmic=False)
    assert "not measured" in texts(drawing)


@pytest.mark.parametrize("value", [0.0, 1e-3, 300.0, -300.0, 1e7])
@pytest.mark.parametrize("logarithmic", [True, False])
def test_every_spot_lies_in_the_picture(value: float, logarithmic: bool) -> None:
    """Zero, negative and huge values are drawn within the frame, with any uncertainty."""
    history = [(k * S, Sample("R", value, GOOD, 0, 1e4)) for k in (1, 2, 3)]
    drawing = plot.draw(thinned(history, 0, 9 * S), name="", unit="", logarithmic=logarithmic)
    for item in drawing.items:
        for x, y in item.spots if isinstance(item, Line | Area) else (item.spot,):
            assert 0 <= x <= drawing.width
            assert 0 <= y <= drawing.height


def test_a_place_is_drawn_with_its_reach() -> None:
    """30 % with 5 % expanded uncertainty lies between 25 and 35 % of the scale below."""
    drawing = winding.draw((winding.Place("fault", 0.30, 0.05, "(30 ± 5) %"),))
    ticks = {
        i.text: i.spot[0] for i in drawing.items if isinstance(i, Label) and i.text.endswith(" %")
    }
    (band,) = (i for i in drawing.items if isinstance(i, Area) and i.opacity < 1)
    left, right = (min(x for x, _ in band.spots), max(x for x, _ in band.spots))
    assert (ticks["20 %"] + ticks["30 %"]) / 2 == pytest.approx(left)
    assert (ticks["30 %"] + ticks["40 %"]) / 2 == pytest.approx(right)
    assert "fault: (30 ± 5) %" in texts(drawing)


def test_an_unknown_place_is_not_drawn() -> None:
    """Without a location there is no mark, only the reason."""
    known = winding.draw(())
    drawing = winding.draw((winding.Place("fault", None, None, "location not known (Bad)"),))
    assert len(known.items) + 1 == len(drawing.items)
    assert "fault: location not known (Bad)" == texts(drawing)[-1]
