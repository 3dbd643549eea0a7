"""The alarms of a site file: what raises each, when, and how it is handled.

What one alarm cannot know of tags and machines is checked in `gateway.site.check`. Refuses to
decide anything: conditions and states are those of `gateway.alarms`.
"""

from typing import Annotated, Literal, TypeAlias

from pydantic import Field

from gateway.site.block import AnyQuantity, Block, Name, Period, Ratio, Seconds, Tag


class AlarmBase(Block):
    """What every alarm has.

    Delays, deadband and shelving time default to starting values of common practice, no source.
    `suppressed_when` is an expression over the machine's operating states, such as
    'not excited' or 'not running and cold'; while it is true the alarm is suppressed by design.
    """

    name: Tag
    machine: Name
    description: str = ""
    priority: Literal["low", "medium", "high", "critical"] = "medium"
    on_delay: Seconds = 5.0
    off_delay: Seconds = 10.0
    latching: bool = False
    indicates: Literal["earth fault", "other"] = "other"  # an earth fault carries evidence
    group: Name | None = None  # within it, the alarm that came first is marked
    suppressed_when: str = ""
    release_delay: Seconds = 0.0  # from the end of `suppressed_when` to that of the suppression
    shelve_at_most: Seconds = 8 * 3600.0  # 0: may not be shelved
    realarm_after: Seconds = 0.0  # acknowledged and still there so long: it sounds again; 0: never
    acknowledge_on_return: bool = False
    latched_comes_acknowledged: bool = False  # what a latched, acknowledged alarm does on recurring


class LimitAlarm(AlarmBase):
    """A number beyond a limit; the deadband is a share of the limit."""

    kind: Literal["limit"]
    tag: Tag
    below: AnyQuantity | None = None
    above: AnyQuantity | None = None
    deadband: Ratio = 0.1


class DeviationAlarm(AlarmBase):
    """Two numbers further apart than a limit; the deadband is a share of the limit."""

    kind: Literal["deviation"]
    tag: Tag
    reference: Tag
    more_than: AnyQuantity
    deadband: Ratio = 0.1


class RateOfChangeAlarm(AlarmBase):
    """A number that moved by more than an amount within a time."""

    kind: Literal["rate of change"]
    tag: Tag
    rises_by: AnyQuantity | None = None
    falls_by: AnyQuantity | None = None
    within: Period
    deadband: Ratio = 0.1


class ContactAlarm(AlarmBase):
    """A contact tag that is true."""

    kind: Literal["contact"]
    tag: Tag


class MalfunctionAlarm(AlarmBase):
    """The health of what is watched has one of these NE 107 status signals.

    `tags` are the values that have to be seen: each with its loop, its device and its link. None
    named: everything of the machine.
    """

    kind: Literal["malfunction"]
    tags: tuple[Tag, ...] = ()
    signals: Annotated[
        tuple[
            Literal["failure", "function check", "out of specification", "maintenance required"],
            ...,
        ],
        Field(min_length=1),
    ] = ("failure",)


ValueAlarm: TypeAlias = LimitAlarm | DeviationAlarm | RateOfChangeAlarm | ContactAlarm
Alarm = Annotated[
    ValueAlarm | MalfunctionAlarm,
    Field(discriminator="kind"),
]
