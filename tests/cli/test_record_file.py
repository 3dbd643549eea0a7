"""Record files: what is read, and the one line that says what is wrong with any other."""

import re
import stat
import time
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from gateway.cli import main, record_file
from gateway.cli.record_file import RecordFileError, amplitude_v, read
from gateway.rotor.measured import Measured
from gateway.rotor.pulse_record import PulseRecord

SETTINGS = ("--source-ohm", "31000", "--pulse-v", "36", "--period-s", "1")
COLUMNS = "(the columns are time_s, current_a, field_voltage_v, pulse_v)"
WRITE = "write time_s,current_a there, and field_voltage_v or pulse_v where recorded"
PLAIN = "in amperes as a plain number, such as 0.0012"


def written(tmp_path: Path, content: str | bytes) -> Path:
    path = tmp_path / "record.csv"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def read_text(tmp_path: Path, content: str | bytes) -> PulseRecord:
    return read(written(tmp_path, content), 1.0, None)


def refusal(tmp_path: Path, content: str | bytes, *options: str) -> str:
    """What the command says of a file that it cannot read, without the name of the file."""
    path = written(tmp_path, content)
    result = CliRunner().invoke(main, ["solve", str(path), *(options or SETTINGS)])
    assert (2, 1) == (result.exit_code, result.output.count("\n")), result.output
    assert result.output.startswith(f"{path}:")
    return result.output.removeprefix(f"{path}:").rstrip("\n")


@pytest.mark.parametrize(
    "content",
    [
        "time_s,current_a\n0,0.001\n0.5,-2.5e-3\n",
        "time_s,current_a\n0,0.001\n0.5,-2.5e-3",
        "current_a,time_s\n0.001,0\n-2.5e-3,0.5\n",
        "Time_S,current_A\r\n0,0.001\r\n0.5,-2.5E-03\r\n\r\n",
        "time_s,current_a\r0,0.001\r0.5,-.0025\r",
        '"time_s","current_a"\n"0","0.001"\n"0.5","-0.0025"\n',
        " time_s , current_a \n 0 , +0.001 \n 0.5 , -0.0025 \n",
        "\ufefftime_s;current_a\n0;0.001\n0.5;-0.0025\n",
        "time_s\tcurrent_a\n0\t0.001\n0.5\t-0.0025\n",
        "time_s;current_a\n0;0,001\n0,5;-2,5e-3\n",
        'time_s\tcurrent_a\n0\t"0,001"\n0,5\t-0,0025\n',
    ],
)
def test_record_is_the_same_however_it_was_exported(tmp_path: Path, content: str) -> None:
    """Order of columns, line ends, separators, quotes, decimal commas and a byte order mark."""
    record = read_text(tmp_path, content)
    assert ([0, 0.5], [0.001, -0.0025]) == (record.time_s.tolist(), record.current_a.tolist())
    assert (1.0, None, None) == (record.period_s, record.field_voltage_v, record.pulse_v)


def test_all_columns_are_taken(tmp_path: Path) -> None:
    """Field voltage and source voltage come from their columns, and need no period then."""
    text = "pulse_v,time_s,field_voltage_v,current_a\n36,0,250,1e-3\n-36,0.5,251,-1e-3\n"
    record = read(written(tmp_path, text), None, None)
    assert isinstance(record.field_voltage_v, np.ndarray)
    assert record.pulse_v is not None
    assert ([250, 251], [36, -36]) == (record.field_voltage_v.tolist(), record.pulse_v.tolist())
    assert record.period_s is None


def test_field_voltage_of_the_settings_is_that_of_a_record_without_one(tmp_path: Path) -> None:
    """One number that held all the time is handed on with its uncertainty."""
    path = written(tmp_path, "time_s,current_a\n0,1\n1,1\n")
    assert Measured(300.0, 1.5) == read(path, 1.0, Measured(300.0, 1.5)).field_voltage_v


