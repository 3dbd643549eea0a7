"""`rotor-gateway solve`: from a file of a recorded pulse current to a result people can use.

The records are those of the circuit of one resistance to earth beside one capacitance, in closed
form (check: the integrated circuit gives the same settled currents and time constant), with noise.
"""

import json
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from math import exp, hypot, inf
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import pytest
from click.testing import CliRunner, Result
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gateway.cli import main
from gateway.cli.record_file import read
from gateway.diagnosis.caution import CAUTION
from gateway.rotor.measured import Measured
from gateway.rotor.pulse_estimator import estimate
from gateway.rotor.pulse_injection import Source

E_V, SOURCE_OHM, FIELD_V, PERIOD_S = 36.0, 31e3, 300.0, 1.0
SETTINGS = ("--pulse-v", "36", "--source-ohm", "31000", "--coupling", "midpoint")
NOISE_A = 1e-6


def pulse_v(time_s: np.ndarray) -> np.ndarray:
    return np.where(time_s % PERIOD_S < PERIOD_S / 2, E_V, -E_V)


def current_a(
    time_s: np.ndarray, fault_ohm: float = 20e3, location: float = 0.2, capacitance_f: float = 1e-6
) -> np.ndarray:
    """Of the periodic steady state, without noise, with the tap at the midpoint.

    The capacitor sees E*Rf/(R0 + Rf) through R0 and Rf side by side; what the source drives is
    what is left over R0. The field voltage adds a constant.
    """
    conductance_s = 1 / (SOURCE_OHM + fault_ohm)
    share = 1.0 if fault_ohm == inf else fault_ohm * conductance_s
    tau_s = capacitance_f * SOURCE_OHM * share
    sign, since_s = pulse_v(time_s) / E_V, time_s % (PERIOD_S / 2)
    charging = np.exp(-since_s / tau_s) * 2 / (1 + exp(-PERIOD_S / 2 / tau_s))
    capacitor_v = sign * E_V * share * (1 - charging)
    return (sign * E_V - capacitor_v) / SOURCE_OHM + (location - 0.5) * FIELD_V * conductance_s


def times(count: int = 2000, periods: float = 2.0) -> np.ndarray:
    return np.arange(count) * (periods * PERIOD_S / count)


def noise(count: int, sigma_a: float = NOISE_A) -> np.ndarray:
    return sigma_a * np.random.default_rng(7).standard_normal(count)


def record(path: Path, **columns: np.ndarray) -> Path:
    rows = zip(*columns.values(), strict=True)
    lines = [",".join(columns), *(",".join(f"{cell:.9e}" for cell in row) for row in rows)]
    path.write_text("\n".join(lines) + "\n", encoding="ascii")
    return path


@pytest.fixture
def usual(tmp_path: Path) -> Path:
    """20 kohm at a fifth of the winding, 1 uF."""
    current = current_a(times()) + noise(2000)
    return record(tmp_path / "usual.csv", time_s=times(), current_a=current)


def solve(path: Path, *options: str) -> Result:
    result = CliRunner().invoke(main, ["solve", str(path), *SETTINGS, *options])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def told(path: Path, *options: str) -> dict[str, Any]:
    result = solve(path, *options, "--json")
    assert 0 == result.exit_code, result.output
    answer: dict[str, Any] = json.loads(result.stdout)
    return answer


def test_settled_currents_of_these_records_are_those_of_kirchhoff() -> None:
    """E = 36 V, R0 = 31 kohm, Uf = 300 V, 20 kohm at 0.2: the worked currents of the circuit."""
    ends = current_a(np.array([0.4999999, 0.9999999]))
    assert np.allclose([-1058.8235e-6, -2470.5882e-6], ends, rtol=0, atol=1e-10)


