"""Alarms of a site file that fit, and the operating states that they may name."""

import pytest

STATES = """\
    operating_states:
      running: {tag: G1.C}
      hot: {tag: G1.UP, above: 200 V}
"""
ALARMS = """\
alarms:
  - {name: G1.FAR, machine: G1, kind: deviation, tag: G1.R, reference: G1.LOOP, more_than: 1 Mohm,
     group: rotor}
  - {name: G1.FALLS, machine: G1, kind: rate of change, tag: G1.R, falls_by: 1 Mohm, within: 1 h,
     group: rotor, suppressed_when: (not running or not excited) and cold}
"""


def test_alarms_that_fit_are_not_told(plant):
    """Deviation, rate of change, groups and suppression of a sound file make no fault."""
    plant.edit(("    pulse_injection:", STATES + "    pulse_injection:"), ("alarms:\n", ALARMS))
    assert [] == plant.faults()


@pytest.mark.parametrize("state", ["excited", "running", "standstill", "hot", "cold", "loaded"])
def test_a_state_that_nothing_tells_suppresses_no_alarm(plant, state):
    """An operating state that the machine does not have is told, with what would give it."""
    needed = {
        "excited": "operating_states.excited or field_winding.field_voltage",
        "standstill": "operating_states.running",
        "cold": "operating_states.hot",
    }.get(state, f"operating_states.{state}")
    plant.edit(
        (", field_voltage: G1.UP}", "}"),
        ("below: 20 kohm", f"below: 20 kohm, suppressed_when: not {state}"),
    )
    (told,) = plant.faults()
    assert told.endswith(f"; give the machine {needed}")


def test_the_field_voltage_tells_excitation(plant):
    """With a field voltage of the winding, an alarm may be suppressed without excitation."""
    plant.edit(("below: 20 kohm", "below: 20 kohm, suppressed_when: not excited"))
    assert [] == plant.faults()


def test_a_misspelt_group_is_told_beside_the_one_that_is_meant(plant):
    """A group of one alarm is a warning, with the name that it may have been meant to be."""
    plant.edit(
        ("below: 20 kohm", "below: 20 kohm, group: rotor"),
        ("kind: contact, tag: G1.C}", "kind: contact, tag: G1.C, group: rotor}"),
        ("kind: malfunction,", "kind: malfunction, group: rotr,"),
    )
    (told,) = plant.faults()
    assert told.endswith("being first says nothing; did you mean 'rotor'?")


def test_a_group_of_an_alarm_at_fault_is_not_lonely(plant):
    """Whose partner has a fault of its own is not told to be alone in the group."""
    plant.edit(
        ("below: 20 kohm", "below: 20 kohm, group: rotor"),
        ("kind: malfunction,", "kind: malfunction, group: rotor, priority: urgent,"),
    )
    (told,) = plant.faults()
    assert "alarms[2].priority: 'urgent' is not one of low, medium, high, critical" in told


@pytest.mark.parametrize(
    ("right", "wrong", "told"),
    [
        ("more_than: 1 Mohm", "more_than: 1 Mohm, deadband: 100 %", "the alarm never clears"),
        ("within: 1 h", "within: 1 h, deadband: 120 %", "the alarm never clears"),
        ("within: 1 h", "within: 900 ms", "the scan of G1, 1 s, or it never comes"),
    ],
)
def test_an_alarm_that_would_never_clear_or_come_is_told(plant, right, wrong, told):
    """A deadband as large as the amount, and a time in which nothing is seen to move, are told."""
    plant.edit(
        ("    pulse_injection:", STATES + "    pulse_injection:"),
        ("alarms:\n", ALARMS.replace(right, wrong)),
    )
    (fault,) = plant.faults()
    assert fault.endswith(told)
