"""The frozen description of what is installed: machines, links, devices, signals, alarms, outputs.

Every quantity is written with its unit and checked for its dimension; the attributes hold SI
values (seconds, ohms, volts, amperes, ratios as plain numbers) or, where the dimension follows
from a neighbour such as the unit of a tag, the Quantity itself. What one block cannot know about
another is checked in `gateway.site.check`.
"""

from typing import Annotated, Literal

from pydantic import Discriminator, Field
from pydantic import Tag as Marked

from gateway.site.alarm import Alarm
from gateway.site.block import (
    Amperes,
    AnyQuantity,
    AnyUnit,
    Block,
    Name,
    Ohms,
    Period,
    PointRef,
    Positive,
    Ratio,
    Seconds,
    Tag,
    Volts,
)
from gateway.site.detector import Detector
from gateway.site.diagnosis import (
    CrossCheck,
    ExciterCheck,
    OperatingStates,
    OpticalLink,
    RetractableBrush,
    Telemetry,
    TrendWatch,
)

# --- links and devices -----------------------------------------------------------------------


class LinkHealth(Block):
    """How a link deals with trouble; all defaults are common practice, no source."""

    backoff_first: Period = 0.5
    backoff_most: Period = 30.0
    dead_device_share: Annotated[Ratio, Positive] = 0.1


class ModbusTcpLink(LinkHealth):
    """A host that speaks Modbus TCP."""

    kind: Literal["modbus-tcp"]
    name: Name
    host: Annotated[str, Field(min_length=1)]
    port: Annotated[int, Field(ge=1, le=65535)] = 502
    timeout: Period = 1.0


class ModbusRtuLink(LinkHealth):
    """A serial line that speaks Modbus RTU."""

    kind: Literal["modbus-rtu"]
    name: Name
    line: Annotated[str, Field(min_length=1)]
    baud: Literal[1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200] = 19200
    parity: Literal["even", "odd", "none"] = "even"
    timeout: Period = 1.0


Link = Annotated[ModbusTcpLink | ModbusRtuLink, Field(discriminator="kind")]


class Device(Block):
    """One unit on a link, read as its profile says."""

    name: Name
    link: Name
    unit_id: Annotated[int, Field(ge=0, le=255)] = 1
    profile: Name
    poll: dict[Name, Period] = Field(default_factory=dict)


# --- machines --------------------------------------------------------------------------------


class FieldWinding(Block):
    """What is known of the winding itself."""

    rated_field_voltage: Volts
    field_voltage: Tag | None = None  # the tag that shows it


class ComputedTag(Block):
    """A tag that the gateway computes: its name, unit and range."""

    tag: Tag
    unit: AnyUnit
    range: tuple[AnyQuantity, AnyQuantity]
    description: str = ""


class PulseInjection(Block):
    """Two settled half-cycle currents of a square pulse give resistance and location.

    The accuracies, largest permissible errors as shares, default to those of good parts (common
    practice, no source). `source_resistance` is everything in series with the winding (R0) and
    `tap` is where the pulse is coupled in, counted from the negative end: 0 % negative terminal,
    50 % symmetric midpoint.
    """

    amplitude: Volts
    amplitude_accuracy: Ratio = 0.005
    source_resistance: Annotated[Ohms, Positive]
    source_resistance_accuracy: Ratio = 0.005
    tap: Ratio = 0.0
    current_positive: Tag
    current_negative: Tag
    field_voltage_positive: Tag
    field_voltage_negative: Tag
    fault_resistance: ComputedTag
    fault_location: ComputedTag


class Machine(Block):
    """One machine with its field winding and the way its monitor reaches it."""

    name: Name
    description: str = ""
    field_winding: FieldWinding
    access: Literal["retractable brush", "optical link", "telemetry", "collector rings"]
    detection: Literal["pulse injection", "DC injection", "voltage divider", "AC injection"]
    scan: Period = 1.0
    pulse_injection: PulseInjection | None = None
    detector: Detector | None = None
    operating_states: OperatingStates = OperatingStates()
    brush: RetractableBrush | None = None
    optical_link: OpticalLink | None = None
    telemetry: Telemetry | None = None
    cross_checks: tuple[CrossCheck, ...] = ()
    exciter: ExciterCheck | None = None
    trend: TrendWatch | None = None
    prove_every: Seconds = 0.0  # 0: no proof is asked for


# --- signals ---------------------------------------------------------------------------------


class Filter(Block):
    """Median over the last values first, then a first-order lag."""

    median: Annotated[int, Field(ge=1, le=31)] = 1
    time_constant: Seconds = 0.0


