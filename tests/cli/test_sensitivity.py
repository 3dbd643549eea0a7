"""`rotor-gateway sensitivity`, on the delivered site and on variants of it."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from gateway.cli import main
from gateway.diagnosis.caution import CAUTION

CONFIG = Path(__file__).parents[2] / "config"
SITE = CONFIG / "demo.yaml"
DC = (
    "    detector: {method: DC injection, injection_voltage: 24 V, series_resistance: 12 kohm, "
    "pickup_current: 1 mA}\n"
)
DIVIDER = (
    "    detector: {method: voltage divider, leg_positive: 20 kohm, leg_negative: 20 kohm, "
    "relay_resistance: 5 kohm, pickup_current: 2 mA}\n"
)
AC = (
    "    detector: {method: AC injection, voltage: 50 V, frequency: 50 Hz, series_resistance: "
    "500 ohm, series_capacitance: 4 uF, winding_capacitance: 0.5 uF, pickup_current: 6 mA}\n"
)


def told(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["sensitivity", *map(str, arguments)])


def variant(folder: Path, method: str, detector: str) -> Path:
    """The delivered site with another detector on U2."""
    (folder / "profiles").symlink_to(CONFIG / "profiles")
    text = SITE.read_text(encoding="utf-8")
    assert 1 == text.count(DC) == text.count("    detection: DC injection\n")
    text = text.replace(DC, detector)
    path = folder / "site.yaml"
    path.write_text(text.replace("detection: DC injection", f"detection: {method}"))
    return path


def rows(result: Result) -> list[list[str]]:
    return [line.split() for line in result.output.splitlines()]


def test_table_has_reach_and_uncertainty_at_rated_and_standstill() -> None:
    """12, 137 and 262 kohm along the winding at rated field, 12 at standstill (worked by hand)."""
    result = told(SITE, "U2")
    assert ["LOCATION", "AT", "250", "V", "(rated)", "AT", "0", "V", "(standstill)"] in rows(result)
    assert ["0.00", "12.00", "±", "0.70", "12.00", "±", "0.70"] in rows(result)
    assert ["0.50", "137.0", "±", "4.3", "12.00", "±", "0.70"] in rows(result)
    assert ["1.00", "262.0", "±", "7.9", "12.00", "±", "0.70"] in rows(result)
    assert "kohm" in result.output
    assert (0, True) == (result.exit_code, result.output.rstrip().endswith(CAUTION))


def test_same_everywhere_is_one_row() -> None:
    """A detector that sees the same at each location does not fill the screen."""
    result = told(SITE, "U1")
    assert ["anywhere", "20.00", "±", "0.58", "20.00", "±", "0.58"] in rows(result)


def test_all_machines_where_none_is_named() -> None:
    """Without a machine, all that have a detector are told, and the caution once."""
    result = told(SITE)
    heads = [line.split(":")[0] for line in result.output.splitlines() if "picks up" in line]
    assert ["U1", "U2", "U3"] == heads
    assert 1 == result.output.count(CAUTION)


def test_another_field_voltage_comes_first() -> None:
    """A field voltage of one's own is shown before the rated one, with its blind zone."""
    result = told(SITE, "U2", "--field-v", "-250")
    assert "AT -250 V" in result.output.replace("  ", " ").split("AT 250 V")[0]
    assert ["0.05", "blind", "24.5", "±", "1.1", "12.00", "±", "0.70"] in rows(result)
    assert "At -250 V: blind from 0.048 to 1.000.\n" in result.output


def test_divider_tells_its_blind_zone(tmp_path: Path) -> None:
    """Blind from 0.38 to 0.62 at 250 V (worked by hand), and everywhere at standstill."""
    result = told(variant(tmp_path, "voltage divider", DIVIDER), "U2")
    assert "At 250 V (rated): blind from 0.380 to 0.620.\n" in result.output
    assert "At 0 V (standstill): blind everywhere.\n" in result.output
    assert ["0.50", "blind", "blind"] in rows(result)


def test_detector_that_sees_a_healthy_winding_is_told(tmp_path: Path) -> None:
    """A pick-up below the capacitive current is no sensitivity, and is not shown as one."""
    path = variant(tmp_path, "AC injection", AC)
    result = told(path, "U2")
    assert ["anywhere", "any", "any"] in rows(result)
    assert "picks up on a healthy winding already" in result.output
    curve = json.loads(told(path, "U2", "--json").output)[0]["curves"][0]
    assert (True, None) == (
        curve["picks_up_healthy"],
        curve["reaches"][0]["highest_fault_resistance_ohm"],
    )


