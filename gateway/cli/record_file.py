"""Record files: a CSV of a sampled pulse current becomes a PulseRecord, or one error.

A file that could be read in two ways is refused, and so is every cell that is not a plain number in
the unit of its column's name. Whether the numbers make sense is for the estimator to say.
"""

import codecs
import re
from array import array
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np

from gateway.rotor.measured import Measured
from gateway.rotor.pulse_record import Floats, PulseRecord

_UNITS: Final = {
    "time_s": "seconds",
    "current_a": "amperes",
    "field_voltage_v": "volts",
    "pulse_v": "volts",
}
_NEEDED: Final = ("time_s", "current_a")
_HEADER: Final = "write time_s,current_a there, and field_voltage_v or pulse_v where recorded"
_ACCEPTED: Final = f"the columns are {', '.join(_UNITS)}"
_ROWS_MOST: Final = 1_000_000
_BYTES_MOST: Final = 128 * 2**20
# No time, current or voltage of a rotor comes near it, and its square is still a number.
_BEYOND: Final = 1e12
_NUMBER: Final = re.compile(
    r"(?=.{1,400}\Z)[-+]?(?:[0-9]++(?:\.[0-9]*+)?|\.[0-9]++)(?:[eE][-+]?[0-9]++)?"
)
# What people call the columns, and the units in which they have them.
_CALLED: Final = {
    "time_s": "t time times timestamp seconds elapsed",
    "current_a": "i current currents amps ampere amperes i_pulse pulse_current injection_current",
    "field_voltage_v": "uf u_f vf v_f field field_voltage excitation excitation_voltage",
    "pulse_v": "e up u_p pulse pulse_voltage source source_voltage injection injection_voltage",
}
_NAMES: Final = {name: column for column, names in _CALLED.items() for name in names.split()}
_VOLTS: Final = {"v": 1.0, "mv": 1e-3, "uv": 1e-6, "kv": 1e3}
_FACTORS: Final = {
    "time_s": {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0, "h": 3600.0},
    "current_a": {"a": 1.0, "ma": 1e-3, "ua": 1e-6, "na": 1e-9, "ka": 1e3},
    "field_voltage_v": _VOLTS,
    "pulse_v": _VOLTS,
}
_NAME_LONGEST: Final = 40


class RecordFileError(ValueError):
    """The file is no record. Its text says where, what, and what to do."""


@dataclass(frozen=True, slots=True)
class _Text:
    """A file's text; its faults are told with their places, both counted from 1."""

    path: Path
    lines: list[str]

    def fault(self, line: int, column: int, text: str) -> RecordFileError:
        return RecordFileError(f"{self.path}:{line}:{column}: {text}")

    def fault_at(self, line: int, cells: list[str], index: int, text: str) -> RecordFileError:
        """A fault of one of the cells into which a line was cut."""
        before = sum(len(cell) + 1 for cell in cells[:index])
        cell = cells[index] if index < len(cells) else ""
        return self.fault(line, before + len(cell) - len(cell.lstrip()) + 1, text)


def read(path: Path, period_s: float | None, field_voltage_v: Measured | None) -> PulseRecord:
    """The record of a file, whose columns may stand in any order. Raises RecordFileError.

    Cells are separated by commas, or by semicolons or tabs, and then a decimal comma will do as
    well as a point. `period_s` and `field_voltage_v` are what a file without these columns lacks.
    """
    text = _text(path)
    separator = next((s for s in ";\t" if s in text.lines[0]), ",")
    names = _header(text, separator)
    if "pulse_v" not in names and period_s is None:
        what = "nothing tells when the pulse reverses; give --period-s, or record a column pulse_v"
        raise text.fault(1, 1, what)
    if "field_voltage_v" in names and field_voltage_v is not None:
        cells = text.lines[0].split(separator)
        what = "the record has a field voltage of its own; leave out --field-v, or this column"
        raise text.fault_at(1, cells, names.index("field_voltage_v"), what)
    columns = dict(zip(names, _numbers(text, separator, names), strict=True))
    return PulseRecord(
        columns["time_s"],
        columns["current_a"],
        period_s,
        columns.get("field_voltage_v", field_voltage_v),
        columns.get("pulse_v"),
    )


