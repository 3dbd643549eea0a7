"""Each scenario of the simulated plant ends in the right tags, statuses and alarms, as they are
seen through OPC UA, through Modbus and in the archive."""

import asyncio
import math
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from gateway.tags import GOOD, UNCERTAIN_LAST_USABLE_VALUE, Status
from tests.scenarios.plant import Plant, running

# Until every end state is reached and every delay has run.
WITHIN_S = 45.0

LAST_USABLE = "UncertainLastUsableValue"
NO_COMMUNICATION = "UncertainNoCommunicationLastUsableValue"
HEALTHY = {
    "U1.FAULT_RESISTANCE": (1000.0, 1e6, "Good"),
    "U1.RESISTANCE_LOOP": (1000.0, 1e5, "Good"),
    "U2.DARK_CONTACT": (0, 0, "Good"),
    "U2.LIGHT_LOOP": (90.0, 100.0, "Good"),
    "U3.FAULT_RESISTANCE": (1000.0, 1e6, "Good"),
    "U3.RESISTANCE_LOOP": (1000.0, 1e5, "Good"),
}
ANY = (-math.inf, math.inf)


@dataclass(frozen=True)
class End:
    """What differs from a healthy plant: ranges and statuses of tags, states of alarms."""

    tags: dict[str, tuple[float, float, str]] = field(default_factory=dict)
    alarms: dict[str, str] = field(default_factory=dict)
    unknown: frozenset[str] = frozenset()  # alarms whose condition cannot be judged


def _fault(machine: str, kohm: float, percent: float) -> dict[str, tuple[float, float, str]]:
    """Resistance within 10 %, location within 2 % of the winding, on every path."""
    low, high = 0.9 * kohm, 1.1 * kohm
    return {
        f"{machine}.FAULT_RESISTANCE": (low, high, "Good"),
        f"{machine}.RESISTANCE_MONITOR": (low, high, "Good"),
        f"{machine}.RESISTANCE_LOOP": (low, high, "Good"),
        f"{machine}.FAULT_LOCATION": (percent - 2, percent + 2, "Good"),
        f"{machine}.ALARM_CONTACT": (1, 1, "Good"),
    }


STAGE_1, STAGE_2 = "EARTH_FAULT_STAGE_1", "EARTH_FAULT_STAGE_2"
ENDS = {
    "healthy": End(),
    "slow-insulation-loss": End(_fault("U1", 6.0, 35.0), {f"U1.{STAGE_1}": "unacknowledged"}),
    "sudden-fault-near-an-end": End(
        _fault("U1", 3.0, 3.0) | _fault("U3", 3.0, 97.0),
        {f"{u}.{stage}": "unacknowledged" for u in ("U1", "U3") for stage in (STAGE_1, STAGE_2)},
    ),
    # 15 kohm at 0.2 and 4 kohm at 0.85 read as one fault of 3.158 kohm at 0.7132: conductances
    # add, places are their weighted mean (Kirchhoff's laws).
    "second-fault": End(
        _fault("U1", 3.158, 71.3),
        {f"U1.{stage}": "unacknowledged" for stage in (STAGE_1, STAGE_2)},
    ),
    "wire-break": End(
        {"U1.RESISTANCE_LOOP": (*ANY, "BadSensorFailure, limit low")},
        {"U1.MALFUNCTION": "unacknowledged"},
    ),
    "loop-over-range": End(
        # 20.3 mA on 1 kohm to 10 Mohm, four decades over 16 mA: 11 885 kohm.
        {"U3.RESISTANCE_LOOP": (11800, 11970, "UncertainEngineeringUnitsExceeded, limit high")}
    ),
    "frozen-value": End(
        {
            "U3.FAULT_RESISTANCE": (*ANY, LAST_USABLE),
            "U3.RESISTANCE_MONITOR": (*ANY, LAST_USABLE),
            "U3.CURRENT_POSITIVE": (*ANY, LAST_USABLE),
        },
        {"U3.MALFUNCTION": "unacknowledged"},
        frozenset({f"U3.{STAGE_1}", f"U3.{STAGE_2}"}),
    ),
    "telemetry-loss": End(
        {
            "U3.FAULT_RESISTANCE": (*ANY, NO_COMMUNICATION),
            "U3.RESISTANCE_MONITOR": (*ANY, NO_COMMUNICATION),
            # The loop is alive, and repeats what the receiver holds.
            "U3.RESISTANCE_LOOP": (*ANY, LAST_USABLE),
        },
        {"U3.MALFUNCTION": "unacknowledged"},
        frozenset({f"U3.{STAGE_1}", f"U3.{STAGE_2}"}),
    ),
    "monitor-dead": End(
        {
            "U2.FIELD_VOLTAGE": (*ANY, NO_COMMUNICATION),
            "U2.INJECTED_CURRENT": (*ANY, NO_COMMUNICATION),
            "U2.LIGHT_MONITOR": (*ANY, NO_COMMUNICATION),
        },
        {"U2.MALFUNCTION": "unacknowledged"},
        frozenset({"U2.EARTH_FAULT"}),
    ),
    "noisy-link": End(),
}


