"""`rotor-gateway health`, on a wall without a gateway behind it."""

import json
from pathlib import Path

from gateway.cli.health import sick, worst
from gateway.diagnosis.causes import CAUSES
from gateway.diagnosis.caution import CAUTION
from gateway.tags import Finding, HealthRecord, StatusSignal, Subject
from tests.cli.shown_frames import NOON_NS, S, frame, told

NORMAL, FAILURE = StatusSignal.NORMAL, StatusSignal.FAILURE
MAINTENANCE = StatusSignal.MAINTENANCE_REQUIRED
CLOCK = Finding("clock stepped", NOON_NS - 20 * S, "by 3 s")
EARLIER = Finding("clock stepped", NOON_NS - 30 * S, "by 3 s")
LOOP = HealthRecord(
    "U2.LIGHT_LOOP",
    Subject.LOOP,
    FAILURE,
    (Finding("wire break", NOON_NS - 300 * S, "2.1 mA"),),
)
U1 = frame(
    "U1",
    health=(
        HealthRecord("u1-net", Subject.LINK, NORMAL),
        HealthRecord(
            "U1.FAULT_RESISTANCE", Subject.VALUE, NORMAL, (), NOON_NS - 3 * 3600 * S, "self-test"
        ),
        HealthRecord("U1.ROTOR_TEMPERATURE", Subject.VALUE, NORMAL),
        HealthRecord("gateway", Subject.GATEWAY, StatusSignal.OUT_OF_SPECIFICATION, (CLOCK,)),
    ),
)
U2 = frame(
    "U2",
    health=(
        LOOP,
        HealthRecord("U2.DARK_CONTACT", Subject.CONTACT, NORMAL),
        HealthRecord("U2", Subject.MACHINE, MAINTENANCE, (Finding("light weak", NOON_NS),)),
        HealthRecord("gateway", Subject.GATEWAY, StatusSignal.OUT_OF_SPECIFICATION, (EARLIER,)),
    ),
)
FRAMES = (U1, U2, frame("U3"))


async def test_each_subject_has_signal_cause_advice_and_age_of_proof(tmp_path: Path) -> None:
    """All machines, then the gateway once, however many machines' steps found the same of it."""
    result = await told(tmp_path, FRAMES, "health")
    assert [
        "U1, 2026-01-01T12:00:00.000Z: normal",
        "SUBJECT KIND SIGNAL PROVED",
        "u1-net link normal -",
        "U1.FAULT_RESISTANCE value normal proved 3 h ago by self-test",
        "U1.ROTOR_TEMPERATURE value normal -",
        "",
        "U2, 2026-01-01T12:00:00.000Z: failure: U2.LIGHT_LOOP, wire break",
        "SUBJECT KIND SIGNAL PROVED",
        "U2.LIGHT_LOOP loop failure -",
        "U2.DARK_CONTACT contact normal never proved",
        "U2 machine maintenance required -",
        "U2.LIGHT_LOOP: failure, wire break since 2026-01-01T11:55:00.000Z (5 min): 2.1 mA",
        f"{CAUSES['wire break'].meaning}; {CAUSES['wire break'].advice}",
        "U2: maintenance required, light weak since 2026-01-01T12:00:00.000Z (less than 1 s)",
        f"{CAUSES['light weak'].meaning}; {CAUSES['light weak'].advice}",
        "",
        "U3, 2026-01-01T12:00:00.000Z: not known",
        "SUBJECT KIND SIGNAL PROVED",
        "",
        "gateway: out of specification",
        "gateway: out of specification, clock stepped since 2026-01-01T11:59:30.000Z (30 s): "
        "by 3 s",
        "the clock was set; check time synchronisation",
        "",
        CAUTION,
    ] == [" ".join(line.split()) for line in result.output.splitlines()]
    assert 0 == result.exit_code


async def test_one_machine_as_json(tmp_path: Path) -> None:
    """JSON has the same words, and the time of the proof."""
    (machine,) = json.loads((await told(tmp_path, FRAMES, "health", "U2", "--json")).output)
    assert ("U2", "2026-01-01T12:00:00.000Z") == (machine["machine"], machine["time"])
    assert {
        "subject": "U2.LIGHT_LOOP",
        "kind": "loop",
        "signal": "failure",
        "findings": [
            {
                "cause": "wire break",
                "signal": "failure",
                "since": "2026-01-01T11:55:00.000Z",
                "detail": "2.1 mA",
                "meaning": CAUSES["wire break"].meaning,
                "advice": CAUSES["wire break"].advice,
            }
        ],
        "proved": "-",
        "proved_at": "-",
    } == machine["health"][0]
    assert "never proved" == machine["health"][1]["proved"]


async def test_silent_machine_is_named(tmp_path: Path) -> None:
    """A machine without a word is trouble, never healthy."""
    result = await told(tmp_path, (U1,), "health", "U2")
    assert result.output.startswith("no word of U2 within 3 s: ")
    assert 1 == result.exit_code


async def test_unknown_machine_is_refused(tmp_path: Path) -> None:
    """The text names the machines that there are."""
    result = await told(tmp_path, FRAMES, "health", "U9")
    assert "there is no machine 'U9' in " in result.output
    assert result.output.endswith("; there are: U1, U2, U3\n")
    assert 2 == result.exit_code


def test_worst_of_several_is_named_with_how_many_more() -> None:
    """The first subject of the worst signal, its cause, and the count of the others."""
    other = HealthRecord("U2.SPEED", Subject.LOOP, FAILURE, (Finding("loop short", NOON_NS),))
    assert "failure: U2.LIGHT_LOOP, wire break (and 1 more)" == worst([*U2.health, other])
    assert "normal" == worst([HealthRecord("u1-net", Subject.LINK, NORMAL)])
    assert "not known" == worst([])


def test_what_to_do_is_told_once_for_each_cause() -> None:
    """Of a lost link with all its values each subject is told, but the same advice only once."""
    lost = (Finding("telemetry lost", NOON_NS - S, "the monitor says so"),)
    records = [HealthRecord(f"U3.{n}", Subject.VALUE, FAILURE, lost) for n in "ABC"]
    told_lines = [*sick([*records, LOOP], NOON_NS)]
    advice = [line for line in told_lines if line.startswith(" ")]
    assert [
        CAUSES[c].advice in a for c, a in zip(("telemetry lost", "wire break"), advice, strict=True)
    ]
    assert ["U3.A", " ", "U3.B", "U3.C", "U2.LIGHT_LOOP", " "] == [
        line.split(":")[0] if line[0] != " " else " " for line in told_lines
    ]