def amplitude_v(path: Path, record: PulseRecord) -> float:
    """The amplitude of a recorded source that has two levels, +E and -E. Raises RecordFileError.

    All but a twentieth of the samples must lie within a twentieth of one of them (our choice: it
    leaves room for edges and noise, and none for a source that rests at zero).
    """
    if record.pulse_v is None:
        raise RecordFileError(f"{path}:1:1: the pulse amplitude is not known; give --pulse-v")
    up, down = record.pulse_v[record.pulse_v > 0], record.pulse_v[record.pulse_v < 0]
    if up.size and down.size:
        level_v = float(np.median(up) - np.median(down)) / 2
        away_v = np.abs(np.abs(record.pulse_v) - level_v)
        if np.count_nonzero(away_v > level_v / 20) <= record.pulse_v.size / 20:
            return level_v
    what = "pulse_v does not change between two levels +E and -E; give --pulse-v"
    raise RecordFileError(f"{path}:1:1: {what}")


def _text(path: Path) -> _Text:
    """The file as lines, its first one not empty."""
    try:
        with path.open("rb") as file:
            data = file.read(_BYTES_MOST + 1)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        what = f"cannot be read: {reason}; name a CSV file that this user may read"
        raise RecordFileError(f"{path}: {what}") from error
    blank = _Text(path, [])
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        raise blank.fault(1, 1, "UTF-16 text; save the file as UTF-8")
    if b"\0" in data:
        raise blank.fault(1, 1, "a binary file, not text; export the record as CSV")
    if len(data) > _BYTES_MOST:
        what = f"longer than {_BYTES_MOST // 2**20} MiB; cut the record, a few periods are enough"
        raise blank.fault(1, 1, what)
    try:
        whole = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        # The position counts from behind a byte order mark.
        mark = len(codecs.BOM_UTF8) if data.startswith(codecs.BOM_UTF8) else 0
        before = data[mark : mark + error.start]
        line, column = before.count(b"\n") + 1, len(before) - before.rfind(b"\n")
        what = f"the byte 0x{error.object[error.start]:02X} is not UTF-8 text"
        raise blank.fault(line, column, f"{what}; save the file as UTF-8") from error
    lines = whole.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    while lines and not lines[-1].strip():
        del lines[-1]
    if not lines:
        raise blank.fault(1, 1, f"the file is empty; the first line names the columns: {_HEADER}")
    if len(lines) > _ROWS_MOST + 1:
        what = f"more than {_ROWS_MOST} rows; cut the record, a few periods are enough"
        raise blank.fault(_ROWS_MOST + 2, 1, what)
    return _Text(path, lines)


def _header(text: _Text, separator: str) -> list[str]:
    """The columns in their order. Capitals do not count: current_A is current_a."""
    cells = text.lines[0].split(separator)
    names = [_bare(cell).lower() for cell in cells]
    if not any(names):
        raise text.fault(1, 1, f"the first line is empty; {_HEADER}")
    if all(_NUMBER.fullmatch(name) for name in names if name):
        raise text.fault(1, 1, f"the line that names the columns is missing; {_HEADER}")
    for i, name in enumerate(names):
        if not name:
            what = f"column {i + 1} has no name; name it or delete it ({_ACCEPTED})"
        elif name not in _UNITS:
            what = f"unknown column {_quoted(_bare(cells[i]))}; {_remedy(name)} ({_ACCEPTED})"
        elif name in names[:i]:
            what = f"the column {name} stands here twice; delete one"
        else:
            continue
        raise text.fault_at(1, cells, i, what)
    for name in _NEEDED:
        if name not in names:
            raise text.fault(1, 1, f"the column {name} is missing; add it, in {_UNITS[name]}")
    return names


