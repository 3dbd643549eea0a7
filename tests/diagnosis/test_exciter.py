"""The field voltage fits the exciter's field current, or is said not to."""

import json

import pytest
from pydantic import TypeAdapter

from gateway.diagnosis.exciter import ExciterMemory, ExciterWatch
from gateway.tags import UNCERTAIN_LAST_USABLE_VALUE, Subject
from tests.diagnosis.evidence_site import sample, seen, site


def run(volts, amperes, *, seconds=40, memory=None, watch=None, **more):
    watch, memory = watch or ExciterWatch(site(), "P1"), memory or ExciterMemory()
    found = []
    for _ in range(seconds):
        memory, found = watch.step(memory, seen({"P1.UP": volts, "P1.IE": amperes}, **more))
    return memory, found


@pytest.mark.parametrize(
    ("volts", "amperes", "fits"),
    [
        (350.0, 7.0, True),
        (350.0 * 1.15, 7.0, True),
        (350.0 * 1.151, 7.0, False),
        (350.0 * 0.849, 7.0, False),
        (0.0, 0.0, True),
        (5.0, 0.0, True),  # remanence: within 15 % of a tenth of 350 V
        (5.3, 0.0, False),
        (-350.0, 7.0, False),  # the wrong polarity
        (200.0, 0.0, False),
    ],
)
def test_the_voltage_is_the_current_times_the_ratio_within_the_accuracy(volts, amperes, fits):
    """50 V for each ampere within 15 %, and near no excitation within 15 % of a tenth of 350 V."""
    _, found = run(volts, amperes)
    assert fits is (found == [])


def test_uncertainties_of_both_widen_what_fits():
    """k = 2 of the voltage and of the current times the ratio come on top of the accuracy."""
    volts = sample("P1.UP", 350.0 * 1.15 + 2 * 3.0 + 2 * 50 * 0.1 - 0.01, u=3.0)
    amperes = sample("P1.IE", 7.0, u=0.1)
    assert [] == run(volts, amperes)[1]
    assert 1 == len(run(volts.value + 0.02, amperes)[1])


def test_either_may_be_wrong_and_both_are_said():
    """The finding stands on the field voltage and names both tags with their figures."""
    _, found = run(240.0, 7.0)
    assert [("P1.UP", Subject.VALUE, "field voltage unfit")] == [
        (f.subject, f.kind, f.cause) for f in found
    ]
    for part in ("P1.UP 240 V", "P1.IE 7 A", "350 V", "either"):
        assert part in found[0].detail


def test_a_misfit_must_last_and_unknown_freezes_it():
    """Nothing is said for 30 s of misfit; a held, bad or blind value stops the time and clears
    nothing; the text stands still while it lasts; a fit clears at once."""
    watch = ExciterWatch(site(), "P1")
    memory, found = run(240.0, 7.0, seconds=30, watch=watch)
    assert [] == found
    held = sample("P1.UP", 350.0, status=UNCERTAIN_LAST_USABLE_VALUE)
    frozen, found = run(held, 7.0, seconds=99, memory=memory, watch=watch)
    assert ([], True) == (found, frozen is memory)
    memory, found = run(240.0, 7.0, seconds=1, memory=memory, watch=watch)
    assert 1 == len(found)
    assert found == run(230.0, 7.0, seconds=1, memory=memory, watch=watch)[1]
    frozen, kept = run(350.0, 7.0, memory=memory, watch=watch, blind=("P1.IE",))
    assert (found, True) == (kept, frozen is memory)
    adapter = TypeAdapter(ExciterMemory)
    plain = json.loads(json.dumps(adapter.dump_python(memory, mode="json")))
    assert memory == adapter.validate_python(plain)
    memory, found = run(350.0, 7.0, seconds=1, memory=memory, watch=watch)
    assert (ExciterMemory(), []) == (memory, found)


def test_without_a_check_nothing_is_found():
    """A machine whose site file has no exciter check gives no finding."""
    assert [] == run(240.0, 7.0, watch=ExciterWatch(site(P1={"exciter": None}), "P1"))[1]
