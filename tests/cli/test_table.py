"""What the demo's table shows of a machine."""

import io
import time
from pathlib import Path

import pytest
from rich.console import Console

from gateway.cli.table import Row, row_of, table_of
from gateway.serve.outlet import lost_after_s
from gateway.site.read import read
from gateway.tags import (
    BAD_SENSOR_FAILURE,
    GOOD,
    UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE,
    AlarmRecord,
    AlarmState,
    Conclusion,
    Evidence,
    Finding,
    Frame,
    HealthRecord,
    Instant,
    Sample,
    StatusSignal,
    Subject,
)

CONFIG = Path(__file__).parents[2] / "config"


@pytest.mark.parametrize("scan_s", [0.5, 5.0])
def test_news_is_missed_as_late_as_the_outlets_miss_it(tmp_path: Path, scan_s: float) -> None:
    """A machine that is scanned slowly is not called lost between two of its scans."""
    (tmp_path / "profiles").symlink_to(CONFIG / "profiles")
    text = (CONFIG / "demo.yaml").read_text(encoding="utf-8")
    (tmp_path / "site.yaml").write_text(text.replace("scan: 500 ms", f"scan: {scan_s} s"))
    site = read(tmp_path / "site.yaml")[0]
    machine = site.machine("U2")
    frame = Frame("U2", 1, Instant(1, 1), (), (), (), (), ())
    lost_s = lost_after_s(machine)
    fresh, old = (
        row_of(site, machine, (frame, time.monotonic() - age_s)).status
        for age_s in (0.9 * lost_s, 1.1 * lost_s)
    )
    assert ("-", "no news from the field side") == (fresh, old)


def demo_row(
    machine: str,
    *samples: Sample,
    alarms: tuple[AlarmRecord, ...] = (),
    evidence: tuple[Evidence, ...] = (),
    health: tuple[HealthRecord, ...] = (),
) -> Row:
    site = read(CONFIG / "demo.yaml")[0]
    at = Instant(1, 1)
    frame = Frame(machine, 1, at, (), (), samples, alarms, (), health=health, evidence=evidence)
    return row_of(site, site.machine(machine), (frame, time.monotonic()))


def test_trouble_of_a_tag_without_a_column_is_named() -> None:
    """A machine whose loop is broken does not read as Good because its other values are."""
    voltage = Sample("U2.FIELD_VOLTAGE", 250.0, GOOD, 1, 0.29)
    loop = Sample("U2.LIGHT_LOOP", None, BAD_SENSOR_FAILURE, 1)
    row = demo_row("U2", voltage, loop)
    assert ("250.00 ± 0.58 V", "BadSensorFailure: LIGHT_LOOP") == (row.field_voltage, row.status)
    assert "Good" == demo_row("U2", voltage).status


def test_alarm_that_cannot_be_judged_is_not_called_none() -> None:
    """An unknown condition is shown, whatever the state of its alarm."""
    blind = AlarmRecord("U2.LIGHT_LOW", AlarmState.NORMAL, False, 0)
    seen = AlarmRecord("U2.MALFUNCTION", AlarmState.NORMAL, True, 0)
    assert ("cannot be judged now: LIGHT_LOW",) == demo_row("U2", alarms=(blind, seen)).alarms
    assert ("no alarm",) == demo_row("U2", alarms=(seen,)).alarms


def test_alarm_stands_with_the_conclusion_of_its_evidence() -> None:
    """Who sees an alarm sees how far to believe it, and what was believed of one that is gone."""
    name = "U1.EARTH_FAULT_STAGE_1"
    evidence = Evidence(name, Conclusion.SINGLE_PATH, (), (), (), ())
    there = AlarmRecord(name, AlarmState.UNACKNOWLEDGED, True, 1, present=True)
    gone = AlarmRecord(name, AlarmState.RETURNED_UNACKNOWLEDGED, True, 1)
    assert [
        ("EARTH_FAULT_STAGE_1 (unacknowledged; single path)",),
        ("EARTH_FAULT_STAGE_1 (returned unacknowledged; was single path)",),
        ("EARTH_FAULT_STAGE_1 (unacknowledged)",),
    ] == [
        demo_row("U1", alarms=(record,), evidence=told).alarms
        for record, told in ((there, (evidence,)), (gone, (evidence,)), (there, ()))
    ]


def test_worst_health_of_the_machine_is_shown() -> None:
    """The worst status signal with what has it; no health record is not a normal one."""
    well = HealthRecord("u2-net", Subject.LINK, StatusSignal.NORMAL)
    ill = HealthRecord(
        "U2.LIGHT_LOOP", Subject.LOOP, StatusSignal.FAILURE, (Finding("wire break", 1),)
    )
    assert ["failure: U2.LIGHT_LOOP, wire break", "normal", "not known"] == [
        demo_row("U2", health=records).health for records in ((well, ill), (well,), ())
    ]


def test_table_fits_a_terminal_of_80_columns() -> None:
    """The longest status and alarm are readable there in full, and no line is longer."""
    stale = UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE
    alarm = AlarmRecord("U1.EARTH_FAULT_STAGE_2", AlarmState.LATCHED_UNACKNOWLEDGED, True, 1)
    row = demo_row(
        "U1",
        Sample("U1.FAULT_RESISTANCE", 9999.0, stale, 1, 500.0),
        Sample("U1.FAULT_LOCATION", 30.5, stale, 1, 0.18),
        Sample("U1.FIELD_VOLTAGE_POSITIVE", 350.0, stale, 1, 0.5),
        alarms=(alarm,),
    )
    console = Console(width=80, record=True, file=io.StringIO())
    console.print(table_of([row]))
    lines = console.export_text().splitlines()
    assert max(map(len, lines)) <= 80
    shown = "".join(line[lines[1].index("tags;") :].strip() for line in lines)
    assert stale.name in shown
    assert "…" not in "".join(lines)
