"""The words of alarms: states, records, transitions, and what a person may order."""

from dataclasses import dataclass
from enum import StrEnum


class AlarmState(StrEnum):
    """Alarm states of ISA-18.2-2016 / IEC 62682:2022, clause 5.4."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"

    @property
    def held(self) -> bool:
        """Whether the alarm is kept from the operator: shelved, suppressed or out of service."""
        return self in (AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)

    @property
    def active(self) -> bool:
        """Whether the alarm is on: annunciated, or latched until reset; never while it is held."""
        return not self.held and self not in (
            AlarmState.NORMAL,
            AlarmState.RETURNED_UNACKNOWLEDGED,
        )


@dataclass(frozen=True, slots=True)
class AlarmRecord:
    """One alarm as it stands in a Frame."""

    alarm: str
    state: AlarmState
    judged: bool  # False: its condition is unknown now, so timers and state stand still
    since_ns: int  # time of the last change of state, UTC; 0 before the first one
    present: bool = False  # the condition after its delays; evaluated also while the alarm is held
    first_up: bool = False  # the first one of its group to come, while the group is not yet quiet
    shelved_until_ns: int = 0  # UTC; 0 while the alarm is not shelved

    @property
    def active(self) -> bool:
        """Whether its state is an active one."""
        return self.state.active

    @property
    def acknowledged(self) -> bool:
        """Whether nobody needs to acknowledge it now."""
        return self.state.held or self.state in (
            AlarmState.NORMAL,
            AlarmState.ACKNOWLEDGED,
            AlarmState.LATCHED_ACKNOWLEDGED,
        )


@dataclass(frozen=True, slots=True)
class Transition:
    """What happened to one alarm, or an order that was refused (`refusal` says why).

    `before` and `after` are equal where the alarm is held and its condition came or went, and
    where an order was refused.
    """

    alarm: str
    cue: str  # what happened, see `gateway.alarms.states.Cue`
    before: AlarmState
    after: AlarmState
    who: str = ""
    why: str = ""
    refusal: str = ""
    until_ns: int = 0  # UTC; the end of a shelving that begins here


class Order(StrEnum):
    """What a person may order of an alarm."""

    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    REMOVE = "remove from service"
    RETURN = "return to service"


@dataclass(frozen=True, slots=True)
class Command:
    """A person's order, taken at the start of the next step of the machine's chain."""

    order: Order
    alarm: str
    who: str
    why: str = ""
    duration_s: float = 0.0  # of a shelving
