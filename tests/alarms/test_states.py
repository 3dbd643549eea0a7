"""The transition table, cell by cell."""

import pytest

from gateway.alarms.states import REFUSALS, Cue, move
from gateway.tags import AlarmState

STATES = {
    "A": AlarmState.NORMAL,
    "B": AlarmState.UNACKNOWLEDGED,
    "C": AlarmState.ACKNOWLEDGED,
    "D": AlarmState.RETURNED_UNACKNOWLEDGED,
    "E": AlarmState.LATCHED_UNACKNOWLEDGED,
    "F": AlarmState.LATCHED_ACKNOWLEDGED,
}
CUES = (Cue.OCCUR, Cue.CLEAR, Cue.ACKNOWLEDGE, Cue.RESET)
# After ISA-18.2 / IEC 62682, rows A to F; columns occur, clear, acknowledge,
# reset. "-" nothing happens, "x" an order that is rejected, "D/E" not latching / latching.
TABLE = {
    "A": ("B", "-", "x", "x"),
    "B": ("-", "D/E", "C", "x"),
    "C": ("-", "A/F", "x", "x"),
    "D": ("B", "-", "A", "x"),
    "E": ("B", "-", "F", "x"),
    "F": ("B", "-", "x", "A"),
}
CELLS = [
    (row, cue, cell) for row, cells in TABLE.items() for cue, cell in zip(CUES, cells, strict=True)
]


@pytest.mark.parametrize("latching", [False, True])
@pytest.mark.parametrize(("row", "cue", "cell"), CELLS)
def test_every_cell(row: str, cue: Cue, cell: str, latching: bool) -> None:
    """Each state and cue lead where the table of the standard says, and nowhere else."""
    goal = cell.split("/")[-1 if latching else 0]
    assert STATES.get(goal) == move(STATES[row], cue, latching=latching)


@pytest.mark.parametrize(("row", "cue", "cell"), CELLS)
def test_every_rejected_order_has_its_reason(row: str, cue: Cue, cell: str) -> None:
    """An order has a reason for its refusal exactly where the table rejects it."""
    assert (cell == "x") == bool(REFUSALS.get((STATES[row], cue)))


def test_reasons_tell_what_to_do_first() -> None:
    """Two rejections that the standard words itself are worded so."""
    already = REFUSALS[AlarmState.ACKNOWLEDGED, Cue.ACKNOWLEDGE]
    first = REFUSALS[AlarmState.LATCHED_UNACKNOWLEDGED, Cue.RESET]
    assert (True, True) == ("acknowledged already" in already, "acknowledge" in first)