def test_json_tells_resistance_location_capacitance_and_field_voltage(usual: Path) -> None:
    """Each as value, standard uncertainty and status; the truth lies within three of them."""
    answer = told(usual, "--period-s", "1", "--field-v", "300")
    truth = {
        "fault_resistance_ohm": 20e3,
        "fault_location": 0.2,
        "winding_capacitance_f": 1e-6,
        "field_voltage_v": 300.0,
    }
    assert [*truth, "flags"] == list(answer)
    for name, value in truth.items():
        assert {"value", "uncertainty", "status"} == set(answer[name])
        assert "Good" == answer[name]["status"]
        assert abs(answer[name]["value"] - value) <= 3 * answer[name]["uncertainty"], name
    assert 0 < answer["fault_resistance_ohm"]["uncertainty"] < 20
    assert [] == answer["flags"]


def test_accuracy_of_the_settings_widens_the_uncertainty(usual: Path) -> None:
    """0.1 % of E and of R0 and 1 % of Uf, rectangular, add to the noise as they move the result.

    Outside check: each setting is really moved by its standard uncertainty (GUM 5.1.3, note 2);
    of the location, 1.7321e-3 are due to Uf alone (worked example by partial derivatives).
    """

    def answer(pulse: float, source: float, *options: str) -> dict[str, Any]:
        settings = ("--pulse-v", str(pulse), "--source-ohm", str(source))
        return told(usual, "--period-s", "1", "--field-v", "300", *settings, *options)

    alone, u = answer(36, 31e3), 0.001 / 3**0.5
    moved = (answer(36 * (1 + u), 31e3), answer(36, 31e3 * (1 + u)))
    accuracies = ("--pulse-accuracy", "0.001", "--source-accuracy", "0.001")
    widened = answer(36, 31e3, *accuracies, "--field-accuracy", "0.01")
    for name, field_part in (("fault_resistance_ohm", 0.0), ("fault_location", 1.7321e-3)):
        parts = [one[name]["value"] - alone[name]["value"] for one in moved]
        expected = hypot(alone[name]["uncertainty"], *parts, field_part)
        assert expected == pytest.approx(widened[name]["uncertainty"], rel=0.02)
        assert widened[name]["uncertainty"] > 3 * alone[name]["uncertainty"]


def test_recorded_source_needs_no_amplitude_and_no_period(tmp_path: Path) -> None:
    """A column pulse_v tells both, wherever in its period the record begins."""
    time_s = times() + 0.3
    columns = {"time_s": time_s, "current_a": current_a(time_s) + noise(2000)}
    path = record(tmp_path / "r.csv", **columns, pulse_v=pulse_v(time_s))
    command = ["solve", str(path), "--source-ohm", "31000", "--coupling", "midpoint", "--json"]
    answer = json.loads(CliRunner().invoke(main, command).stdout)["fault_resistance_ohm"]
    assert abs(answer["value"] - 20e3) <= 3 * answer["uncertainty"] + 20
    assert "Good" == answer["status"]


def test_negative_coupling_is_the_default(tmp_path: Path) -> None:
    """The same currents into the negative end are the same fault half a winding further down."""
    time_s = times()
    current = current_a(time_s, location=0.7) + noise(2000)
    path = record(tmp_path / "n.csv", time_s=time_s, current_a=current)
    options = ["--pulse-v", "36", "--source-ohm", "31000", "--period-s", "1", "--field-v", "300"]
    result = CliRunner().invoke(main, ["solve", str(path), *options, "--json"])
    location = json.loads(result.stdout)["fault_location"]
    assert 0.2 == pytest.approx(location["value"], abs=3 * location["uncertainty"])


@pytest.mark.parametrize("field", [None, 0.0])
def test_no_field_voltage_no_location(tmp_path: Path, field: float | None) -> None:
    """Unknown or zero, it leaves the location null and the resistance as it is."""
    current = current_a(times(), location=0.5) + noise(2000)
    path = record(tmp_path / "r.csv", time_s=times(), current_a=current)
    options = ("--period-s", "1") if field is None else ("--period-s", "1", "--field-v", "0")
    answer = told(path, *options)
    assert (None, None) == (
        answer["fault_location"]["value"],
        answer["fault_location"]["uncertainty"],
    )
    assert "Good" == answer["fault_resistance_ohm"]["status"]
    assert (field, None) == (answer["field_voltage_v"]["value"], None)
    text = solve(path, *options).output
    assert (field is None) == ("No field voltage, no location: give --field-v" in text)