def _remedy(name: str) -> str:
    """What to do about an unknown column, as far as its name tells what it has."""
    if sum(known in name for known in _UNITS) > 1:
        return "separate the columns by commas"
    words = re.findall(r"[a-z]+", re.sub("[µμ]", "u", name[:_NAME_LONGEST]))
    unit = words[-1] if words and any(words[-1] in units for units in _FACTORS.values()) else ""
    column = _NAMES.get("_".join(words)) or (unit and _NAMES.get("_".join(words[:-1])))
    if not column:
        close = get_close_matches(name[:_NAME_LONGEST], _UNITS, 1)
        return f"did you mean {close[0]}?" if close else "delete it"
    # A unit of another quantity, such as the volts of a shunt, is not for us to convert.
    factor = _FACTORS[column].get(unit, 1.0)
    scale = f"multiply it by {factor:.0f} and " if factor > 1 else ""
    scale = f"divide it by {1 / factor:.0f} and " if factor < 1 else scale
    return f"{scale}name it {column}, in {_UNITS[column]}"


def _numbers(text: _Text, separator: str, names: list[str]) -> list[Floats]:
    """The columns' numbers, in their order, with times that never go back."""
    if len(text.lines) < 2:
        raise text.fault(2, 1, "there are no rows below the header; export the samples too")
    comma = separator != "," and _has_decimal_commas(text)
    columns = [array("d") for _ in names]
    for number, line in enumerate(text.lines[1:], 2):
        cells = line.split(separator)
        if len(cells) != len(names):
            raise text.fault(number, 1, _wrong_count(line, cells, separator, len(names)))
        for i, cell in enumerate(cells):
            bare = _bare(cell).replace(",", ".") if comma else _bare(cell)
            value = float(bare) if _NUMBER.fullmatch(bare) else np.nan
            if not -_BEYOND < value < _BEYOND:
                raise text.fault_at(number, cells, i, _wrong_cell(_bare(cell), names[i]))
            columns[i].append(value)
    times = columns[names.index("time_s")]
    for number, (before, after) in enumerate(pairwise(times), 3):
        if after < before:
            cells = text.lines[number - 1].split(separator)
            what = f"the time goes back from {before:.9g} s to {after:.9g} s"
            remedy = "sort the rows by time, or cut the record there"
            raise text.fault_at(number, cells, names.index("time_s"), f"{what}; {remedy}")
    return [np.frombuffer(column, dtype=np.float64) for column in columns]


def _has_decimal_commas(text: _Text) -> bool:
    """Whether commas can only be decimal: a point anywhere leaves them to be thousands."""
    return not any("." in line for line in text.lines[1:])


def _wrong_count(line: str, cells: list[str], separator: str, wanted: int) -> str:
    if not line.strip():
        return "the row is empty; delete it"
    what = f"the row has {len(cells)} cell{'s' if len(cells) > 1 else ''}, the header {wanted}"
    if len(cells) > wanted and separator == ",":
        return f"{what}; with decimal commas, separate the columns by semicolons"
    return f"{what}; complete the row or delete it"


def _wrong_cell(cell: str, column: str) -> str:
    if not cell:
        return f"{column} is empty; write its number, or delete the row"
    if cell.lower().lstrip("+-") in ("nan", "inf", "infinity"):
        return f"{column} is {cell}, which nothing measures; delete the row"
    if _NUMBER.fullmatch(cell):
        return (
            f"{cell[:_NAME_LONGEST]} is beyond any measurement; write {column} in {_UNITS[column]}"
        )
    if _NUMBER.fullmatch(cell.replace(",", ".")):
        return f"{_quoted(cell)} has a comma among points; write decimal points only"
    plain = f"write {column} in {_UNITS[column]} as a plain number, such as 0.0012"
    return f"{_quoted(cell)} is not a number; {plain}"


def _bare(cell: str) -> str:
    """A cell without the blanks and quotation marks around it."""
    return cell.strip().strip('"').strip()


def _quoted(text: str) -> str:
    return repr(text if len(text) <= _NAME_LONGEST else f"{text[:_NAME_LONGEST]}...")
