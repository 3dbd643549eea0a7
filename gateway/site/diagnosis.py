"""What the gateway must be told of a machine to judge whether its monitor can be believed.

Each block names tags and what is normal for them. Refuses to judge: `gateway.diagnosis` does. All
defaults are common practice, no source, unless one is named.
"""

from typing import Annotated, Literal

from pydantic import Field

from gateway.site.block import AnyQuantity, Block, Ohms, Period, Positive, Ratio, Seconds, Tag


class OperatingState(Block):
    """True while a contact tag is, or while the magnitude of a number is above a limit."""

    tag: Tag
    above: AnyQuantity | None = None  # none: the tag is a contact
    deadband: Ratio = 0.1  # of the limit, below it


class OperatingStates(Block):
    """The states of a machine that decide what its readings mean.

    Where `excited` is not told but the winding's field voltage is, it is a field voltage of more
    than 5 % of the rated one.
    """

    excited: OperatingState | None = None
    running: OperatingState | None = None
    hot: OperatingState | None = None
    loaded: OperatingState | None = None


class RetractableBrush(Block):
    """A brush that touches a ring for `contact` in every `every` and is lifted in between."""

    every: Period
    contact: Period
    missed_after: Seconds = 0.0  # 0: one and a half times `every`
    pressed: Tag | None = None  # a contact: the brush is pressed on
    contact_resistance: Tag | None = None
    contact_resistance_most: AnyQuantity | None = None  # above it the brush does not touch well
    life: Seconds = 0.0  # contact time until it is worn; 0: not known

    @property
    def missed_after_s(self) -> float:
        """How long without a measurement until one is missed (common practice, no source)."""
        return self.missed_after or 1.5 * self.every


class OpticalLink(Block):
    """A light path from the rotor that goes dark on a fault, and for other reasons."""

    dark: Tag  # a contact: the link is dark
    light: tuple[Tag, ...]  # levels of the light, each over its own path
    injected_current: Tag | None = None  # what the monitor's circuit reads, besides the light
    pickup_current: AnyQuantity | None = None  # above it the monitor puts the light out
    weak_below: Ratio = 0.4
    dark_below: Ratio = 0.2


class Telemetry(Block):
    """A powered radio path from the rotor, that works at standstill too."""

    quality: Tag | None = None  # of the link, in %
    weak_below: Ratio = 0.5


class ActuatingContact(Block):
    """A contact that actuates when the quantity is beyond a setting."""

    tag: Tag
    below: AnyQuantity | None = None
    above: AnyQuantity | None = None
    accuracy: Ratio = 0.1  # of the setting, with its drop-out: nothing is concluded within it


class CrossCheck(Block):
    """One quantity that comes over several paths; they must agree within their uncertainty.

    `allowance` is a share of the value by which they may differ in addition, for what differs by
    design; `settle` is how long a disagreement must last before it is said.
    """

    quantity: Annotated[str, Field(min_length=1, max_length=64)]
    values: Annotated[tuple[Tag, ...], Field(min_length=1)]
    contact: ActuatingContact | None = None
    allowance: Ratio = 0.1
    settle: Seconds = 15.0


class ExciterCheck(Block):
    """Field voltage follows the exciter's field current: their ratio within an accuracy."""

    field_current: Tag
    field_voltage: Tag
    ratio: Annotated[Ohms, Positive]  # V of field voltage for each A of exciter field current
    accuracy: Ratio = 0.15
    settle: Seconds = 30.0  # the field's time constant delays one against the other


class TrendWatch(Block):
    """What is trended: one point of log resistance for each `interval` and operating state."""

    resistance: Tag
    temperature: Tag | None = None
    insulation: Literal["thermosetting", "thermoplastic"] | None = None  # corrects to 40 degC
    interval: Period = 3600.0  # thinned to this against autocorrelation
    points: Annotated[int, Field(ge=10, le=1000)] = 240  # kept of each state
    humidity: Tag | None = None
    speed: Tag | None = None
    load: Tag | None = None