@pytest.mark.parametrize(
    ("header", "column", "what"),
    [
        ("time_s,current_ma", 8, "divide it by 1000 and name it current_a, in amperes"),
        ("time_s,Current [mA]", 8, "divide it by 1000 and name it current_a, in amperes"),
        ("time_s,i_µA", 8, "divide it by 1000000 and name it current_a, in amperes"),
        ("time_s,i", 8, "name it current_a, in amperes"),
        ("time_s,current_v", 8, "name it current_a, in amperes"),
        ("time_ms,current_a", 1, "divide it by 1000 and name it time_s, in seconds"),
        ("t_min,current_a", 1, "multiply it by 60 and name it time_s, in seconds"),
        ("time,current_a", 1, "name it time_s, in seconds"),
        ("time_s,current_a, u_f", 19, "name it field_voltage_v, in volts"),
        ("time_s,current_a,Uf (kV)", 18, "multiply it by 1000 and name it field_voltage_v, in v"),
        ("time_s,current_a,E_mV", 18, "divide it by 1000 and name it pulse_v, in volts"),
        ("time_s,currnt_a", 8, "did you mean current_a?"),
        ("time_s,current_a,temperature_c", 18, "delete it"),
        ("time_s current_a", 1, "separate the columns by commas"),
        (f"time_s,current_a,{'x' * 100_000}", 18, "delete it"),
        ("time_s,current_a,温度", 18, "delete it"),
    ],
)
def test_unknown_column_is_named_with_what_to_do(
    tmp_path: Path, header: str, column: int, what: str
) -> None:
    """A unit variant is told how to be converted; all others which columns there are."""
    text = refusal(tmp_path, f"{header}\n0,1\n")
    assert re.match(rf"1:{column}: unknown column '[^']{{1,43}}'; ", text), text
    assert what in text
    assert text.endswith(COLUMNS)


@pytest.mark.parametrize(
    ("content", "text"),
    [
        ("", f"1:1: the file is empty; the first line names the columns: {WRITE}"),
        ("\n \n", f"1:1: the file is empty; the first line names the columns: {WRITE}"),
        ("\n0,1\n", f"1:1: the first line is empty; {WRITE}"),
        ("0,1\n", f"1:1: the line that names the columns is missing; {WRITE}"),
        ("time_s\n0\n", "1:1: the column current_a is missing; add it, in amperes"),
        ("current_a\n0\n", "1:1: the column time_s is missing; add it, in seconds"),
        (
            "time_s,current_a,\n",
            f"1:18: column 3 has no name; name it or delete it {COLUMNS}",
        ),
        (
            "time_s,current_a,Time_s\n",
            "1:18: the column time_s stands here twice; delete one",
        ),
        ("time_s,current_a\n", "2:1: there are no rows below the header; export the samples too"),
        (
            "time_s,current_a\n0,1\n1\n",
            "3:1: the row has 1 cell, the header 2; complete the row or delete it",
        ),
        (
            "time_s,current_a\n0,1\n0,5,0,001\n",
            "3:1: the row has 4 cells, the header 2; with decimal commas, separate the columns "
            "by semicolons",
        ),
        (
            "time_s;current_a\n0,1\n",
            "2:1: the row has 1 cell, the header 2; complete the row or delete it",
        ),
        (
            "time_s;current_a\n0;1;2\n",
            "2:1: the row has 3 cells, the header 2; complete the row or delete it",
        ),
        ("time_s,current_a\n0,1\n\n1,1\n", "3:1: the row is empty; delete it"),
        (
            "time_s,current_a\n0,1\n1, \n",
            "3:4: current_a is empty; write its number, or delete the row",
        ),
        ("time_s,current_a\n0, n/a\n", f"2:4: 'n/a' is not a number; write current_a {PLAIN}"),
        ("time_s,current_a\n0,1 mA\n", f"2:3: '1 mA' is not a number; write current_a {PLAIN}"),
        ("time_s,current_a\n0,1_0\n", f"2:3: '1_0' is not a number; write current_a {PLAIN}"),
        ("time_s,current_a\n0,٣\n", f"2:3: '٣' is not a number; write current_a {PLAIN}"),
        ("time_s,current_a\n0,0x1\n", f"2:3: '0x1' is not a number; write current_a {PLAIN}"),
        (
            f"time_s,current_a\n0,{'1' * 100_000}x\n",
            f"2:3: '{'1' * 40}...' is not a number; write current_a {PLAIN}",
        ),
        (
            "time_s,current_a\n0,NaN\n",
            "2:3: current_a is NaN, which nothing measures; delete the row",
        ),
        (
            "time_s,current_a\n-inf,1\n",
            "2:1: time_s is -inf, which nothing measures; delete the row",
        ),
        (
            "time_s,current_a\n0,-1e12\n",
            "2:3: -1e12 is beyond any measurement; write current_a in amperes",
        ),
        (
            "time_s,current_a\n1e999,1\n",
            "2:1: 1e999 is beyond any measurement; write time_s in seconds",
        ),
        (
            "time_s;current_a\n0.5;1\n1,5;1\n",
            "3:1: '1,5' has a comma among points; write decimal points only",
        ),
        (
            "current_a,time_s\n1,0.5\n1,0.5\n1,0.25\n",
            "4:3: the time goes back from 0.5 s to 0.25 s; sort the rows by time, or cut the "
            "record there",
        ),
        (
            b"time_s,current_a\n0,\xb5\n",
            "2:3: the byte 0xB5 is not UTF-8 text; save the file as UTF-8",
        ),
        (
            b"\xef\xbb\xbftime_s,\xb5\n",
            "1:8: the byte 0xB5 is not UTF-8 text; save the file as UTF-8",
        ),
        ("time_s,current_a\n".encode("utf-16"), "1:1: UTF-16 text; save the file as UTF-8"),
        (b"\x89PNG\0\0", "1:1: a binary file, not text; export the record as CSV"),
    ],
)
def test_wrong_file_is_refused_with_its_place(
    tmp_path: Path, content: str | bytes, text: str
) -> None:
    """One line: file, line, column, what is wrong and what to do; exit code 2."""
    assert text == refusal(tmp_path, content)


