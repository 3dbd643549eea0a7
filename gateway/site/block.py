"""What the blocks of a site file and of a device profile are made of: quantities, names, `Block`.

Every quantity is written with its unit and checked for its dimension; what a block holds is SI
values (seconds, ohms, volts, amperes, ratios as plain numbers).
"""

from dataclasses import dataclass
from typing import Annotated

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    WithJsonSchema,
)
from pydantic_core import core_schema

from gateway.site.units import Quantity, Unit, quantity, unit

_NUMBER = r"^\s*[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?\s*\S+\s*$"


@dataclass(frozen=True, slots=True)
class _Si:
    """Annotation of a float: text with a unit of this dimension in, SI value out."""

    dimension: str
    example: str

    def __get_pydantic_core_schema__(
        self, source: object, handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        return core_schema.no_info_plain_validator_function(
            lambda text: quantity(text, self.dimension).si
        )

    def __get_pydantic_json_schema__(
        self, schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, object]:
        return {
            "type": "string",
            "pattern": _NUMBER,
            "description": f"a {self.dimension} with its unit",
            "examples": [self.example],
        }


def _positive(value: float) -> float:
    if value <= 0:
        raise ValueError("must be more than 0")
    return value


def _not_negative(value: float) -> float:
    if value < 0:
        raise ValueError("must not be negative")
    return value


Positive = AfterValidator(_positive)
Seconds = Annotated[float, _Si("time", "500 ms"), AfterValidator(_not_negative)]
Period = Annotated[float, _Si("time", "1 s"), Positive]
Ohms = Annotated[float, _Si("resistance", "20 kohm"), AfterValidator(_not_negative)]
Volts = Annotated[float, _Si("voltage", "350 V"), Positive]
Amperes = Annotated[float, _Si("current", "3.6 mA")]
Farads = Annotated[float, _Si("capacitance", "2 uF"), Positive]
Hertz = Annotated[float, _Si("frequency", "50 Hz"), Positive]
Ratio = Annotated[float, _Si("ratio", "10 %"), AfterValidator(_not_negative)]
AnyQuantity = Annotated[
    Quantity,
    BeforeValidator(quantity),
    WithJsonSchema({"type": "string", "pattern": _NUMBER, "examples": ["20 kohm", "350 V"]}),
]
AnyUnit = Annotated[
    Unit, BeforeValidator(unit), WithJsonSchema({"type": "string", "examples": ["kohm", "V", "%"]})
]
Name = Annotated[
    str,
    Field(
        pattern=r"^[A-Za-z][A-Za-z0-9_-]{0,31}$",
        description="a letter, then up to 31 letters, digits, _ or -",
    ),
]
Tag = Annotated[
    str,
    Field(
        pattern=r"^[A-Za-z][A-Za-z0-9_.-]{0,63}$",
        description="a letter, then up to 63 letters, digits, _ . or -",
    ),
]
PointRef = Annotated[
    str,
    Field(
        pattern=r"^[A-Za-z][A-Za-z0-9_-]*\.[a-z][a-z0-9_]*$",
        description="DEVICE.POINT, such as monitor.current_positive",
    ),
]


class Block(BaseModel):
    """A block of the file: nothing unknown, nothing converted silently, nothing changed later."""

    model_config = ConfigDict(
        extra="forbid",
        strict=True,
        frozen=True,
        allow_inf_nan=False,
        arbitrary_types_allowed=True,
    )