def test_healthy_winding_is_above_a_number_of_ohms(tmp_path: Path) -> None:
    """What cannot be told from infinity is 'above N ohm' and no value, and that is no trouble."""
    current = current_a(times(), fault_ohm=inf) + noise(2000)
    path = record(tmp_path / "r.csv", time_s=times(), current_a=current)
    answer = told(path, "--period-s", "1", "--field-v", "300")
    resistance = answer["fault_resistance_ohm"]
    assert (None, None) == (resistance["value"], resistance["uncertainty"])
    word, number, unit = resistance["status"].split()
    assert ("above", "ohm", True) == (word, unit, number.isdecimal())
    assert int(number) > 10_000_000
    exact = Source(Measured(E_V, 0.0), Measured(SOURCE_OHM, 0.0), 0.5)
    least_ohm = estimate(read(path, 1.0, Measured(300.0, 0.0)), exact).fault_resistance_ohm.value
    assert least_ohm is not None
    assert 0 <= least_ohm - int(number) < 0.01 * least_ohm  # three digits, never more than is so
    assert len(number.rstrip("0")) <= 3
    assert answer["fault_location"]["value"] is None
    assert f"above {int(number) / 1e6:g} " in solve(path, "--period-s", "1").output + " "


def test_dead_fault_is_below_a_number_of_ohms(tmp_path: Path) -> None:
    """What cannot be told from zero is 'below N ohm'."""
    current = current_a(times(), fault_ohm=0.01) + noise(2000, 20e-6)
    path = record(tmp_path / "r.csv", time_s=times(), current_a=current)
    resistance = told(path, "--period-s", "1", "--field-v", "300")["fault_resistance_ohm"]
    word, number, unit = resistance["status"].split()
    assert ("below", "ohm", None) == (word, unit, resistance["value"])
    assert 0 < float(number) < 1000


def test_change_inside_the_record_is_a_flag(tmp_path: Path) -> None:
    """A second fault half-way is said, as 'kind: text', in JSON and in words."""
    time_s = times(4000, 8.0)
    late = time_s >= 4.0
    current = np.where(late, current_a(time_s, fault_ohm=4e3), current_a(time_s)) + noise(4000)
    path = record(tmp_path / "r.csv", time_s=time_s, current_a=current)
    options = ("--period-s", "1", "--field-v", "300")
    result = solve(path, *options, "--json")
    flags = json.loads(result.stdout)["flags"]
    changed = [flag for flag in flags if flag.startswith("changed inside the record: ")]
    assert 1 == len(changed)
    assert f"Flag: {changed[0]}\n" in solve(path, *options).output


def test_contradiction_is_trouble(tmp_path: Path) -> None:
    """A current that flows against the source tells no resistance: status bad, exit code 1."""
    path = record(tmp_path / "r.csv", time_s=times(), current_a=-current_a(times()) + noise(2000))
    result = solve(path, "--period-s", "1", "--json")
    resistance = json.loads(result.stdout)["fault_resistance_ohm"]
    assert resistance["value"] is None
    assert resistance["status"].startswith("Bad")
    assert 1 == result.exit_code


def test_contradicted_settings_are_trouble(tmp_path: Path) -> None:
    """A current that the source cannot drive makes no 'below 0 ohm' to trust: exit code 1."""
    path = record(tmp_path / "r.csv", time_s=times(), current_a=2 * current_a(times(), 0.01))
    result = solve(path, "--period-s", "1", "--json")
    answer = json.loads(result.stdout)
    assert any(flag.startswith("resistance below zero: ") for flag in answer["flags"])
    assert 1 == result.exit_code