def _wrong(value: Any, status: Status, want: tuple[float, float, str]) -> bool:
    low, high, name = want
    if status.name != name:
        return True
    return not status.is_bad and not low <= float(value) <= high


async def differences(plant: Plant, end: End) -> list[str]:
    """What is not yet as it must end, on each of the three ways out."""
    wanted = HEALTHY | end.tags
    alarms = {a.name: end.alarms.get(a.name, "normal") for a in plant.site.file.alarms}
    served, registers = await plant.over_opcua(), await plant.over_modbus()
    bits = await plant.alarm_bits()
    found = []
    for tag, want in wanted.items():
        value, status = served[tag]
        if _wrong(value, status, want):
            found.append(f"OPC UA {tag}: {value} {status.name}, wanted {want}")
        number, code, quality, _ = registers[tag]
        if _wrong(number, code, want) or math.isnan(number) != code.is_bad:
            found.append(f"Modbus {tag}: {number} {code.name}, wanted {want}")
        if quality != {"Good": 2, "Uncertain": 1, "Bad": 0}[code.severity]:
            found.append(f"Modbus {tag}: quality word {quality} for {code.name}")
        sample = plant.archived(tag)
        if _wrong(sample.value, sample.status, want):
            found.append(f"archive {tag}: {sample}, wanted {want}")
    for name, state in alarms.items():
        # A state that stands still because nobody can judge it says so in its status.
        judged = GOOD if name not in end.unknown else UNCERTAIN_LAST_USABLE_VALUE
        if served[f"{name}.State"] != (state, judged):
            found.append(f"OPC UA {name}: {served[f'{name}.State']}, wanted {state}")
        if bits[name] != (state != "normal", state == "unacknowledged"):
            found.append(f"Modbus {name}: {bits[name]}, wanted {state}")
    return found


@pytest.mark.parametrize("scenario", ENDS)
async def test_scenario_ends_as_told_on_every_way_out(scenario: str, tmp_path: Path) -> None:
    """The end of a scenario reads the same through OPC UA, Modbus and the archive."""
    with running(tmp_path, scenario) as plant:
        # A healthy plant looks healthy from the start: it must still do so when delays have run.
        await asyncio.sleep(20.0 if not ENDS[scenario].alarms else 5.0)
        deadline_s = time.monotonic() + WITHIN_S
        while found := await differences(plant, ENDS[scenario]):
            assert time.monotonic() < deadline_s, "\n".join(found)
            await asyncio.sleep(1.0)
        assert [] == await differences(plant, ENDS[scenario])
        if scenario == "noisy-link":
            assert await _failed_polls(plant) > 0


async def _failed_polls(plant: Plant) -> float:
    """Failed polls of the monitor of U3, as the metrics tell."""
    reader, writer = await asyncio.open_connection("127.0.0.1", plant.http_port)
    writer.write(b"GET /metrics HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
    text = (await reader.read()).decode()
    writer.close()
    line = next(x for x in text.splitlines() if "failed" in x and 'device="u3-monitor"' in x)
    return float(line.rsplit(" ", 1)[1])
