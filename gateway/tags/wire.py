"""Frozen dataclasses as plain lists, positional, and back. Checks every kind on the way back."""

import json
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from enum import StrEnum
from functools import cache
from operator import attrgetter
from types import NoneType, UnionType
from typing import Any, TypeVar, get_args, get_origin, get_type_hints

from gateway.tags.status import Status

_Made = TypeVar("_Made")


def plain(value: Any) -> Any:
    """Dataclasses become lists of their fields, in order; everything else stays as it is."""
    kind = type(value)
    if kind is tuple:
        # Of one kind each, and most of them flat: what every step has hundreds of goes fast.
        first = type(value[0]) if value else kind
        if is_dataclass(first) and not _writer(first)[1]:
            return [*map(list, map(_writer(first)[0], value))]
        return [plain(v) for v in value]
    if is_dataclass(kind):
        get, nested = _writer(kind)
        row = list(get(value))
        for place in nested:
            row[place] = plain(row[place])
        return row
    return value


def encoded(value: Any) -> bytes:
    """`plain` as canonical JSON, UTF-8. Raises ValueError for NaN and infinity."""
    return json.dumps(
        plain(value), separators=(",", ":"), ensure_ascii=False, allow_nan=False
    ).encode()


def made(kind: type[_Made], data: Any) -> _Made:
    """The inverse of `plain`. Raises ValueError where the data are not of this kind."""
    reader: Callable[[Any], _Made] = _reader(kind)  # type: ignore[arg-type]
    return reader(data)


@cache
def _writer(kind: Any) -> tuple[Callable[[Any], tuple[Any, ...]], tuple[int, ...]]:
    """What gets all fields of a dataclass at once, and the places of those that are no scalars."""
    hints, names = get_type_hints(kind), _names(kind)
    nested = tuple(place for place, name in enumerate(names) if _holds_dataclass(hints[name]))
    return attrgetter(*names), nested


def _holds_dataclass(kind: Any) -> bool:
    # A tuple of scalars is as good as a list: JSON writes both alike.
    return is_dataclass(kind) or any(map(_holds_dataclass, get_args(kind)))


@cache
def _names(kind: Any) -> tuple[str, ...]:
    return tuple(f.name for f in fields(kind))


@cache
def _reader(kind: Any) -> Callable[[Any], Any]:
    origin = get_origin(kind)
    if origin is UnionType:
        return _of_union(get_args(kind))
    if origin is tuple:
        return _of_tuple(_reader(get_args(kind)[0]))
    if is_dataclass(kind) and isinstance(kind, type):
        return _of_dataclass(kind)
    if kind is Status:
        return status
    if isinstance(kind, type) and issubclass(kind, StrEnum):
        return kind
    return _of_scalar(kind)


def status(code: Any) -> Status:
    """A StatusCode. Raises ValueError for anything that is none."""
    if type(code) is not int or not 0 <= code <= 0xFFFFFFFF:
        raise ValueError(f"{code!r} is no StatusCode")
    return Status(code)


def _of_scalar(kind: type) -> Callable[[Any], Any]:
    def read(data: Any) -> Any:
        # JSON has one kind of number; a whole one may stand for a float, True never for 1.
        if type(data) is kind or (kind is float and type(data) is int):
            return data
        raise ValueError(f"{data!r} is no {kind.__name__}")

    return read


def _of_union(kinds: tuple[type, ...]) -> Callable[[Any], Any]:
    nothing = NoneType in kinds
    readers = [_reader(k) for k in kinds if k is not NoneType]

    def read(data: Any) -> Any:
        if data is None and nothing:
            return None
        for reader in readers:
            try:
                return reader(data)
            except ValueError:
                continue
        raise ValueError(f"{data!r} is none of {kinds}")

    return read


def _of_tuple(reader: Callable[[Any], Any]) -> Callable[[Any], Any]:
    def read(data: Any) -> Any:
        if not isinstance(data, list):
            raise ValueError("a list is expected")
        return tuple(map(reader, data))

    return read


def _of_dataclass(kind: type) -> Callable[[Any], Any]:
    hints = get_type_hints(kind)
    readers = tuple(_reader(hints[name]) for name in _names(kind))

    def read(data: Any) -> Any:
        if not isinstance(data, list) or len(data) != len(readers):
            raise ValueError(f"a {kind.__name__} has {len(readers)} entries")
        return kind(*(reader(item) for reader, item in zip(readers, data, strict=True)))

    return read