def test_text_says_what_it_rests_on(usual: Path) -> None:
    """A table for people: units, which uncertainty, what counts as exact, no protection."""
    result = solve(usual, "--period-s", "1", "--field-v", "300")
    lines = result.output.splitlines()
    # Samples at the very instant of a reversal, and at a beginning of a half-cycle, do not count.
    what = r"2000 rows in 1\.999 s, of which 1996 count, with 3 reversals"
    assert re.fullmatch(f"{re.escape(str(usual))}: {what}", lines[0])
    assert ["QUANTITY", "VALUE", "±", "STANDARD", "UNCERTAINTY", "UNIT", "STATUS"] == (
        lines[2].split()
    )
    rows = {line.split("  ")[0]: line.split()[-2:] for line in lines[3:11]}
    assert ["kohm", "Good"] == rows["fault resistance"]
    assert ["uF", "Good"] == rows["winding capacitance"]
    assert ["ms", "Good"] == rows["time constant"]
    assert [["mA", "Good"]] * 2 == [
        rows[f"settled current, source {sign}"] for sign in ("positive", "negative")
    ]
    assert [
        "",
        "Flag: none",
        "Several faults are told as one: their resistance in parallel, a place between them.",
        "Settings: pulse 36 V as exact, source 31000 ohm as exact, field voltage 300 V as exact.",
        "The scale of the current and the clock of the record count as exact; so each uncertainty "
        "is that of the record's "
        "noise alone.",
        "± is the standard uncertainty (k = 1); twice as much covers about 95 %.",
        CAUTION,
    ] == lines[11:]
    assert 0 == result.exit_code
    widened = solve(usual, "--period-s", "1", "--pulse-accuracy", "0.005").output
    assert "pulse 36 V within 0.5 %, source 31000 ohm as exact.\n" in widened
    assert "noise alone" not in widened


@pytest.mark.parametrize(
    ("options", "text"),
    [
        (("--pulse-v", "0"), "--pulse-v 0 cannot be; give a number above zero"),
        (("--source-ohm", "-1"), "--source-ohm -1 cannot be; give a number above zero"),
        (("--period-s", "nan"), "--period-s nan cannot be; give a number above zero"),
        (("--pulse-v", "1e300"), "--pulse-v 1e+300 cannot be; give a number above zero"),
        (("--field-v", "inf"), "--field-v inf cannot be; give a number"),
        (("--pulse-accuracy", "5"), "--pulse-accuracy 5 is no share; write 0.005 for 0.5 %"),
        (("--plot", "fit.pdf"), "fit.pdf: a picture is drawn as .png or .svg; name the file so"),
    ],
)
def test_wrong_option_is_one_line(usual: Path, options: tuple[str, ...], text: str) -> None:
    """It names the option and what would be right; exit code 2."""
    result = solve(usual, "--period-s", "1", *options)
    assert result.output.startswith(text)
    assert (2, 1) == (result.exit_code, result.output.count("\n"))


def test_accuracy_of_a_recorded_field_voltage_widens_the_location(usual: Path) -> None:
    """alpha - beta is inverse to the voltage's scale: 1 % of it, rectangular, is 1/sqrt(3) %.

    Outside check: the derivative of alpha = beta + s E/(d Uf) by Uf, by hand.
    """
    lines = usual.read_text().splitlines()
    recorded = usual.with_name("recorded.csv")
    recorded.write_text(
        "\n".join([f"{lines[0]},field_voltage_v", *(f"{x},300" for x in lines[1:])])
    )
    settings = (
        "--pulse-v",
        "36",
        "--source-ohm",
        "31000",
        "--period-s",
        "1",
        "--coupling",
        "midpoint",
    )
    alone = told(recorded, *settings)["fault_location"]
    widened = told(recorded, *settings, "--field-accuracy", "0.01")["fault_location"]
    part = abs(alone["value"] - 0.5) * 0.01 / 3**0.5
    assert hypot(alone["uncertainty"], part) == pytest.approx(widened["uncertainty"], rel=0.01)


