"""The Modbus register map that is served, and its image at one moment.

PURE. Holding registers (function 3) and input registers (function 4) show the same image.
Addresses are zero-based as in the request; register 0 is 400001 (or 300001) in six-digit form.
Every number of more than one register stands with its high word first (byte order ABCD).
Refuses a site whose tags or alarms do not fit (ValueError), and never moves an address because
a tag or an alarm was appended elsewhere.

Header, registers 0-99 (those not named read 0):

    0  version of this layout, 1
    1  heartbeat: +1 for every Frame of any machine, 65535 then 0; stands still when they do
    2  number of machines
    3  1 while Frames of every machine arrive, else 0
    4  number of machines whose Frames arrive
    5  address of the first machine's block, 100
    6  registers of one machine's block (`outputs.modbus.registers_per_machine`)
    7  registers of one tag, 6

Block of machine k (0, 1, 2 ... in the order of the site file) from 100 + k * registers_per_machine:

    +0  1 while Frames of the machine arrive, else 0
    +1  alarms 1-16 active: bit 0 (value 1) is the machine's first alarm in the site file
    +2  alarms 1-16 not acknowledged
    +3  alarms 1-16 judged: 0 means that the condition is unknown now and the state stands still
    +4  acknowledge: reads 0; with `outputs.modbus.acknowledge` writing n (function 6)
        acknowledges alarm n, counted from 1
    +5  number of tags
    +6  number of alarms
    +7 to +9  reserved, 0
    +10 + 6 * n  tag n of the machine (0, 1, 2 ... signals, then computed tags):
        +0  value, float32 in the tag's unit, 2 registers; not a number (7FC00000) when bad;
            a two-state tag is 0.0 or 1.0
        +2  OPC UA StatusCode, uint32, 2 registers
        +4  quality: 0 bad, 1 uncertain, 2 good
        +5  age of the measurement in whole seconds, at most 65535 (also: never measured)

Alarms 17-32, 33-48 ... take three words more each (active, not acknowledged, judged), counted
back from the end of the block: the last three registers are alarms 17-32, the three before them
alarms 33-48. So neither tags nor earlier alarms move when alarms are appended.

A value and its status must be read in one request: only then are they of one moment.
"""

import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import inf, nan
from typing import Final

from gateway.serve.quality import modbus_quality
from gateway.site.installed import Site, TagDefinition
from gateway.tags import BAD_OUT_OF_RANGE, AlarmRecord, Sample

MAP_VERSION: Final = 1
HEADER_REGISTERS: Final = 100
BLOCK_HEAD_REGISTERS: Final = 10
ACKNOWLEDGE_OFFSET: Final = 4
TAG_REGISTERS: Final = 6
ALARMS_A_WORD: Final = 16
WORDS_AN_ALARM_GROUP: Final = 3
ADDRESS_SPACE: Final = 65536  # Modbus Application Protocol V1.1b3, 4.4

_TAG: Final = struct.Struct(">fIHH")
_FLOAT32_MAX: Final = (2 - 2**-23) * 2.0**127  # IEEE 754 binary32, largest finite
_ALARM_WORDS: Final = (
    ("alarms active", "1: active"),
    ("alarms unacknowledged", "1: not acknowledged"),
    ("alarms judged", "0: condition unknown, state stands still"),
)


@dataclass(frozen=True, slots=True)
class MapRow:
    """One item of the served map, for the list that goes to the control system's engineer."""

    address: int  # zero-based, as in the request
    registers: int
    machine: str  # "" in the header
    tag: str  # "" for what is no tag
    what: str
    type: str  # "uint16", "uint32", "float32"
    unit: str  # "" without one
    description: str

    @property
    def reference(self) -> str:
        """The six-digit holding register number, counted from 400001."""
        return str(400001 + self.address)