def test_equal_times_are_for_the_estimator_to_judge(tmp_path: Path) -> None:
    """A doubled sample is no fault of the file."""
    record = read_text(tmp_path, "time_s,current_a\n0,1\n0,1\n1,1\n")
    assert [0, 0, 1] == record.time_s.tolist()


@pytest.mark.parametrize(
    ("make", "reason"),
    [
        (lambda path: None, "no such file or directory"),
        (lambda path: path.mkdir(), "is a directory"),
    ],
)
def test_what_cannot_be_read_is_told_with_its_reason(tmp_path: Path, make, reason: str) -> None:
    """A missing file and a directory are one line too."""
    path = tmp_path / "record.csv"
    make(path)
    result = CliRunner().invoke(main, ["solve", str(path), *SETTINGS])
    remedy = "name a CSV file that this user may read"
    assert f"{path}: cannot be read: {reason}; {remedy}\n" == result.output
    assert 2 == result.exit_code


def test_file_that_this_user_may_not_read_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The system's refusal is the reason given."""
    path = written(tmp_path, "time_s,current_a\n0,1\n")
    path.chmod(0)
    assert not stat.S_IMODE(path.stat().st_mode)

    def refuse(self: Path, mode: str) -> None:  # root may read everything
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(RecordFileError, match="cannot be read: permission denied; name a CSV"):
        read(path, 1.0, None)


def test_too_many_rows_are_refused(tmp_path: Path) -> None:
    """A record has a million rows at most, and the error says how to make it shorter."""
    text = "time_s,current_a\n" + "0,1\n" * 1_000_001
    assert (
        "1000002:1: more than 1000000 rows; cut the record, a few periods are enough"
    ) == refusal(tmp_path, text)