@pytest.mark.parametrize("options", [("--period-s", "1s"), ("--coupling", "positive")])
def test_option_of_another_kind_is_refused(usual: Path, options: tuple[str, str]) -> None:
    """Text for a number, or a coupling that there is not."""
    result = solve(usual, *options)
    assert f"Invalid value for '{options[0]}': '{options[1]}' is not" in result.output
    assert 2 == result.exit_code


def test_source_resistance_is_always_asked_for(usual: Path) -> None:
    """Nothing stands in for it."""
    result = CliRunner().invoke(main, ["solve", str(usual), "--pulse-v", "36", "--period-s", "1"])
    assert "Missing option '--source-ohm'" in result.output
    assert 2 == result.exit_code


@pytest.mark.parametrize(
    "columns",
    [
        {"time_s": times(3), "current_a": current_a(times(3))},
        {"time_s": times()[:100], "current_a": current_a(times())[:100]},
        {"time_s": times() * 1e3, "current_a": current_a(times())},
        {"time_s": times(), "current_a": current_a(times()) * 1e3},
    ],
    ids=["three samples", "a tenth of a half", "milliseconds", "milliamperes"],
)
def test_record_that_cannot_be_evaluated_is_one_line(
    tmp_path: Path, columns: dict[str, np.ndarray]
) -> None:
    """Too short or in a wrong unit: the file and one sentence; exit code 2."""
    path = record(tmp_path / "r.csv", **columns)
    result = solve(path, "--period-s", "1", "--field-v", "300")
    assert result.output.startswith(f"{path}: ")
    assert (2, 1) == (result.exit_code, result.output.count("\n")), result.output


def texts(picture: Path) -> str:
    root = ET.fromstring(picture.read_bytes())  # noqa: S314 (our own picture)
    return "\n".join("".join(node.itertext()) for node in root.iter() if node.tag.endswith("text"))


def test_picture_shows_record_fit_residuals_and_place(usual: Path, tmp_path: Path) -> None:
    """PNG and SVG by suffix; it says what it shows and that it replaces no protection."""
    options = ("--period-s", "1", "--field-v", "300", "--plot")
    assert 0 == solve(usual, *options, str(tmp_path / "fit.PNG")).exit_code
    assert (tmp_path / "fit.PNG").read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    with matplotlib.rc_context({"svg.fonttype": "none"}):
        assert 0 == solve(usual, *options, str(tmp_path / "fit.svg")).exit_code
    shown = texts(tmp_path / "fit.svg")
    for word in ("samples", "fit", "reversal", "residual", "negative", "positive", "No flags."):
        assert word in shown
    assert "kohm (k = 1), Good" in shown
    mark = re.search(r"([\d.]+) ± [\d.]+ \(k = 2\), Good", shown)
    assert mark is not None
    assert 0.2 == pytest.approx(float(mark[1]), abs=0.001)
    assert CAUTION[:100] in shown


def test_picture_says_that_the_place_is_not_known(usual: Path, tmp_path: Path) -> None:
    """Without field voltage the winding carries no mark, and says so."""
    with matplotlib.rc_context({"svg.fonttype": "none"}):
        solve(usual, "--period-s", "1", "--plot", str(tmp_path / "fit.svg"))
    assert "location not known" in texts(tmp_path / "fit.svg")


def test_picture_that_cannot_be_written_is_told_after_the_result(usual: Path) -> None:
    """The result is printed all the same; one line on stderr says what to do."""
    picture = usual.parent / "no" / "fit.png"
    result = solve(usual, "--period-s", "1", "--json", "--plot", str(picture))
    assert "Good" == json.loads(result.stdout)["fault_resistance_ohm"]["status"]
    assert (
        f"{picture}: the picture cannot be written: no such file or directory; name a place that "
        "can take it\n"
    ) == result.stderr
    assert 1 == result.exit_code


