"""The detector block of a machine: what it takes, and what is told of a wrong one."""

import re

import pytest

from gateway.site.detector import AcDetector, DcDetector, DividerDetector, PulseDetector

PULSE = "{method: pulse injection, pickup_resistance: 20 kohm}"
DC = (
    "{method: DC injection, injection_voltage: 24 V, series_resistance: 12 kohm, "
    "pickup_current: 1 mA}"
)
DIVIDER = (
    "{method: voltage divider, leg_positive: 20 kohm, leg_negative: 10 kohm, "
    "relay_resistance: 5 kohm, pickup_current: 2 mA,\n"
    "      varistor: {leg: negative, voltage: 60 V, current: 1 mA, exponent: 0.25}}"
)
AC = (
    "{method: AC injection, voltage: 50 V, frequency: 50 Hz, series_resistance: 500 ohm, "
    "winding_capacitance: 0.5 uF, pickup_current: 10 mA}"
)
KINDS = {
    "pulse injection": (PULSE, PulseDetector),
    "DC injection": (DC, DcDetector),
    "voltage divider": (DIVIDER, DividerDetector),
    "AC injection": (AC, AcDetector),
}


def with_detector(plant, text, detection="pulse injection"):
    """The site with a detector; without the pulse computation where there are no pulses."""
    line = "    detection: pulse injection\n"
    plant.edit((line, f"    detection: {detection}\n    detector: {text}\n"))
    if detection != "pulse injection":
        site = plant.texts["site.yaml"]
        start, end = site.index("    pulse_injection:\n"), site.index("links:\n")
        plant.texts["site.yaml"] = site[:start] + site[end:]
        plant.edit(("tag: G1.R, below: 20 kohm", "tag: G1.LOOP, below: 20 kohm"))
        plant.edit(("tags: [G1.R, ", "tags: ["))
    return plant


@pytest.mark.parametrize("method", KINDS)
def test_each_method_has_its_block(plant, method):
    """A detector of each method is read without a word, and knows its method."""
    text, kind = KINDS[method]
    site, faults = with_detector(plant, text, method).read()
    detector = site.machine("G1").detector
    assert [] == faults
    assert (kind, method) == (type(detector), detector.method)


def test_quantities_are_si(plant):
    """What is written with units is held in ohm, ampere and volt."""
    detector = with_detector(plant, DC, "DC injection").read()[0].machine("G1").detector
    held = (detector.injection_voltage, detector.series_resistance, detector.pickup_current)
    assert (24.0, 12e3, 1e-3) == held
    assert (0.0, "positive", True) == (detector.tap, detector.pole_to_winding, detector.polarised)


def test_machine_without_a_detector_is_fine(plant):
    """The block is a matter of choice."""
    assert None is plant.read()[0].machine("G1").detector


@pytest.mark.parametrize(
    ("detection", "text", "at", "told"),
    [
        ("pulse injection", DC, "DC injection",
         "detector.method: this machine has 'detection: pulse injection'; its detector must be "
         "one"),
        ("pulse injection", "{method: DC injektion}", "DC injektion",
         "detector.method: 'DC injektion' is not one of pulse injection, DC injection, voltage "
         "divider, AC injection; did you mean 'DC injection'?"),
        ("pulse injection", "{pickup_resistance: 20 kohm}", "{pickup_resistance",
         "detector: 'method' is missing; one of AC injection, DC injection, pulse injection, "
         "voltage divider"),
        ("pulse injection", "{method: pulse injection}", "{method",
         "detector: 'pickup_resistance' is missing; write for example 'pickup_resistance: 20 "
         "kohm'"),
        ("pulse injection", "{method: pulse injection, pickup_resistence: 20 kohm}",
         "pickup_resistence", "detector.pickup_resistence: unknown key; did you mean "
         "'pickup_resistance'?"),
        ("pulse injection", "{method: pulse injection, pickup_resistance: 1 mA}", "1 mA",
         "detector.pickup_resistance: '1 mA' is a current; a resistance is needed here (ohm, "
         "kohm, Mohm)"),
        ("DC injection", DC.replace("1 mA", "0 mA"), "0 mA",
         "detector.pickup_current: must be more than 0, not '0 mA'"),
        ("DC injection", DC.replace("1 mA", "1 mA, tap: 120 %"), "120 %",
         "detector.tap: must lie between 0 % (negative end) and 100 % of the winding, not "
         "'120 %'"),
        ("voltage divider", DIVIDER.replace("0.25", "1.5"), "1.5",
         "detector.varistor.exponent: must be at most 1.0, not 1.5"),
        ("voltage divider", DIVIDER.replace("leg: negative", "leg: middle"), "middle",
         "detector.varistor.leg: 'middle' is not one of positive, negative"),
        ("AC injection", AC.replace("50 Hz", "50"), "50,",
         "detector.frequency: a number with its unit is needed, such as '50 Hz'"),
        ("AC injection", AC.replace("0.5 uF", "0 uF"), "0 uF",
         "detector.winding_capacitance: must be more than 0, not '0 uF'"),
    ],
)  # fmt: skip
def test_one_fault_is_told_once(plant, detection, text, at, told):
    """One thing wrong is one text, at its place, with what would be right there."""
    found = with_detector(plant, text, detection).faults()
    assert [f"machines[0].{told}"] == [re.sub(r"^site.yaml:\d+:\d+: ", "", f) for f in found]
    line, column = map(int, found[0].split(":")[1:3])
    assert plant.texts["site.yaml"].splitlines()[line - 1][column - 1 :].startswith(at)