def test_too_large_a_file_is_not_read_to_its_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is read is bounded in bytes, whatever is in it."""
    monkeypatch.setattr(record_file, "_BYTES_MOST", 2**20)
    content = "time_s,current_a\n" + "0,1" * 2**20
    assert "1:1: longer than 1 MiB; cut the record, a few periods are enough" == refusal(
        tmp_path, content
    )


def test_period_must_be_known(tmp_path: Path) -> None:
    """Without a recorded source and without a period nothing tells which half is which."""
    options = ("--source-ohm", "31000", "--pulse-v", "36")
    assert (
        "1:1: nothing tells when the pulse reverses; give --period-s, or record a column pulse_v"
    ) == refusal(tmp_path, "time_s,current_a\n0,1\n", *options)


def test_field_voltage_has_one_origin(tmp_path: Path) -> None:
    """A column and --field-v contradict each other; the column is pointed at."""
    content = "time_s,current_a, field_voltage_v\n0,1,2\n"
    assert (
        "1:19: the record has a field voltage of its own; leave out --field-v, or this column"
    ) == refusal(tmp_path, content, *SETTINGS, "--field-v", "300")


def pulse(tmp_path: Path, levels: list[float]) -> float:
    rows = "".join(f"{i},0.001,{level}\n" for i, level in enumerate(levels))
    path = written(tmp_path, f"time_s,current_a,pulse_v\n{rows}")
    return amplitude_v(path, read(path, None, None))


def test_amplitude_is_that_of_the_recorded_levels(tmp_path: Path) -> None:
    """Noise and a few samples on the edges leave the amplitude as it is."""
    noisy = [36.1, 35.9, 36.0, 36.0, 36.0] * 5 + [4.0] + [-36.1, -36.0, -35.9, -36.0, -36.0] * 5
    assert 36.0 == pulse(tmp_path, noisy)


@pytest.mark.parametrize("levels", [[36.0] * 9, [36.0, 0.0, -36.0, 0.0], [36.0, -30.0], [0.0] * 4])
def test_source_without_two_levels_needs_its_amplitude(tmp_path: Path, levels: list[float]) -> None:
    """A source that rests, stands still or is not symmetric is not guessed at."""
    with pytest.raises(RecordFileError, match=r"not change between two levels .* give --pulse-v"):
        pulse(tmp_path, levels)


def test_usual_record_is_read_at_once(tmp_path: Path) -> None:
    """Two thousand rows of four columns take well below 0.1 s."""
    rows = "".join(f"{i / 1000:.6f},{i:.8e},300.1,36\n" for i in range(2000))
    path = written(tmp_path, f"time_s,current_a,field_voltage_v,pulse_v\n{rows}")
    seconds = []
    for _ in range(5):
        before = time.perf_counter()
        read(path, None, None)
        seconds.append(time.perf_counter() - before)
    assert min(seconds) < 0.05


CELLS = st.one_of(
    st.floats(-2, 2).map(repr),
    st.integers(-10, 10).map(str),
    st.sampled_from(["", "nan", "1e400", "1,5", '"1"', "-", "+.", "1e", "\t", "x", "\x85", "µ"]),
)
LINES = st.lists(CELLS, max_size=4).map(",".join)
HEADERS = st.sampled_from(
    ["time_s,current_a", "time_s;current_a", "current_a\ttime_s", "time_s,current_a,pulse_v"]
)
FILES = st.one_of(
    st.binary(max_size=60),
    st.text(max_size=60).map(str.encode),
    st.tuples(HEADERS, st.lists(LINES, max_size=6), st.sampled_from(["\n", "\r\n", "\r"])).map(
        lambda parts: parts[2].join((parts[0], *parts[1])).encode()
    ),
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(FILES)
@example(b"time_s,current_a\n" + b"9" * 5000 + b",1\n")
@example(b"\xff\xfe")
def test_whatever_a_file_has_is_a_record_or_one_line(tmp_path: Path, content: bytes) -> None:
    """No content makes a traceback: either finite numbers with rising times, or one placed line."""
    path = written(tmp_path, content)
    try:
        record = read(path, 1.0, None)
    except RecordFileError as error:
        assert re.fullmatch(rf"{re.escape(str(path))}:\d+:\d+: [^\n]+; [^\n]+", str(error))
        return
    assert np.isfinite(record.current_a).all()
    assert (np.diff(record.time_s) >= 0).all()
    assert record.time_s.size == record.current_a.size > 0
