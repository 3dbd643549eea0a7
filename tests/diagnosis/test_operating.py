"""Operating states: by contact or magnitude, with a deadband, unknown where nothing is known."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from gateway.diagnosis.operating import Operating, OperatingMemory
from gateway.tags import (
    BAD_SENSOR_FAILURE,
    GOOD,
    UNCERTAIN_ENGINEERING_UNITS_EXCEEDED,
    UNCERTAIN_LAST_USABLE_VALUE,
    Limit,
)
from tests.diagnosis.access_site import MACHINES, sample, seen, site

BRUSHED = Operating(site(), "B1")  # running by a contact, hot above 60 degC, 350 V rated
ALL_UNKNOWN = {"excited": None, "running": None, "hot": None, "loaded": None}


def states(memory=None, **samples):
    given_by_tag = {f"B1.{key}": value for key, value in samples.items()}
    return BRUSHED.step(memory or OperatingMemory(), seen(given_by_tag))[:2]


def test_what_is_not_told_is_unknown():
    """A state without a tag, or whose tag has not been seen, is not known."""
    memory = OperatingMemory()
    assert (memory, ALL_UNKNOWN) == states(memory)
    assert memory is states(memory)[0]
    assert ALL_UNKNOWN == Operating(site(), "C1").step(OperatingMemory(), seen({}))[1]


def test_states_by_contact_and_by_magnitude():
    """A contact is as it says; a number counts by its magnitude, of whatever sign."""
    assert {"excited": True, "running": True, "hot": False, "loaded": None} == states(
        UP=-250.0, RUN=True, TEMP=20.0
    )[1]
    assert {"excited": False, "running": False, "hot": True, "loaded": None} == states(
        UP=17.0, RUN=False, TEMP=61.0
    )[1]


def test_a_state_that_is_told_stands_before_the_field_voltage():
    """Excitation is 5 % of the rated field voltage only where nothing else is told of it."""
    told = {**MACHINES["B1"]["operating_states"], "excited": {"tag": "B1.UN", "above": "100 V"}}
    other = Operating(site(B1={"operating_states": told}), "B1")
    both = {"B1.UP": 350.0, "B1.UN": 90.0}
    assert False is other.step(OperatingMemory(), seen(both))[1]["excited"]


def test_the_deadband_keeps_a_state():
    """Above 60 degC it is hot, until it is below 54; in between it is what it was."""
    memory, told = OperatingMemory(), []
    for value in (57.0, 60.0, 60.1, 57.0, 54.1, 53.9, 57.0):
        memory, now = states(memory, TEMP=value)
        told.append(now["hot"])
    assert [False, False, True, True, True, False, False] == told


@pytest.mark.parametrize(
    "odd",
    [
        sample("B1.TEMP", 90.0, status=UNCERTAIN_LAST_USABLE_VALUE),
        sample("B1.TEMP", 90.0, status=BAD_SENSOR_FAILURE),
        sample("B1.TEMP", 50.0, status=GOOD.with_limit(Limit.HIGH)),
    ],
)
def test_unknown_is_unknown_and_forgets_nothing(odd):
    """An old, bad or 'at least' value is no state, and the deadband goes on where it was."""
    memory = states(TEMP=70.0)[0]
    after, now = states(memory, TEMP=odd)
    assert (memory, None) == (after, now["hot"])
    assert True is states(after, TEMP=57.0)[1]["hot"]


def test_a_number_beyond_its_range_still_counts():
    """'At least 200 degC' is hot; a loop just under its live zero is no excitation."""
    high = UNCERTAIN_ENGINEERING_UNITS_EXCEEDED.with_limit(Limit.HIGH)
    assert True is states(TEMP=sample("B1.TEMP", 200.0, status=high))[1]["hot"]
    low = UNCERTAIN_ENGINEERING_UNITS_EXCEEDED.with_limit(Limit.LOW)
    assert False is states(UP=sample("B1.UP", -1.5, status=low))[1]["excited"]


def test_blind_is_unknown():
    """A tag that the monitoring is blind on tells no state."""
    assert (
        None
        is BRUSHED.step(OperatingMemory(), seen({"B1.RUN": True}, blind=("B1.RUN",)))[1]["running"]
    )


@given(st.lists(st.none() | st.floats(0, 120), max_size=30))
def test_a_state_is_true_above_and_false_below_whatever_came_before(values):
    """Only within the deadband does the past count; the memory survives being saved."""
    memory = OperatingMemory()
    adapter = TypeAdapter(OperatingMemory)
    for value in values:
        memory, now = states(memory, **({} if value is None else {"TEMP": value}))
        memory = adapter.validate_json(adapter.dump_json(memory))
        if value is None:
            assert None is now["hot"]
        elif value > 60:
            assert True is now["hot"]
        elif value <= 54:
            assert False is now["hot"]


def test_a_field_voltage_is_excitation_whatever_the_breaker_contact_says():
    """A broken wire reads like an open breaker, and must not pass for a machine at rest."""
    told = {**MACHINES["B1"]["operating_states"], "excited": {"tag": "B1.RUN"}}
    contact = Operating(site(B1={"operating_states": told}), "B1")

    def excited(closed, volts, memory=None, **more):
        given_by_tag = {"B1.RUN": closed, "B1.UP": volts}
        memory, states, found = contact.step(
            memory or OperatingMemory(), seen(given_by_tag, **more)
        )
        return states["excited"], memory, [f.cause for f in found]

    assert (True, OperatingMemory(excited=True, running=True), []) == excited(True, 350.0)
    assert (False, OperatingMemory(excited=False, running=False), []) == excited(False, 0.3)
    now, memory, causes = excited(False, 250.0)
    assert (True, []) == (now, causes)
    assert (True, ["excitation unclear"]) == excited(False, 250.0, memory, at_s=60.0)[::2]
    assert None is excited(True, 0.3)[0]
    # A voltage that is not seen contradicts nothing.
    assert False is excited(False, 250.0, blind=("B1.UP",))[0]
