"""The transition table of the alarm life cycle, cell by cell."""

from dataclasses import replace
from itertools import product

import pytest

from gateway.alarms.states import Cue, Flags, Handling, moved, refusal
from gateway.tags import AlarmState

# An alarm in each state; states G, H and I with the condition gone (-) and present (+).
FLAGS = {
    "A": Flags(),
    "B": Flags(present=True, active=True, acknowledged=False),
    "C": Flags(present=True, active=True, acknowledged=True),
    "D": Flags(acknowledged=False),
    "E": Flags(active=True, acknowledged=False),
    "F": Flags(active=True, acknowledged=True),
    "G-": Flags(shelved=True),
    "G+": Flags(present=True, active=True, acknowledged=False, shelved=True),
    "H-": Flags(suppressed=True),
    "H+": Flags(present=True, active=True, acknowledged=False, suppressed=True),
    "I-": Flags(out_of_service=True),
    "I+": Flags(present=True, active=True, acknowledged=False, out_of_service=True),
}
STATES = {
    "A": AlarmState.NORMAL,
    "B": AlarmState.UNACKNOWLEDGED,
    "C": AlarmState.ACKNOWLEDGED,
    "D": AlarmState.RETURNED_UNACKNOWLEDGED,
    "E": AlarmState.LATCHED_UNACKNOWLEDGED,
    "F": AlarmState.LATCHED_ACKNOWLEDGED,
    "G": AlarmState.SHELVED,
    "H": AlarmState.SUPPRESSED,
    "I": AlarmState.OUT_OF_SERVICE,
}
CUES = (
    Cue.OCCUR,
    Cue.CLEAR,
    Cue.ACKNOWLEDGE,
    Cue.RESET,
    Cue.SHELVE,
    Cue.SUPPRESS,
    Cue.REMOVE,
    Cue.UNSHELVE,
    Cue.UNSUPPRESS,
    Cue.RETURN,
)
# The transition table after ISA-18.2-2016 / IEC 62682:2022 clause 5.4. Columns: occur, clear,
# acknowledge, reset, shelve, suppress, remove, unshelve, unsuppress, return. "-" nothing happens,
# "x" the order is rejected, "D/E" not latching / latching, "B/C" by configuration. Of two holds out
# of service goes before suppressed goes before shelved.
TABLE = {
    "A": "B   -   x  x  G   H   I   -   -   -",
    "B": "-   D/E C  x  G   H   I   -   -   -",
    "C": "-   A/F x  x  G   H   I   -   -   -",
    "D": "B   -   A  x  G   H   I   -   -   -",
    "E": "B   -   F  x  G   H   I   -   -   -",
    "F": "B/C -   x  A  G   H   I   -   -   -",
    "G-": "G  -   x  -  -   H   I   A   -   -",
    "G+": "-  G   x  -  -   H   I   B   -   -",
    "H-": "H  -   x  -  H   -   I   -   A   -",
    "H+": "-  H   x  -  H   -   I   -   B   -",
    "I-": "I  -   x  -  I   I   -   -   -   A",
    "I+": "-  I   x  -  I   I   -   -   -   B",
}
CELLS = [
    (row, cue, cell)
    for row, cells in TABLE.items()
    for cue, cell in zip(CUES, cells.split(), strict=True)
]
# Process cues and logic are never refused; of what people order, all that does nothing is.
ORDERS = {
    Cue.ACKNOWLEDGE,
    Cue.RESET,
    Cue.SHELVE,
    Cue.UNSHELVE,
    Cue.REMOVE,
    Cue.RETURN,
}


@pytest.mark.parametrize(("latching", "quietly"), [*product([False, True], repeat=2)])
@pytest.mark.parametrize(("row", "cue", "cell"), CELLS)
def test_every_cell(row: str, cue: Cue, cell: str, latching: bool, quietly: bool) -> None:
    """Each state and cue lead where the table of the standard says, and nowhere else."""
    choices = cell.split("/")
    by_option = quietly if row == "F" else latching
    goal = choices[-1 if by_option else 0]
    handling = Handling(latching=latching, latched_comes_acknowledged=quietly)
    after = moved(FLAGS[row], cue, handling)
    assert STATES[row[0]] == FLAGS[row].state
    if goal in ("-", "x"):
        assert FLAGS[row] == after
        assert (cue in ORDERS) == bool(refusal(FLAGS[row], cue))
    else:
        assert STATES[goal] == after.state
        assert FLAGS[row] != after
        assert "" == refusal(FLAGS[row], cue)


@pytest.mark.parametrize("cue", [Cue.OCCUR, Cue.CLEAR])
@pytest.mark.parametrize("hold", "GHI")
def test_a_held_alarm_is_evaluated(hold: str, cue: Cue) -> None:
    """While held, the condition comes and goes, and the alarm comes back accordingly."""
    came = moved(FLAGS[f"{hold}{'-' if cue is Cue.OCCUR else '+'}"], cue, Handling(latching=True))
    assert (cue is Cue.OCCUR) == came.present
    free = replace(came, shelved=False, suppressed=False, out_of_service=False)
    assert STATES["B" if cue is Cue.OCCUR else "A"] == free.state


@pytest.mark.parametrize("row", "ABCDEF")
@pytest.mark.parametrize(
    ("hold", "free"),
    [
        (Cue.SHELVE, Cue.UNSHELVE),
        (Cue.SUPPRESS, Cue.UNSUPPRESS),
        (Cue.REMOVE, Cue.RETURN),
    ],
)
def test_a_hold_ends_in_normal_or_unacknowledged(row: str, hold: Cue, free: Cue) -> None:
    """Whatever an alarm was before a hold, it comes back normal, or as a new one if present."""
    handling = Handling(latching=True)
    back = moved(moved(FLAGS[row], hold, handling), free, handling)
    assert FLAGS["B" if row in "BC" else "A"] == back


@pytest.mark.parametrize("row", FLAGS)
def test_only_what_is_acknowledged_and_present_sounds_again(row: str) -> None:
    """A re-alarm makes an acknowledged alarm unacknowledged, and nothing of any other."""
    goal = "B" if row == "C" else row
    assert FLAGS[goal] == moved(FLAGS[row], Cue.REALARM, Handling())


@pytest.mark.parametrize(("latching", "goal"), [(False, "A"), (True, "E")])
def test_a_return_may_acknowledge_itself(latching: bool, goal: str) -> None:
    """By configuration what has returned is acknowledged; what is latched has not returned."""
    handling = Handling(latching=latching, acknowledge_on_return=True)
    assert FLAGS[goal] == moved(FLAGS["B"], Cue.CLEAR, handling)


def test_of_several_holds_the_strongest_is_told() -> None:
    """Out of service goes before suppressed by design goes before shelved."""
    flags = Flags(shelved=True, suppressed=True, out_of_service=True)
    told = [flags.state]
    for cue in (Cue.RETURN, Cue.UNSUPPRESS, Cue.UNSHELVE):
        flags = moved(flags, cue, Handling())
        told.append(flags.state)
    assert [STATES[s] for s in "IHGA"] == told


def test_reasons_tell_what_to_do_first() -> None:
    """Two rejections that the standard words itself are worded so."""
    already = refusal(FLAGS["C"], Cue.ACKNOWLEDGE)
    first = refusal(FLAGS["E"], Cue.RESET)
    assert (True, True) == ("acknowledged already" in already, "acknowledge" in first)
