"""`rotor-gateway trend`, on a wall without a gateway behind it."""

import asyncio
import json
from pathlib import Path

from click.testing import CliRunner, Result

from gateway.archive.store import Store
from gateway.cli import main
from gateway.diagnosis.caution import CAUTION
from gateway.service.field_side import ARCHIVE
from gateway.service.wall import WALL, WallServer
from gateway.tags import (
    GOOD,
    Command,
    Forecast,
    Frame,
    Instant,
    Limit,
    PatternFound,
    Sample,
    StateTrend,
    Trend,
)

PROFILE = """\
profile: monitor
points:
  - {name: r, function: 4, address: 0, type: float32, unit: kohm}
"""
MACHINE = """\
  - name: NAME
    access: telemetry
    detection: DC injection
    field_winding: {rated_field_voltage: 250 V}
"""
SIGNAL = """\
  - {tag: NAME.FAULT_RESISTANCE, machine: NAME, kind: register, point: mon.r, unit: kohm,
     range: [0 kohm, 10 Mohm]}
"""
ALARM = """\
  - {name: U1.EARTH_FAULT_STAGE_1, machine: U1, kind: limit, tag: U1.FAULT_RESISTANCE,
     below: 20 kohm, indicates: earth fault}
  - {name: U1.EARTH_FAULT_STAGE_2, machine: U1, kind: limit, tag: U1.FAULT_RESISTANCE,
     below: 5 kohm, indicates: earth fault}
"""
TAG = "U1.FAULT_RESISTANCE"
NOON_NS = 1_767_268_800 * 10**9  # 2026-01-01T12:00:00Z
HOUR_NS = 3600 * 10**9

FALLING = StateTrend(
    "running hot",
    48,
    NOON_NS,
    NOON_NS + 47 * HOUR_NS,
    "falling",
    -0.1,
    -0.12,
    -0.08,
    2.5e-7,
    (
        Forecast("U1.EARTH_FAULT_STAGE_1", 20.0, 9.5, 11.4, 14.2),
        Forecast("U1.EARTH_FAULT_STAGE_2", 5.0, 15.0, None, None),
    ),
    300e3,
)
STILL = StateTrend("standstill cold", 3, NOON_NS, NOON_NS + HOUR_NS, "too few points")
DECLINE = PatternFound("steady decline", NOON_NS, "running hot: -20.6% a day over 1.96 d")
TREND = Trend(TAG, (FALLING, STILL), (DECLINE,))


def site_of(folder: Path) -> Path:
    """A site of three machines; U1 and U3 have a trend."""
    (folder / "profiles").mkdir(exist_ok=True)
    (folder / "profiles" / "monitor.yaml").write_text(PROFILE)
    text = "site: Ternholt\nmachines:\n"
    for name in ("U1", "U2", "U3"):
        text += MACHINE.replace("NAME", name)
        text += "" if name == "U2" else f"    trend: {{resistance: {name}.FAULT_RESISTANCE}}\n"
    text += "links: [{name: net, kind: modbus-tcp, host: 127.0.0.1}]\n"
    text += "devices: [{name: mon, link: net, profile: monitor}]\nsignals:\n"
    text += "".join(SIGNAL.replace("NAME", name) for name in ("U1", "U2", "U3"))
    path = folder / "site.yaml"
    path.write_text(text + "alarms:\n" + ALARM)
    return path


async def accept(_: Command) -> str:
    return ""


def frame(machine: str, trend: Trend | None) -> Frame:
    at = Instant(NOON_NS, 0)
    return Frame(machine, 1, at, (), (), (), (), (), trend=trend)


async def told(state: Path, *options: str, trend: Trend | None = TREND) -> Result:
    """What `trend` gives while a field side shows three machines."""
    server = WallServer(accept)
    await server.start(state / WALL)
    try:
        for shown in (frame("U1", trend), frame("U2", None), frame("U3", None)):
            server.publish_frame(shown)
        arguments = ["trend", str(site_of(state)), *options, "--state", str(state)]
        return await asyncio.to_thread(CliRunner().invoke, main, arguments)
    finally:
        await server.stop()