def test_json_has_every_location(tmp_path: Path) -> None:
    """JSON has an object a machine, a curve a field voltage, and all 101 locations in SI units."""
    (machine,) = json.loads(
        told(variant(tmp_path, "voltage divider", DIVIDER), "U2", "--json").output
    )
    rated, standstill = machine["curves"]
    assert ("U2", "voltage divider") == (machine["machine"], machine["detection"])
    assert (250.0, 0.0) == (rated["field_voltage_v"], standstill["field_voltage_v"])
    assert [0.38, 0.62] == pytest.approx(rated["blind_zone_pu"])
    assert [0.0, 1.0] == standstill["blind_zone_pu"]
    assert 101 == len(rated["reaches"])
    assert 47.5e3 == pytest.approx(rated["reaches"][0]["highest_fault_resistance_ohm"])
    assert {
        "location_pu": 0.5,
        "blind": True,
        "highest_fault_resistance_ohm": None,
        "standard_uncertainty_ohm": None,
    } == rated["reaches"][50]


@pytest.mark.parametrize(
    ("detector", "method"),
    [(DC, "DC injection"), (DIVIDER, "voltage divider"), (AC, "AC injection")],
    ids=["DC injection", "voltage divider", "AC injection"],
)
def test_picture_as_its_suffix_says(tmp_path: Path, detector: str, method: str) -> None:
    """A .png is a PNG, an .svg an SVG with its words in it; the same settings, the same bytes."""
    site = variant(tmp_path, method, detector)
    pictures = [tmp_path / name for name in ("one.png", "one.SVG", "two.svg")]
    for path in pictures:
        result = told(site, "U2", "--plot", path)
        assert (0, "") == (result.exit_code, result.stderr)
    png, svg, again = (path.read_bytes() for path in pictures)
    assert png.startswith(b"\x89PNG\r\n")
    assert b"<svg" in svg
    assert svg == again
    assert f"U2 of Osier Weir: {method}".encode() in svg
    assert b"replaces no protection." in svg


def test_picture_hatches_the_blind_zone_and_names_the_alarm_limits(tmp_path: Path) -> None:
    """What a reader must not miss stands in the picture: the blind zone and the thresholds."""
    told(variant(tmp_path, "voltage divider", DIVIDER), "U2", "--plot", tmp_path / "u2.svg")
    divider = (tmp_path / "u2.svg").read_text(encoding="utf-8")
    assert "at 250 V (rated): blind from 0.380 to 0.620, even to a dead short" in divider
    assert "at 0 V (standstill): blind everywhere" in divider
    assert "<pattern" in divider
    told(SITE, "U1", "--plot", tmp_path / "u1.svg")
    pulse = (tmp_path / "u1.svg").read_text(encoding="utf-8")
    assert "alarm U1.EARTH_FAULT_STAGE_2: below 5 kohm" in pulse
    assert "<pattern" not in pulse


def test_machine_without_detector_is_told_what_to_add(tmp_path: Path) -> None:
    """One text says of which machine nothing is known, and what to write."""
    path = variant(tmp_path, "DC injection", "")
    result = told(path, "U2")
    assert result.output.startswith(f"{path}: nothing is said of the detector of U2; add to the")
    assert "detector: {method: DC injection, injection_voltage: 24 V" in result.output
    assert 2 == result.exit_code
    both = told(path)
    assert "left out, for want of a detector block: U2\n" == both.stderr
    assert 0 == both.exit_code


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (("U9",), f"there is no machine 'U9' in {SITE}; there are: U1, U2, U3"),
        (("U2", "--field-v", "nan"), "--field-v nan is no field voltage; give volts, such as"),
        (("U2", "--field-v", "1e9"), "--field-v 1e+09 is no field voltage; give volts, such as"),
        (("U2", "--plot", "map.pdf"), "map.pdf: a picture is drawn as .png or .svg; name the"),
        (("--plot", "map.png"), "--plot draws one machine; name one of U1, U2, U3"),
    ],
)
def test_wrong_arguments_are_one_text(arguments: tuple[str, ...], text: str) -> None:
    """What cannot be done is told in one line, before anything is printed or drawn."""
    result = told(SITE, *arguments)
    assert result.output.startswith(text)
    assert (2, 1) == (result.exit_code, result.output.count("\n"))
    assert not Path("map.png").exists()


def test_place_that_takes_no_picture_is_one_text(tmp_path: Path) -> None:
    """A picture that cannot be written is told with its path."""
    path = tmp_path / "nowhere" / "map.png"
    result = told(SITE, "U2", "--plot", path)
    assert result.stderr.startswith(f"{path}: the picture cannot be written: no such file")
    assert (1, 1) == (result.exit_code, result.stderr.count("\n"))


def test_drawing_library_is_loaded_for_a_picture_only() -> None:
    """The table comes at once: nobody waits for a drawing library that draws nothing."""
    code = (
        "import sys\nfrom gateway.cli import main\n"
        f"main(['sensitivity', {str(SITE)!r}, 'U2'], standalone_mode=False)\n"
        "sys.exit('matplotlib' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, timeout=60)
    assert (0, b"") == (done.returncode, done.stderr)