@dataclass(frozen=True, slots=True)
class MachineLayout:
    """Where one machine's block lies and what is in it."""

    machine: str
    address: int
    registers: int
    tags: tuple[TagDefinition, ...]
    alarms: tuple[str, ...]

    @property
    def acknowledge_address(self) -> int:
        return self.address + ACKNOWLEDGE_OFFSET

    def tag_address(self, n: int) -> int:
        """Address of the value of the machine's tag n, counted from 0."""
        return self.address + BLOCK_HEAD_REGISTERS + TAG_REGISTERS * n

    def alarm_address(self, group: int) -> int:
        """Address of the `active` word of alarms 16 * group + 1 to 16 * group + 16."""
        if group == 0:
            return self.address + 1
        return self.address + self.registers - WORDS_AN_ALARM_GROUP * group

    @property
    def alarm_groups(self) -> int:
        return max(1, -(-len(self.alarms) // ALARMS_A_WORD))


@dataclass(frozen=True, slots=True)
class MachineNow:
    """What is to be shown of one machine at one moment."""

    alive: bool
    samples: tuple[Sample, ...]  # in the order of the layout's tags
    ages_s: tuple[float, ...]  # infinite: never measured
    alarms: tuple[AlarmRecord, ...]  # in the order of the layout's alarms


def layout(site: Site) -> tuple[MachineLayout, ...]:
    """The blocks of all machines. Raises ValueError that says which machine does not fit."""
    output = site.file.outputs.modbus
    if output is None:
        return ()
    size = output.registers_per_machine
    blocks = []
    for k, machine in enumerate(site.file.machines):
        block = MachineLayout(
            machine.name,
            HEADER_REGISTERS + k * size,
            size,
            site.tags_of(machine.name),
            tuple(a.name for a in site.file.alarms if a.machine == machine.name),
        )
        needed = (
            BLOCK_HEAD_REGISTERS
            + TAG_REGISTERS * len(block.tags)
            + WORDS_AN_ALARM_GROUP * (block.alarm_groups - 1)
        )
        if needed > size:
            raise ValueError(
                f"outputs.modbus.registers_per_machine: machine {machine.name} needs {needed} "
                f"registers for {len(block.tags)} tags and {len(block.alarms)} alarms, "
                f"but has {size}; write at least {needed}"
            )
        blocks.append(block)
    end = HEADER_REGISTERS + len(blocks) * size
    if end > ADDRESS_SPACE:
        most = (ADDRESS_SPACE - HEADER_REGISTERS) // len(blocks)
        raise ValueError(
            f"outputs.modbus.registers_per_machine: {len(blocks)} machines of {size} registers "
            f"end at {end}, beyond the {ADDRESS_SPACE} that Modbus can address; "
            f"write at most {most}"
        )
    return tuple(blocks)


def image(blocks: Sequence[MachineLayout], heartbeat: int, now: Sequence[MachineNow]) -> bytes:
    """All registers from 0 to the end of the last block, two bytes each, high byte first."""
    alive = sum(m.alive for m in now)
    last = blocks[-1]
    registers = bytearray(2 * (last.address + last.registers))
    struct.pack_into(
        ">8H",
        registers,
        0,
        MAP_VERSION,
        heartbeat & 0xFFFF,
        len(blocks),
        alive == len(blocks),
        alive,
        HEADER_REGISTERS,
        last.registers,
        TAG_REGISTERS,
    )
    for block, machine in zip(blocks, now, strict=True):
        struct.pack_into(
            ">H8xHH",
            registers,
            2 * block.address,
            machine.alive,
            len(block.tags),
            len(block.alarms),
        )
        for group in range(block.alarm_groups):
            members = machine.alarms[group * ALARMS_A_WORD : (group + 1) * ALARMS_A_WORD]
            struct.pack_into(
                ">3H",
                registers,
                2 * block.alarm_address(group),
                _bits([a.active for a in members]),
                _bits([not a.acknowledged for a in members]),
                _bits([a.judged for a in members]),
            )
        for n, (sample, age_s) in enumerate(zip(machine.samples, machine.ages_s, strict=True)):
            _TAG.pack_into(registers, 2 * block.tag_address(n), *_tag_fields(sample, age_s))
    return bytes(registers)


def served_map(site: Site) -> tuple[MapRow, ...]:
    """Every item of the map by rising address; empty when Modbus is not served.

    Raises ValueError, as `layout` does, when something does not fit.
    """
    blocks, output = layout(site), site.file.outputs.modbus
    if not blocks or output is None:
        return ()
    rows = [
        MapRow(address, 1, "", "", what, "uint16", "", description)
        for address, (what, description) in enumerate(
            (
                ("map version", "version of this layout"),
                ("heartbeat", "+1 for every frame of any machine"),
                ("machines", "number of machines"),
                ("field side alive", "1 while frames of every machine arrive"),
                ("machines alive", "number of machines whose frames arrive"),
                ("first block", "address of the first machine's block"),
                ("block size", "registers of one machine's block"),
                ("tag size", "registers of one tag"),
            )
        )
    ]
    for block in blocks:
        rows.extend(_block_rows(block, output.acknowledge))
    return tuple(sorted(rows, key=lambda r: r.address))


def _block_rows(block: MachineLayout, writable: bool) -> Iterator[MapRow]:
    def word(offset: int, what: str, description: str) -> MapRow:
        return MapRow(block.address + offset, 1, block.machine, "", what, "uint16", "", description)

    yield word(0, "alive", "1 while frames of the machine arrive")
    yield word(
        ACKNOWLEDGE_OFFSET,
        "acknowledge",
        "write n: acknowledges alarm n" if writable else "cannot be written in this site",
    )
    yield word(5, "tags", "number of tags")
    yield word(6, "alarms", "number of alarms")
    for group in range(block.alarm_groups):
        first = group * ALARMS_A_WORD
        members = block.alarms[first : first + ALARMS_A_WORD]
        names = ", ".join(f"{bit} {name}" for bit, name in enumerate(members)) or "no alarms"
        for n, (what, meaning) in enumerate(_ALARM_WORDS):
            yield word(
                block.alarm_address(group) + n - block.address,
                what if group == 0 else f"{what} {first + 1}-{first + ALARMS_A_WORD}",
                f"{meaning}; bits: {names}",
            )
    for n, tag in enumerate(block.tags):
        address = block.tag_address(n)
        unit = "" if tag.unit is None else tag.unit.name
        for offset, registers, what, number, its_unit, description in (
            (0, 2, "value", "float32", unit, tag.description),
            (2, 2, "status", "uint32", "", "OPC UA StatusCode"),
            (4, 1, "quality", "uint16", "", "0 bad, 1 uncertain, 2 good"),
            (5, 1, "age", "uint16", "s", "of the measurement; 65535: that or older, or never"),
        ):
            yield MapRow(
                address + offset,
                registers,
                block.machine,
                tag.tag,
                what,
                number,
                its_unit,
                description,
            )


def _tag_fields(sample: Sample, age_s: float) -> tuple[float, int, int, int]:
    value, status = sample.value, sample.status
    if value is not None and abs(value) > _FLOAT32_MAX:
        # A double that no float32 can hold: no value is better than infinity.
        value, status = None, BAD_OUT_OF_RANGE
    age = 0xFFFF if age_s == inf else min(int(age_s), 0xFFFF)
    return (nan if value is None else float(value), status, modbus_quality(status), age)


def _bits(flags: Sequence[bool]) -> int:
    return sum(flag << bit for bit, flag in enumerate(flags))