def test_command_starts_without_what_it_does_not_need(usual: Path) -> None:
    """No protocol library is loaded, and the drawing library only for a picture."""
    program = (
        "import sys; from gateway.cli import main; main(sys.argv[1:], standalone_mode=False); "
        "print(*sorted({m.split('.')[0] for m in sys.modules}), file=sys.stderr)"
    )
    command = [sys.executable, "-c", program, "solve", str(usual), *SETTINGS, "--period-s", "1"]
    loaded = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60)
    modules = set(loaded.stderr.split())
    assert "numpy" in modules
    assert set() == modules & {"asyncua", "pymodbus", "matplotlib", "scipy", "simulator"}


ROWS = st.lists(st.tuples(st.floats(-2, 4), st.floats(-1e11, 1e11)), min_size=1, max_size=40)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(ROWS, st.sampled_from([1.0, 1e-3, 1e-9, 0.0]), st.booleans())
def test_whatever_numbers_a_record_has_there_is_an_answer(
    tmp_path: Path, rows: list[tuple[float, float]], scale: float, recorded: bool
) -> None:
    """A result, or one line: never a traceback, never a warning."""
    time_s = np.sort(np.array([row[0] for row in rows]))
    columns = {"time_s": time_s, "current_a": np.array([row[1] for row in rows]) * scale}
    if recorded:
        columns |= {"field_voltage_v": columns["current_a"][::-1], "pulse_v": pulse_v(time_s)}
    path = record(tmp_path / "r.csv", **columns)
    result = solve(path, "--period-s", "1", "--json")
    if result.exit_code == 2:
        assert 1 == result.output.count("\n")
    else:
        json.loads(result.stdout, parse_constant=lambda name: pytest.fail(name))


def test_example_of_the_readme_is_what_the_command_prints(monkeypatch: pytest.MonkeyPatch) -> None:
    """The printed example runs as it stands: the same words, and numbers within 1 % of them."""
    root = Path(__file__).parents[2]
    monkeypatch.chdir(root)
    section = (root / "README.md").read_text(encoding="utf-8").split("# From a recorded pulse")[1]
    begin, end = section.index("rotor-gateway solve"), section.index("\nThat record was simulated")
    command, shown = section[begin:end].replace("\\\n", " ").split("\n", 1)
    printed = CliRunner().invoke(main, command.split()[1:]).output
    number = re.compile(r"-?\d+\.?\d*")
    words = [number.sub("#", text).split() for text in (shown, printed)]
    assert words[0] == words[1]
    # The table: values before a ±, and uncertainties of two digits after it.
    for pattern, rel in ((rf"({number.pattern}) ±", 0.01), (rf"± ({number.pattern})  ", 0.2)):
        values = [[float(n) for n in re.findall(pattern, text)] for text in (shown, printed)]
        assert 6 == len(values[0])
        assert values[0] == pytest.approx(values[1], rel=rel)
    assert [re.findall(r"which (\d+) count", text) for text in (shown, printed)] == [["996"]] * 2


def test_second_example_of_the_readme_finds_both_faults_together() -> None:
    """40 kohm at 0.3 and 15 kohm at 0.8 are 10.909 kohm at 0.6636 (conductances add, by hand)."""
    root = Path(__file__).parents[2]
    path = root / "config" / "records" / "second-fault.csv"
    command = ["solve", str(path), "--source-ohm", "12000", "--period-s", "0.8", "--json"]
    answer = json.loads(CliRunner().invoke(main, command).stdout)
    for name, value in (("fault_resistance_ohm", 10909.09), ("fault_location", 0.663636)):
        assert abs(answer[name]["value"] - value) <= 3 * answer[name]["uncertainty"], name
    assert answer["flags"][0].startswith("changed inside the record: between 1.9")
