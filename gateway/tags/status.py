"""Quality: the OPC UA StatusCode, the one vocabulary for how good a value is."""

from enum import IntEnum
from typing import Final

from pydantic_core import CoreSchema, core_schema


class Limit(IntEnum):
    """Limit bits of a StatusCode (OPC 10000-4, 7.39.2, bits 9-8)."""

    NONE = 0
    LOW = 1
    HIGH = 2
    CONSTANT = 3


_INFO_TYPE_DATA_VALUE: Final = 0x0400
_SEVERITY: Final = ("Good", "Uncertain", "Bad")


class Status(int):
    """An OPC UA StatusCode (OPC 10000-4, 7.39): the one quality vocabulary of the gateway."""

    __slots__ = ()

    @property
    def code(self) -> "Status":
        """The code without its flag bits, which do not change its meaning."""
        return Status(self & 0xFFFF0000)

    @property
    def limit(self) -> Limit:
        """The limit bits; NONE unless the info type says that they are meant."""
        return Limit((self >> 8) & 3) if self & 0x0C00 == _INFO_TYPE_DATA_VALUE else Limit.NONE

    def with_limit(self, limit: Limit) -> "Status":
        """The same code with these limit bits."""
        return Status(self.code | _INFO_TYPE_DATA_VALUE | limit << 8) if limit else self.code

    @property
    def is_good(self) -> bool:
        return self >> 30 == 0

    @property
    def is_uncertain(self) -> bool:
        return self >> 30 == 1

    @property
    def is_bad(self) -> bool:
        return self >> 30 >= 2

    @property
    def severity(self) -> str:
        """'Good', 'Uncertain' or 'Bad'."""
        return _SEVERITY[min(self >> 30, 2)]

    @property
    def name(self) -> str:
        """The standard's name, with the limit behind it where there is one."""
        base = STATUS_NAMES.get(self.code, f"0x{self.code:08X}")
        return f"{base}, limit {self.limit.name.lower()}" if self.limit else base

    def __repr__(self) -> str:
        return f"Status({self.name})"

    @classmethod
    def __get_pydantic_core_schema__(cls, source: object, handler: object) -> CoreSchema:
        """A whole number outside, a Status inside: for the chain's saved state."""
        return core_schema.no_info_after_validator_function(cls, core_schema.int_schema())

    def worst(self, *others: "Status") -> "Status":
        """The worst of several; the first one where severities are equal (first cause kept)."""
        return max((self, *others), key=lambda s: min(s >> 30, 2))


GOOD: Final = Status(0x00000000)
GOOD_LOCAL_OVERRIDE: Final = Status(0x00960000)
UNCERTAIN: Final = Status(0x40000000)
UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE: Final = Status(0x408F0000)
UNCERTAIN_LAST_USABLE_VALUE: Final = Status(0x40900000)
UNCERTAIN_SUBSTITUTE_VALUE: Final = Status(0x40910000)
UNCERTAIN_INITIAL_VALUE: Final = Status(0x40920000)
UNCERTAIN_SENSOR_NOT_ACCURATE: Final = Status(0x40930000)
UNCERTAIN_ENGINEERING_UNITS_EXCEEDED: Final = Status(0x40940000)
UNCERTAIN_SUB_NORMAL: Final = Status(0x40950000)
UNCERTAIN_CONFIGURATION_ERROR: Final = Status(0x420F0000)
BAD: Final = Status(0x80000000)
BAD_COMMUNICATION_ERROR: Final = Status(0x80050000)
BAD_TIMEOUT: Final = Status(0x800A0000)
BAD_NO_COMMUNICATION: Final = Status(0x80310000)
BAD_WAITING_FOR_INITIAL_DATA: Final = Status(0x80320000)
BAD_OUT_OF_RANGE: Final = Status(0x803C0000)
BAD_CONFIGURATION_ERROR: Final = Status(0x80890000)
BAD_NOT_CONNECTED: Final = Status(0x808A0000)
BAD_DEVICE_FAILURE: Final = Status(0x808B0000)
BAD_SENSOR_FAILURE: Final = Status(0x808C0000)
BAD_OUT_OF_SERVICE: Final = Status(0x808D0000)

STATUS_NAMES: Final[dict[Status, str]] = {
    GOOD: "Good",
    GOOD_LOCAL_OVERRIDE: "GoodLocalOverride",
    UNCERTAIN: "Uncertain",
    UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE: "UncertainNoCommunicationLastUsableValue",
    UNCERTAIN_LAST_USABLE_VALUE: "UncertainLastUsableValue",
    UNCERTAIN_SUBSTITUTE_VALUE: "UncertainSubstituteValue",
    UNCERTAIN_INITIAL_VALUE: "UncertainInitialValue",
    UNCERTAIN_SENSOR_NOT_ACCURATE: "UncertainSensorNotAccurate",
    UNCERTAIN_ENGINEERING_UNITS_EXCEEDED: "UncertainEngineeringUnitsExceeded",
    UNCERTAIN_SUB_NORMAL: "UncertainSubNormal",
    UNCERTAIN_CONFIGURATION_ERROR: "UncertainConfigurationError",
    BAD: "Bad",
    BAD_COMMUNICATION_ERROR: "BadCommunicationError",
    BAD_TIMEOUT: "BadTimeout",
    BAD_NO_COMMUNICATION: "BadNoCommunication",
    BAD_WAITING_FOR_INITIAL_DATA: "BadWaitingForInitialData",
    BAD_OUT_OF_RANGE: "BadOutOfRange",
    BAD_CONFIGURATION_ERROR: "BadConfigurationError",
    BAD_NOT_CONNECTED: "BadNotConnected",
    BAD_DEVICE_FAILURE: "BadDeviceFailure",
    BAD_SENSOR_FAILURE: "BadSensorFailure",
    BAD_OUT_OF_SERVICE: "BadOutOfService",
}
