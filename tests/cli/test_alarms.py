"""`rotor-gateway alarms`: the list and the one alarm, on a wall without a gateway behind it."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from gateway.cli import main
from gateway.diagnosis.caution import CAUTION
from gateway.tags import (
    UNCERTAIN_LAST_USABLE_VALUE,
    AlarmRecord,
    AlarmState,
    Bearing,
    Conclusion,
    Evidence,
    Finding,
    Frame,
    HealthRecord,
    Observed,
    StatusSignal,
    Subject,
)
from tests.cli.shown_frames import NOON_NS, SITE, S, frame, told

STAGE_2 = "U1.EARTH_FAULT_STAGE_2"
CAME = AlarmRecord(
    STAGE_2, AlarmState.UNACKNOWLEDGED, True, NOON_NS - 65 * S, present=True, first_up=True
)
EVIDENCE = Evidence(
    STAGE_2,
    Conclusion.CONTRADICTED,
    (
        Observed("paths agree", Bearing.DOUBT, "gateway", "the paths disagree"),
        Observed("contact", Bearing.AGAINST, "contact c.in0", "the contact is open"),
        Observed(
            "computed value",
            Bearing.FOR,
            "device m",
            "it is low",
            "U1.FAULT_RESISTANCE",
            3.0,
            UNCERTAIN_LAST_USABLE_VALUE,
            NOON_NS - 9 * S,
            0.2,
        ),
    ),
    ("an earth fault",),
    ("a charging current: the half-cycles are long",),
    ("Is the contact wired?",),
)
HEALTH = (
    HealthRecord("u2-net", Subject.LINK, StatusSignal.FAILURE, (Finding("dead link", NOON_NS),)),
    HealthRecord(
        "u1-monitor",
        Subject.MONITOR,
        StatusSignal.FAILURE,
        (Finding("no answer", NOON_NS - 120 * S, "silent for 2 min"),),
    ),
    HealthRecord(
        "U1.FAULT_RESISTANCE",
        Subject.VALUE,
        StatusSignal.NORMAL,
        (),
        NOON_NS - 7200 * S,
        "self-test",
    ),
)
U1 = frame("U1", CAME, evidence=[EVIDENCE], health=HEALTH)
U2 = frame(
    "U2",
    AlarmRecord("U2.LIGHT_LOW", AlarmState.NORMAL, False, 0),
    AlarmRecord(
        "U2.OPTICAL_LINK_DARK", AlarmState.SHELVED, True, NOON_NS, True, False, NOON_NS + 3600 * S
    ),
)
U3 = frame("U3")
FRAMES = (U1, U2, U3)


def lines(output: str) -> list[list[str]]:
    return [[cell.strip() for cell in line.split("  ") if cell] for line in output.splitlines()]


@pytest.mark.parametrize("action", [(), ("list",)])
async def test_list_tells_state_time_belief_and_what_holds_it(
    tmp_path: Path, action: tuple[str, ...]
) -> None:
    """A line an alarm: priority of the site, conclusion, first-up, holds, unknown condition."""
    result = await told(tmp_path, FRAMES, "alarms", *action)
    noon = "2026-01-01T12:00:00.000Z"
    assert [
        ["ALARM", "PRIORITY", "STATE", "SINCE", "EVIDENCE", "NOTE"],
        [
            STAGE_2,
            "critical",
            "unacknowledged",
            "2026-01-01T11:58:55.000Z",
            "contradicted",
            "first up",
        ],
        ["U2.LIGHT_LOW", "low", "normal", "-", "-", "condition unknown"],
        [
            "U2.OPTICAL_LINK_DARK",
            "high",
            "shelved",
            noon,
            "-",
            "condition present, shelved until 2026-01-01T13:00:00.000Z",
        ],
        [CAUTION],
    ] == lines(result.output)
    assert 0 == result.exit_code


async def test_evidence_of_what_is_gone_is_told_as_that_of_before(tmp_path: Path) -> None:
    """An alarm whose condition has gone does not read as one that is contradicted now."""
    gone = replace(CAME, state=AlarmState.RETURNED_UNACKNOWLEDGED, present=False)
    result = await told(tmp_path, [replace(U1, alarms=(gone,)), U2, U3], "alarms", "list", STAGE_2)
    assert "was contradicted" in lines(result.output)[1]
    assert 3 == len(lines(result.output))


async def test_list_as_json_names_the_same(tmp_path: Path) -> None:
    """JSON has one object an alarm, with the same words."""
    first, second, third = json.loads((await told(tmp_path, FRAMES, "alarms", "--json")).output)
    assert {
        "alarm": STAGE_2,
        "machine": "U1",
        "priority": "critical",
        "state": "unacknowledged",
        "condition": "known",
        "present": True,
        "since": "2026-01-01T11:58:55.000Z",
        "first_up": True,
        "shelved_until": "-",
        "conclusion": "contradicted",
    } == first
    assert ("low", "unknown") == (second["priority"], second["condition"])
    assert "2026-01-01T13:00:00.000Z" == third["shelved_until"]


async def test_machine_without_a_word_is_named(tmp_path: Path) -> None:
    """What there is is shown; the machine that is silent is named, with exit code 1."""
    result = await told(tmp_path, (U1, U2), "alarms")
    assert STAGE_2 in result.output
    assert result.stderr.startswith("no word of U3 within 3 s: ")
    assert 1 == result.exit_code


async def test_show_says_what_is_not_known_now(tmp_path: Path) -> None:
    """A condition that cannot be judged is told as that of the last judgement."""
    result = await told(tmp_path, FRAMES, "alarms", "show", "U2.LIGHT_LOW")
    assert "  condition  not present when last judged; unknown now" in result.output.splitlines()
    assert "  rule       suppressed by design when not excited" in result.output.splitlines()


async def test_show_tells_for_and_against_and_the_health_beneath(tmp_path: Path) -> None:
    """Each observation with path, value, unit, status, time; explanations; questions; health."""
    result = await told(tmp_path, FRAMES, "alarms", "show", STAGE_2)
    assert [
        f"{STAGE_2}: field winding earth fault of low resistance",
        "  state      unacknowledged since 2026-01-01T11:58:55.000Z (1 min 5 s), priority critical",
        "  condition  present",
        "  first up   of the group u1-earth-fault",
        "  at         2026-01-01T12:00:00.000Z",
        "",
        "evidence: contradicted (± is the expanded uncertainty, k = 2)",
        "  for      it is low",
        "           over device m: U1.FAULT_RESISTANCE (3.00 ± 0.40) kΩ, UncertainLastUsableValue, "
        "measured 2026-01-01T11:59:51.000Z",
        "  against  the contact is open (over contact c.in0)",
        "  doubt    the paths disagree (over gateway)",
        "possible explanations:",
        "  an earth fault",
        "excluded explanations:",
        "  a charging current: the half-cycles are long",
        "questions left open:",
        "  Is the contact wired?",
        "health of what it rests on:",
        "  u1-monitor: failure, no answer since 2026-01-01T11:58:00.000Z (2 min): silent for 2 min",
        "      the device does not answer; check its supply, address and wiring",
        "  U1.FAULT_RESISTANCE: proved 2 h ago by self-test",
        CAUTION,
    ] == result.output.splitlines()
    assert 0 == result.exit_code


async def test_show_as_json_has_the_evidence_whole(tmp_path: Path) -> None:
    """Nothing of the record is missing; times and status are words."""
    shown = json.loads((await told(tmp_path, FRAMES, "alarms", "show", STAGE_2, "--json")).output)
    evidence = shown["evidence"]
    assert ("contradicted", 3) == (evidence["conclusion"], len(evidence["observations"]))
    measured = evidence["observations"][2]
    assert (3.0, 0.2) == (measured["value"], measured["uncertainty"])
    assert ("UncertainLastUsableValue", "2026-01-01T11:59:51.000Z") == (
        measured["status"],
        measured["time"],
    )
    assert ["u1-monitor", "U1.FAULT_RESISTANCE"] == [r["subject"] for r in shown["health"]]


@pytest.mark.parametrize(
    ("alarm", "told_of_it"),
    [
        ("U2.LIGHT_LOW", "kept for alarms that indicate an earth fault; this one does not"),
        ("U2.OPTICAL_LINK_DARK", "none, the alarm is shelved"),
    ],
)
async def test_show_says_why_there_is_no_evidence(
    tmp_path: Path, alarm: str, told_of_it: str
) -> None:
    """No evidence is said with its reason, and health that is not known is not called normal."""
    shown = (await told(tmp_path, FRAMES, "alarms", "show", alarm)).output.splitlines()
    assert f"evidence: {told_of_it}" in shown
    assert "health of what it rests on: not known" in shown


async def test_alarm_that_the_running_gateway_lacks_is_told(tmp_path: Path) -> None:
    """A site file that is newer than what runs does not end in a traceback."""
    result = await told(tmp_path, FRAMES, "alarms", "show", "U1.MALFUNCTION")
    assert result.output.startswith("the running gateway does not have U1.MALFUNCTION; restart it")
    assert 1 == result.exit_code


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["shelf", "U1.X"], "there is no action 'shelf'; did you mean 'shelve'?"),
        (["show", "U1.EARTH_FAULT_STAGE_3"], "did you mean 'U1.EARTH_FAULT_STAGE_2'?"),
        (["ack", "U1.EARTH_FAULT_STAGE_3"], "did you mean 'U1.EARTH_FAULT_STAGE_2'?"),
        (["list", "U1.EARTH_FAULT_STAGE_3"], "did you mean 'U1.EARTH_FAULT_STAGE_2'?"),
        (["journal", "--alarm", "U9.X"], "there is no alarm 'U9.X'"),
        (["journal", "--since", "1 h", "--until", "2 h"], "exchange them"),
        (["journal", "--since", "yesterday"], "'yesterday' is not a time"),
        (["journal", "--verify", "--since", "1 h"], "leave out --since"),
        (["journal", "--head", "3:aa"], "write NUMBER:HASH as --verify tells it"),
        (["journal", "--head", f"-1:{'00' * 32}"], "write NUMBER:HASH as --verify tells it"),
        (["statistics", "--by", "week"], "'week'"),
        (["shelve", STAGE_2, "--why", "x", "--for", "8"], "--for '8': a duration is needed"),
        (["shelve", STAGE_2, "--why", "x", "--for", "8 moons"], "a duration is needed"),
        (
            ["shelve", STAGE_2, "--why", "x", "--for", "2026-01-05T08:09:10Z"],
            "a duration is needed",
        ),
        (["shelve", STAGE_2, "--for", "2 h"], "Missing option '--why'"),
        (["remove", STAGE_2], "Missing option '--why'"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_wrong_input_is_one_text(tmp_path: Path, words: list[str], text: str) -> None:
    """What is wrong and what would be right, on stderr, with exit code 2."""
    options = ["--state", str(tmp_path)] if words[0] != "shelf" else []
    result = CliRunner().invoke(main, ["alarms", str(SITE), *words, *options])
    assert text in result.stderr
    assert (2, "") == (result.exit_code, result.stdout)


@pytest.mark.parametrize("words", [["--help"], [str(SITE), "-h"]], ids=["alone", "after the site"])
def test_help_tells_all_actions(words: list[str]) -> None:
    """The actions stand in the order in which they are used."""
    shown = CliRunner().invoke(main, ["alarms", *words]).output
    actions = [
        line.split()[0] for line in shown.split("Commands:")[1].splitlines() if line[2:3] > " "
    ]
    assert "..." not in shown.split("Commands:")[1]  # each is told to its end
    expected = "list show ack reset shelve unshelve remove return journal statistics"
    assert expected.split() == actions


def test_frames_of_this_file_are_as_on_the_wire() -> None:
    """What is shown here can be what a gateway shows."""
    assert U1 == Frame.decode(U1.encode())