class SignalBase(Block):
    """What every signal has: its tag, its machine, where it comes from, how old it may get.

    The ages default to common practice, no source.
    """

    tag: Tag
    machine: Name
    point: PointRef
    description: str = ""
    stale_after: Period = 10.0
    unusable_after: Period = 60.0


class NumberSignal(SignalBase):
    """A signal with a unit and a range."""

    unit: AnyUnit
    range: tuple[AnyQuantity, AnyQuantity]
    frozen_after: Seconds = 0.0  # 0: values may stand still
    expected_noise: AnyQuantity | None = None  # standard deviation that a live value has at least
    fastest_change: AnyQuantity | None = None  # in one second; faster is no measurement
    possible: tuple[AnyQuantity, AnyQuantity] | None = None  # outside, it cannot be true
    filter: Filter = Filter()


class RegisterSignal(NumberSignal):
    """A number that the device gives in engineering units."""

    kind: Literal["register"]
    accuracy: AnyQuantity | None = None  # largest permissible error
    accuracy_of_reading: Ratio = 0.0
    saturates_at: AnyQuantity | None = None  # from here on the device says "at least"


class CountsInput(Block):
    """A module whose count is proportional to the loop current."""

    at_4_mA: float
    at_20_mA: float


class Ne43(Block):
    """Bands of NAMUR NE 43 and how long a class must last before it is believed.

    Hysteresis and hold times are common practice, no source: NE 43 gives the limits only.
    """

    failure_low: Amperes = 0.0036
    measurement_low: Amperes = 0.0038
    measurement_high: Amperes = 0.0205
    failure_high: Amperes = 0.021
    hysteresis: Amperes = 0.00002
    failure_hold: Seconds = 4.0
    return_hold: Seconds = 2.0


class TableRow(Block):
    """One point of a scaling table."""

    current: Amperes
    value: AnyQuantity


class CurrentLoop(NumberSignal):
    """A 4-20 mA loop on an analog input."""

    kind: Literal["current loop"]
    input: Annotated[
        Annotated[Literal["milliampere", "microampere"], Marked("current")]
        | Annotated[CountsInput, Marked("counts")],
        Discriminator(
            lambda given: "counts" if isinstance(given, dict | CountsInput) else "current"
        ),
    ] = "milliampere"
    scaling: Literal["linear", "square root", "logarithmic", "table"] = "linear"
    table: tuple[TableRow, ...] = ()
    cutoff: Ratio = 0.0
    accuracy: Ratio = 0.0025  # largest permissible error of transmitter and input, of span
    ne43: Ne43 = Ne43()


class Contact(SignalBase):
    """A relay contact; the tag is true while the contact says what it is there to say."""

    kind: Literal["contact"]
    wired: Literal["normally closed", "normally open"] = "normally closed"
    debounce: Seconds = 0.1  # relay contacts bounce for tens of ms; common practice, no source


Signal = Annotated[RegisterSignal | CurrentLoop | Contact, Field(discriminator="kind")]

# --- outputs ---------------------------------------------------------------------------------


class OpcUaOutput(Block):
    """The OPC UA server."""

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 4840


class ModbusOutput(Block):
    """The Modbus TCP server; `acknowledge` lets a client acknowledge alarms."""

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 1502
    unit_id: Annotated[int, Field(ge=0, le=255)] = 1
    acknowledge: bool = False
    registers_per_machine: Annotated[int, Field(ge=20, le=5000)] = 400


class HttpOutput(Block):
    """Metrics and health over HTTP."""

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 8080


class Outputs(Block):
    """What is served; an output that is not named is not served."""

    opcua: OpcUaOutput | None = None
    modbus: ModbusOutput | None = None
    http: HttpOutput | None = None

    @property
    def served(self) -> dict[str, OpcUaOutput | ModbusOutput | HttpOutput]:
        """What is configured, by its key."""
        named = {key: getattr(self, key) for key in type(self).model_fields}
        return {key: output for key, output in named.items() if output is not None}


class Archive(Block):
    """The history on disk: the oldest goes when the size is reached."""

    max_size_MiB: Annotated[int, Field(ge=16, le=1_000_000)] = 2048


class SiteFile(Block):
    """The whole file, before device profiles are joined to it."""

    site: Annotated[str, Field(min_length=1, max_length=64)]
    machines: Annotated[tuple[Machine, ...], Field(json_schema_extra={"minItems": 1})]
    links: tuple[Link, ...]
    devices: tuple[Device, ...]
    signals: tuple[Signal, ...]
    alarms: tuple[Alarm, ...] = ()
    outputs: Outputs = Outputs()
    archive: Archive = Archive()
