"""A second fault is told only where a first one was: insulation that fails is no second fault."""

from pathlib import Path

import pytest

from gateway.report.case import second_fault_between
from gateway.site.installed import Site
from gateway.site.read import read
from gateway.tags import GOOD, Frame, Instant, Sample

CONFIG = Path(__file__).parents[2] / "config"


@pytest.fixture(scope="module")
def site() -> Site:
    return read(CONFIG / "demo.yaml")[0]


def frame(kohm: float, percent: float) -> Frame:
    """A step of U1 that measured this resistance and place, each within 1 %."""
    samples = (
        Sample("U1.FAULT_RESISTANCE", kohm, GOOD, 1, 0.01 * kohm),
        Sample("U1.FAULT_LOCATION", percent, GOOD, 1, 0.5),
    )
    return Frame("U1", 1, Instant(1, 1), (), (), samples, (), ())


def test_one_more_fault_is_told(site: Site) -> None:
    """15 kohm at 20 % and then 4 kohm at 85 % beside it: the second one is found again.

    Outside check: conductances add, 1/15 + 1/4 = 19/60; the place is the mean weighted by them.
    """
    kohm = 60 / 19
    percent = kohm * (20 / 15 + 85 / 4)
    found = second_fault_between(site, frame(15.0, 20.0), frame(kohm, percent))
    assert found is not None
    assert 4e3 == pytest.approx(found.resistance_ohm.value, rel=1e-6)
    assert 0.85 == pytest.approx(found.location_pu.value, rel=1e-6)


def test_what_follows_sound_insulation_is_the_first_fault(site: Site) -> None:
    """5 Mohm is insulation: 3 kohm after it, wherever it lies, is no second fault."""
    assert second_fault_between(site, frame(5e3, 50.0), frame(3.0, 97.0)) is None