async def test_table_tells_each_state_forecast_and_pattern(tmp_path: Path) -> None:
    """A line a state with slope and interval, then forecasts, patterns and the caution."""
    result = await told(tmp_path, "U1")
    assert [
        "U1: U1.FAULT_RESISTANCE",
        "STATE POINTS FROM TO VERDICT A DAY 95 % P",
        "running hot 48 2026-01-01T12:00 2026-01-03T11:00 falling -20.6 % -24.1 % to -16.8 % "
        "2.5e-07",
        "standstill cold 3 2026-01-01T12:00 2026-01-01T13:00 too few points - - -",
        "running hot: reaches U1.EARTH_FAULT_STAGE_1 (20 kohm) in 11.4 d from its last point; "
        "earliest 9.5 d, latest 14.2 d",
        "running hot: does not reach U1.EARTH_FAULT_STAGE_2 (5 kohm) as it falls now",
        "steady decline, since 2026-01-01T12:00:00.000Z: running hot: -20.6% a day over 1.96 d",
        "",
        "A forecast extends a line; insulation may fail sooner.",
        CAUTION,
    ] == [" ".join(line.split()) for line in result.output.splitlines()]
    assert 0 == result.exit_code


async def test_no_point_yet_is_said(tmp_path: Path) -> None:
    """Machines that have no trend point yet are told so, with the interval."""
    result = await told(tmp_path, trend=None)
    assert 0 == result.exit_code
    assert "U1: no trend point yet; one is made every 1 h\n" in result.output
    assert "U3: no trend point yet" in result.output
    assert "U2" not in result.output  # its site file asks for no trend


async def test_json_names_the_same(tmp_path: Path) -> None:
    """JSON has one object a machine, times as text, numbers as numbers."""
    first, second = json.loads((await told(tmp_path, "--json")).output)
    assert {"machine": "U3"} == second
    assert ("U1", TAG) == (first["machine"], first["tag"])
    state, short = first["states"]
    assert ("falling", -0.1, "2026-01-01T12:00:00.000Z") == (
        state["verdict"],
        state["decades_per_day"],
        state["from"],
    )
    assert 9.5 == state["forecasts"][0]["earliest_days"]
    assert short["p_value"] is None
    assert "2026-01-01T12:00:00.000Z" == first["patterns"][0]["since"]


async def archive(state: Path) -> None:
    store = await Store.open(state / ARCHIVE, max_size_bytes=2**20)
    for i in range(48):
        status = GOOD.with_limit(Limit.HIGH) if i < 3 else GOOD
        sample = Sample(TAG, 500.0 - 4 * i, status, NOON_NS + i * HOUR_NS)
        at = Instant(NOON_NS + i * HOUR_NS, i)
        await store.write([(Frame("U1", i, at, (), (), (sample,), (), ()), {})])
    await store.close()


async def test_picture_has_values_lines_and_limits(tmp_path: Path) -> None:
    """The picture shows archived values, 'at least' apart, the lines of the states, the limits."""
    await archive(tmp_path)
    path = tmp_path / "u1.svg"
    result = await told(tmp_path, "U1", "--plot", str(path))
    assert (0, "") == (result.exit_code, result.stderr)
    assert f"{path}: 48 archived values from 2026-01-01T12:00:00.000Z" in result.output
    drawn = path.read_text(encoding="utf-8")
    for text in (
        "running hot: falling",
        "at least",
        "alarm U1.EARTH_FAULT_STAGE_1",
        "no protection",
    ):
        assert text in drawn
    assert "standstill cold" not in drawn  # it has no line


async def test_picture_of_nothing_is_refused(tmp_path: Path) -> None:
    """Without points, or without an archive, one text says so and nothing is written."""
    path = tmp_path / "u1.png"
    result = await told(tmp_path, "U1", "--plot", str(path), trend=None)
    assert (1, "U1: there is no trend to draw yet; draw it when there are points\n") == (
        result.exit_code,
        result.stderr,
    )
    result = await told(tmp_path, "U1", "--plot", str(path))
    assert result.stderr.startswith("there is no archive at")
    assert not path.exists()


def refused(folder: Path, *options: str) -> tuple[int, str]:
    result = CliRunner().invoke(main, ["trend", str(site_of(folder)), *options])
    return result.exit_code, result.stderr


def test_wrong_input_is_one_text(tmp_path: Path) -> None:
    """Unknown machines, machines without a trend and too many for a picture are told what to do."""
    code, text = refused(tmp_path, "U4")
    assert (2, True) == (code, text.startswith("there is no machine 'U4' in"))
    code, text = refused(tmp_path, "U2")
    assert 2 == code
    assert "machine U2 asks for no trend; give it one:\n    trend: {resistance" in text
    assert (2, "--plot draws one machine; name one of U1, U3\n") == refused(
        tmp_path, "--plot", "a.png"
    )
    code, text = refused(tmp_path, "U1", "--state", str(tmp_path))
    assert (1, True) == (code, text.startswith("no gateway runs with the state directory"))
