"""The frozen description of a type of device: its points, its limits, what its status bits mean.

Refuses the same as `gateway.site.block`: unknown keys, silent conversions, wrong dimensions. What
one entry of a profile cannot know of another is checked in `gateway.site.check_profile`.
"""

from typing import Annotated, Literal

from pydantic import Field

from gateway.site.block import AnyUnit, Block, Name, Period, Seconds

NumberType = Literal["bool", "uint16", "int16", "uint32", "int32", "float32"]
ByteOrder = Literal["ABCD", "CDAB", "BADC", "DCBA"]


class Point(Block):
    """One value that a device offers, and how it stands in the device's registers."""

    name: Annotated[
        str,
        Field(
            pattern=r"^[a-z][a-z0-9_]{0,31}$",
            description="a small letter, then up to 31 small letters, digits or _",
        ),
    ]
    function: Literal[1, 2, 3, 4]
    address: Annotated[int, Field(ge=0, le=65536)]
    type: NumberType = "uint16"
    order: ByteOrder = "ABCD"
    bit: Annotated[int, Field(ge=0, le=15)] | None = None
    mask: Annotated[int, Field(ge=1, le=0xFFFF)] | None = None
    scale: float = 1.0
    offset: float = 0.0
    unit: AnyUnit | None = None
    poll: Name = "normal"

    @property
    def width(self) -> int:
        """Registers, or coils and inputs, that the value takes."""
        return 2 if self.type in ("uint32", "int32", "float32") else 1


class QualityBit(Block):
    """What a bit of a status point says about the other points of the device."""

    point: str
    bit: Annotated[int, Field(ge=0, le=15)]
    when: Literal[0, 1] = 1
    means: Literal[
        "device failure", "no communication", "value held", "function check", "out of service"
    ]
    of: tuple[str, ...] = ()  # the points it speaks of; none named: all


class Heartbeat(Block):
    """A counter of the device; when it stands still, nothing behind it is measured."""

    point: str
    stopped_after: Period


class RegisterSpan(Block):
    """A run of addresses in one function's table."""

    function: Literal[1, 2, 3, 4]
    first: Annotated[int, Field(ge=0, le=65535)]
    last: Annotated[int, Field(ge=0, le=65535)]


class DeviceProfile(Block):
    """A type of device: its points, its limits, how often they are worth reading."""

    profile: Name
    description: str = ""
    address_base: Literal[0, 1] = 0
    registers_per_request: Annotated[int, Field(ge=1, le=125)] = 125
    bits_per_request: Annotated[int, Field(ge=1, le=2000)] = 2000
    unreadable: tuple[RegisterSpan, ...] = ()
    turnaround: Seconds = 0.005  # request to answer; common practice, no source
    poll: dict[Name, Period] = Field(default_factory=lambda: {"normal": 1.0})
    points: Annotated[tuple[Point, ...], Field(min_length=1)]
    quality: tuple[QualityBit, ...] = ()
    heartbeat: Heartbeat | None = None

    def point(self, name: str) -> Point | None:
        return next((p for p in self.points if p.name == name), None)
