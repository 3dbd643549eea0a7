"""Scenario files: the bundled ones, and the texts that wrong ones get."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simulator.monitor import DcReading, PulseReading
from simulator.scenario import ScenarioError, load

if TYPE_CHECKING:
    from tests.simulator.conftest import At, Write

CONFIG = Path(__file__).parents[2] / "config"
PLANT = CONFIG / "plants" / "three-machines.yaml"
HEAD = f"scenario: a test\nplant: {PLANT}\nseed: 7\n"


def faults_of(path: Path, text: str) -> list[str]:
    """Return the texts that a scenario gets, without the path before line and column."""
    path.write_text(text)
    with pytest.raises(ScenarioError) as refused:
        load(path)
    return [told.removeprefix(f"{path}:") for told in refused.value.texts]


def test_all_bundled_scenarios_load() -> None:
    """All of them are without fault, on the one invented plant."""
    paths = sorted((CONFIG / "scenarios").glob("*.yaml"))
    assert paths
    for path in paths:
        assert "Osier Weir" == load(path).plant.name


@pytest.mark.parametrize(
    ("name", "machine", "resistance_ohm", "location"),
    [
        ("healthy", "U1", 5e6, 0.5),
        ("slow-insulation-loss", "U1", 6e3, 0.35),
        ("sudden-fault-near-an-end", "U1", 3e3, 0.03),
        ("sudden-fault-near-an-end", "U3", 3e3, 0.97),
        # 15 kohm at 0.2 beside 4 kohm at 0.85: conductance-weighted mean.
        ("second-fault", "U1", 3157.9, 0.71316),
    ],
)
def test_scenarios_reach_their_end_within_eight_seconds_and_hold_it(
    at: At, name: str, machine: str, resistance_ohm: float, location: float
) -> None:
    """The monitor itself reads the stated fault after 8 s and still after 60 s."""
    for time_s in (8.0, 60.0):
        installation = at(load(CONFIG / "scenarios" / f"{name}.yaml"), time_s)
        reading = installation.monitors[machine].reading
        assert isinstance(reading, PulseReading)
        assert pytest.approx(resistance_ohm, rel=0.01) == reading.own_resistance_ohm
        assert pytest.approx(location, abs=0.01) == reading.own_location


def test_every_fault_is_told_at_once_with_its_place(tmp_path: Path) -> None:
    """Five faults give five texts, each with line and column, and what would be right."""
    told = faults_of(
        tmp_path / "bad.yaml",
        f"scenario: a test\nplant: {PLANT}\nseed: many\ntimeline:\n"
        "  - {at: 5, machine: U1, insulation: 5 Mohm}\n"
        "  - {at: 5 s, machine: U9, insulation: 5 Mohm}\n"
        "  - {at: 5 s, loop: u1-resistance-loop, state: broken}\n"
        "  - {at: 5 s, machine: U1, isolation: 5 Mohm}\n",
    )
    places = [text.split(": ", 1)[0] for text in told]
    assert ["3:7", "5:10", "6:24", "7:48", "8:28"] == places
    assert "write a whole number" in told[0]
    assert "write a time such as '0.5 s'" in told[1]
    assert "choose one of U1, U2, U3" in told[2]
    assert "wire break" in told[3]
    assert "'isolation' is not known here" in told[4]


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("{at: 1 s, machine: U1, lamp: 50 %}", "no light path"),
        ("{at: 1 s, machine: U3, brush: always in contact}", "no retractable brush"),
        ("{at: 1 s, machine: U1, brush: {contact: 9 s, every: 3 s}}", "shorter"),
        ("{at: 1 s, machine: U1, fault: {location: 1.2, resistance: 3 kohm}}", "from 0 to 1"),
        ("{at: 1 s, machine: U1, fault: {location: 0.1, resistance: {to: 3 kohm, over: 5 s}}}",
         "add 'from'"),
        ("{at: 1 s, machine: U1, insulation: 0 ohm}", "too small"),
        ("{at: 1 s, device: u2-monitor, state: telemetry lost}", "healthy"),
        ("{at: 1 s, device: analog-inputs, state: frozen}", "silent"),
        ("{at: 1 s, device: u3-monitor, state: refused}", "silent"),
        ("{at: 1 s, machine: U1}", "says nothing"),
        ("{at: 1 s, machine: U1, device: u1-monitor, state: silent}", "name one thing"),
        ("{at: 1 s, state: silent}", "name one thing"),
        ("{at: 1 s, at: 2 s, machine: U1, insulation: 5 Mohm}", "repeated"),
        ("{at: -1 s, machine: U1, insulation: 5 Mohm}", "too small"),
        ("{at: 1 s, machine: U1, light_circuit: failed}", "no light path"),
        ("{at: 1 s, machine: U1, link_quality: 50 %}", "no telemetry"),
        ("{at: 1 s, machine: U3, brush_resistance: 50 ohm}", "no brush"),
        ("{at: 1 s, machine: U3, brush: drive stuck}", "no retractable brush"),
        ("{at: 1 s, machine: U1, brush: gone}", "pressed without contact"),
        ("{at: 1 s, machine: U1, exciter_current: 140 %}", "'exciter_field_current'"),
        ("{at: 1 s, machine: U1, moisture: {to: 5 %, over: 1 h}}", "cannot be a ramp"),
        ("{at: 1 s, machine: U1, insulation_halves_every: 10 degC}", "such as '10 K'"),
        ("{at: 1 s, machine: U1, self_test: {every: 1 s, lasts: 2 s}}", "shorter"),
        ("{at: 1 s, machine: U1, fault: {location: 0, resistance: 1 ohm, only: {duty: 5 %}}}",
         "write both"),
        ("{at: 1 s, machine: U1, fault: {location: 0, resistance: 1 ohm, only: {duty: 150 %, "
         "period: 9 s}}}", "more than 100 %"),
        ("{at: 1 s, machine: U1, fault: {location: 0, resistance: 1 ohm, only: {lamp_above: 1 %}}}",
         "'lamp_above' is not known"),
        ("{at: 1 s, contact: u1-alarm-contact, state: stuck}", "stuck closed"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(tmp_path: Path, line: str, expected: str) -> None:
    """An event that the plant cannot have is refused with a text that helps."""
    told = faults_of(tmp_path / "bad.yaml", f"{HEAD}timeline:\n  - {line}\n")
    assert told
    assert all(text.startswith("5:") for text in told)
    assert any(expected in text for text in told)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "is empty"),
        ("scenario: [", "is not YAML"),
        ("a: &x 1\nb: *x\n", "aliases"),
        ("- 1\n- 2\n", "key: value"),
        ("scenario: s\nplant: nowhere.yaml\nseed: 1\n", "cannot be read"),
        (HEAD + "timeline: none\n", "must be a list"),
        ("plant: x\nseed: 1\n", "'scenario' is missing"),
        ("scenario: \x00\n", "is not YAML"),
        ("[" * 700 + "]" * 700, "nested too deeply"),
        (f"scenario: s\nplant: {PLANT}\nseed: --5\n", "write a whole number"),
    ],
)
def test_broken_files_are_refused(tmp_path: Path, text: str, expected: str) -> None:
    """A file that is no scenario at all gets a text, never a traceback."""
    assert any(expected in told for told in faults_of(tmp_path / "bad.yaml", text))


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    """A path that leads nowhere is told with the path."""
    with pytest.raises(ScenarioError, match=r"nowhere\.yaml:1:1: cannot be read"):
        load(tmp_path / "nowhere.yaml")


def test_faults_of_the_plant_file_are_told_with_its_name(tmp_path: Path) -> None:
    """A wrong plant file is told where it is wrong, not where it is named only."""
    plant = tmp_path / "plant.yaml"
    plant.write_text(
        PLANT.read_text()
        .replace("machine: U1, tcp_offset: 0, unit: 1", "machine: U2, tcp_offset: 0, unit: 0")
        .replace("channel: 1", "channel: 0")
        .replace("law: linear", "law: square", 1)
        .replace("access: optical link", "access: retractable brush")
    )
    told = faults_of(tmp_path / "s.yaml", "scenario: s\nplant: plant.yaml\nseed: 1\n")
    assert any("another kind of monitor" in text for text in told)
    assert any("from 1 to 247" in text for text in told)
    assert any("same address" in text for text in told)
    assert any("linear, logarithmic" in text for text in told)
    assert any("choose one of collector rings, optical link, telemetry" in text for text in told)
    assert any("has no light level" in text for text in told)
    assert 6 == sum(text.startswith(f"{plant}:") for text in told)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.text(max_size=80))
def test_no_text_does_more_than_being_refused(tmp_path: Path, text: str) -> None:
    """Whatever stands in a timeline, the file loads or is refused with texts."""
    path = tmp_path / "any.yaml"
    path.write_text(f"{HEAD}timeline:\n  - {text}\n", encoding="utf-8", errors="replace")
    try:
        load(path)
    except ScenarioError as refused:
        assert refused.texts


def test_the_language_of_the_manual_is_read(scenario: Write, at: At) -> None:
    """All settings that the manual shows are read, and the machine is as told."""
    told = scenario(
        "  - {at: 0 s, machine: U1, field_voltage: 300 V, ripple: 5 %, ripple_frequency: 300 Hz}\n"
        "  - {at: 0 s, machine: U1, temperature: 60 degC, capacitance: 1 uF, insulation: 9 Mohm}\n"
        "  - {at: 0 s, machine: U1, brush: {contact: 20 s, every: 60 s}}\n"
        "  - {at: 0 s, machine: U2, lamp: {from: 90 %, to: 40 %, over: 2 s}}\n"
        "  - {at: 1 s, contact: u1-alarm-contact, state: wire break}\n",
        head="duration: 10 min\nrepeat: 6 min\n",
    )
    assert 600.0 == told.duration_s
    installation = at(told, 5.0)
    assert 600 == installation.registers(told.plant.devices["u1-monitor"])[14]
    pulse, dc = (installation.monitors[machine].reading for machine in ("U1", "U2"))
    assert isinstance(pulse, PulseReading)
    assert isinstance(dc, DcReading)
    assert pytest.approx(300.0, abs=1.0) == pulse.field_plus_v
    assert pytest.approx(0.4, abs=0.02) == dc.light
    assert not installation.circuit_closed(told.plant.contacts["u1-alarm-contact"])
