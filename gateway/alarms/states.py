"""The transition table of ISA-18.2-2016 / IEC 62682:2022 clause 5.4, and nothing else.

A pair that is not in the table changes nothing: a process cue is then no event at all, and an
operator's order is refused.
"""

from enum import StrEnum
from typing import Final

from gateway.tags import AlarmState

S = AlarmState


class Cue(StrEnum):
    """What can happen to an alarm."""

    OCCUR = "occur"  # the condition was true for the whole on-delay
    CLEAR = "clear"  # it was false, beyond the deadband, for the whole off-delay
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"


MOVES: Final[dict[tuple[AlarmState, Cue], AlarmState]] = {
    (S.NORMAL, Cue.OCCUR): S.UNACKNOWLEDGED,
    (S.UNACKNOWLEDGED, Cue.CLEAR): S.RETURNED_UNACKNOWLEDGED,
    (S.UNACKNOWLEDGED, Cue.ACKNOWLEDGE): S.ACKNOWLEDGED,
    (S.ACKNOWLEDGED, Cue.CLEAR): S.NORMAL,
    (S.RETURNED_UNACKNOWLEDGED, Cue.OCCUR): S.UNACKNOWLEDGED,
    (S.RETURNED_UNACKNOWLEDGED, Cue.ACKNOWLEDGE): S.NORMAL,
    (S.LATCHED_UNACKNOWLEDGED, Cue.OCCUR): S.UNACKNOWLEDGED,
    (S.LATCHED_UNACKNOWLEDGED, Cue.ACKNOWLEDGE): S.LATCHED_ACKNOWLEDGED,
    (S.LATCHED_ACKNOWLEDGED, Cue.OCCUR): S.UNACKNOWLEDGED,
    (S.LATCHED_ACKNOWLEDGED, Cue.RESET): S.NORMAL,
}

# Where a latching alarm goes instead.
LATCHING_MOVES: Final[dict[tuple[AlarmState, Cue], AlarmState]] = {
    (S.UNACKNOWLEDGED, Cue.CLEAR): S.LATCHED_UNACKNOWLEDGED,
    (S.ACKNOWLEDGED, Cue.CLEAR): S.LATCHED_ACKNOWLEDGED,
}

REFUSALS: Final[dict[tuple[AlarmState, Cue], str]] = {
    (S.NORMAL, Cue.ACKNOWLEDGE): "the alarm is normal; there is nothing to acknowledge",
    (S.ACKNOWLEDGED, Cue.ACKNOWLEDGE): "the alarm is acknowledged already",
    (S.LATCHED_ACKNOWLEDGED, Cue.ACKNOWLEDGE): "the alarm is acknowledged already",
    (S.NORMAL, Cue.RESET): "the alarm is normal; there is nothing to reset",
    (S.UNACKNOWLEDGED, Cue.RESET): "the condition is still present",
    (S.ACKNOWLEDGED, Cue.RESET): "the condition is still present",
    (S.RETURNED_UNACKNOWLEDGED, Cue.RESET): "the alarm does not latch; acknowledge it",
    (S.LATCHED_UNACKNOWLEDGED, Cue.RESET): "acknowledge the alarm first",
}


def move(state: AlarmState, cue: Cue, *, latching: bool) -> AlarmState | None:
    """The next state, or None where the cue means nothing in this state."""
    if latching and (state, cue) in LATCHING_MOVES:
        return LATCHING_MOVES[state, cue]
    return MOVES.get((state, cue))
