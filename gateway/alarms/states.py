"""The states of an alarm after ISA-18.2-2016 / IEC 62682:2022 clause 5.4, and nothing else.

An alarm has two independent memories, active (which is present, or latched) and acknowledged, and
three holds: shelved, suppressed by design, out of service. Its state is derived from them and
stored nowhere. Refuses an order that can do nothing, and says why; a process cue is never refused.
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from gateway.tags import AlarmState


class Cue(StrEnum):
    """What can happen to an alarm."""

    OCCUR = "occur"  # the condition was true for the whole on-delay
    CLEAR = "clear"  # it was false, beyond the deadband, for the whole off-delay
    REALARM = "realarm"  # it was acknowledged and is still present
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"  # ordered, or because the time is up
    SUPPRESS = "suppress"  # by the logic of the site, never ordered
    UNSUPPRESS = "unsuppress"
    REMOVE = "remove from service"
    RETURN = "return to service"


@dataclass(frozen=True, slots=True)
class Flags:
    """All that an alarm's state is derived from.

    While a hold is set, `active` and `acknowledged` already stand as the alarm will come back:
    normal if its condition is gone, else unacknowledged.
    """

    present: bool = False  # the condition after its delays; evaluated also while held
    active: bool = False
    acknowledged: bool = True
    shelved: bool = False
    suppressed: bool = False
    out_of_service: bool = False

    @property
    def held(self) -> bool:
        return self.shelved or self.suppressed or self.out_of_service

    @property
    def state(self) -> AlarmState:
        """Of several holds the longest-lived is told: out of service, suppressed, shelved."""
        if self.out_of_service:
            return AlarmState.OUT_OF_SERVICE
        if self.suppressed:
            return AlarmState.SUPPRESSED
        if self.shelved:
            return AlarmState.SHELVED
        return _STATES[self.active, self.present, self.acknowledged]


@dataclass(frozen=True, slots=True)
class Handling:
    """How an alarm goes where the standard leaves the choice."""

    latching: bool = False
    acknowledge_on_return: bool = False  # returned, unacknowledged: acknowledged by itself
    latched_comes_acknowledged: bool = False  # latched and acknowledged, recurs: no new activation


_S: Final = AlarmState
_STATES: Final = {
    # active, present, acknowledged
    (False, False, True): _S.NORMAL,
    (True, True, False): _S.UNACKNOWLEDGED,
    (True, True, True): _S.ACKNOWLEDGED,
    (False, False, False): _S.RETURNED_UNACKNOWLEDGED,
    (True, False, False): _S.LATCHED_UNACKNOWLEDGED,
    (True, False, True): _S.LATCHED_ACKNOWLEDGED,
}

_DONE: Final = {Cue.ACKNOWLEDGE: "acknowledged", Cue.RESET: "reset"}
_HOLDS: Final = {
    Cue.SHELVE: ("shelved", True),
    Cue.UNSHELVE: ("shelved", False),
    Cue.SUPPRESS: ("suppressed", True),
    Cue.UNSUPPRESS: ("suppressed", False),
    Cue.REMOVE: ("out_of_service", True),
    Cue.RETURN: ("out_of_service", False),
}
_REFUSALS: Final[dict[tuple[AlarmState, Cue], str]] = {
    (_S.NORMAL, Cue.ACKNOWLEDGE): "the alarm is normal; there is nothing to acknowledge",
    (_S.ACKNOWLEDGED, Cue.ACKNOWLEDGE): "the alarm is acknowledged already",
    (_S.LATCHED_ACKNOWLEDGED, Cue.ACKNOWLEDGE): "the alarm is acknowledged already",
    (_S.NORMAL, Cue.RESET): "the alarm is normal; there is nothing to reset",
    (_S.UNACKNOWLEDGED, Cue.RESET): "the condition is still present",
    (_S.ACKNOWLEDGED, Cue.RESET): "the condition is still present",
    (_S.RETURNED_UNACKNOWLEDGED, Cue.RESET): "the alarm does not latch; acknowledge it",
    (_S.LATCHED_UNACKNOWLEDGED, Cue.RESET): "acknowledge the alarm first",
}


def refusal(flags: Flags, cue: Cue) -> str:
    """Why an order can do nothing now; "" where it can."""
    state = flags.state
    if cue in (Cue.ACKNOWLEDGE, Cue.RESET):
        if state.held:
            return f"the alarm is {state}; it can be {_DONE[cue]} when it is back"
        return _REFUSALS.get((state, cue), "")
    if cue is Cue.SHELVE and flags.shelved:
        return "the alarm is shelved already; unshelve it first"
    if cue is Cue.UNSHELVE and not flags.shelved:
        return "the alarm is not shelved"
    if cue is Cue.REMOVE and flags.out_of_service:
        return "the alarm is out of service already"
    if cue is Cue.RETURN and not flags.out_of_service:
        return "the alarm is not out of service"
    return ""


def moved(flags: Flags, cue: Cue, handling: Handling) -> Flags:
    """The flags after a cue; the same ones where it means nothing, as a refused order."""
    if refusal(flags, cue):
        return flags
    if cue is Cue.OCCUR:
        return flags if flags.present else _occurred(flags, handling)
    if cue is Cue.CLEAR:
        return _cleared(flags, handling) if flags.present else flags
    if cue is Cue.REALARM:
        again = flags.state is AlarmState.ACKNOWLEDGED
        return replace(flags, acknowledged=False) if again else flags
    if cue is Cue.ACKNOWLEDGE:
        return replace(flags, acknowledged=True)
    if cue is Cue.RESET:
        return replace(flags, active=False)
    hold, value = _HOLDS[cue]
    held = replace(flags, **{hold: value})
    return _as_it_comes_back(held) if held.held else held


def _occurred(flags: Flags, handling: Handling) -> Flags:
    quietly = handling.latched_comes_acknowledged and flags.state is AlarmState.LATCHED_ACKNOWLEDGED
    return replace(flags, present=True, active=True, acknowledged=quietly)


def _cleared(flags: Flags, handling: Handling) -> Flags:
    gone = replace(flags, present=False)
    if flags.held:
        return _as_it_comes_back(gone)
    if handling.latching:
        return gone
    return replace(
        gone, active=False, acknowledged=flags.acknowledged or handling.acknowledge_on_return
    )


def _as_it_comes_back(flags: Flags) -> Flags:
    return replace(flags, active=flags.present, acknowledged=not flags.present)
