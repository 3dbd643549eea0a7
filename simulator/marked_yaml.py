"""YAML that knows where every word stands, so that all errors of a file are told at once.

Scalars stay text: what a word means is decided where it is read, so `no` and `010` keep their
spelling. It refuses repeated keys, anchors and aliases.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

import yaml

from simulator.quantity import Kind, parse

_Read = TypeVar("_Read")
_WHOLE = re.compile(r"-?[0-9]{1,18}")


class ScenarioError(Exception):
    """Everything that is wrong with a scenario and its plant, one text per fault."""

    def __init__(self, texts: Sequence[str]) -> None:
        super().__init__("\n".join(texts))
        self.texts: list[str] = list(texts)


@dataclass(frozen=True, slots=True)
class Document:
    """One file being read, with the faults found so far in it and in files that it names."""

    path: Path
    faults: list[tuple[int, int, str]] = field(default_factory=list)
    elsewhere: list[str] = field(default_factory=list)

    def fault(self, mark: yaml.Mark | None, text: str) -> None:
        """Note a fault at a place of the file."""
        line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
        self.faults.append((line, column, text))

    def texts(self) -> list[str]:
        """Return all faults, in the order of the file, then those of other files."""
        here = [
            f"{self.path}:{line}:{column}: {text}" for line, column, text in sorted(self.faults)
        ]
        return here + self.elsewhere


@dataclass(frozen=True, slots=True)
class Place:
    """One node of a document: a scalar, a list or a mapping."""

    document: Document
    node: yaml.Node
    name: str

    def fault(self, text: str) -> None:
        """Note a fault at this node."""
        self.document.fault(self.node.start_mark, f"{self.name}: {text}")

    @property
    def size(self) -> int:
        """The number of entries of a mapping or list, 0 of a scalar."""
        return len(self.node.value) if isinstance(self.node, yaml.CollectionNode) else 0

    @property
    def is_mapping(self) -> bool:
        """Whether keys can be asked of this node."""
        return isinstance(self.node, yaml.MappingNode)

    def text(self) -> str:
        """Return the scalar as written, or an empty text after noting a fault."""
        if isinstance(self.node, yaml.ScalarNode) and str(self.node.value).strip():
            return str(self.node.value).strip()
        self.fault("is empty or a list; write one word or value here")
        return ""

    def choice(self, choices: Sequence[str]) -> str:
        """Return one of `choices`; after a fault the first of them."""
        text = self.text()
        if text in choices:
            return text
        if text:
            self.fault(f"{text!r} is not known; choose one of {', '.join(sorted(choices))}")
        return next(iter(choices), "")

    def whole(self, low: int, high: int) -> int:
        """Return a whole number from `low` to `high`; after a fault `low`."""
        text = self.text()
        if _WHOLE.fullmatch(text) and low <= int(text) <= high:
            return int(text)
        if text:
            self.fault(f"{text!r} is not right; write a whole number from {low} to {high}")
        return low

    def quantity(self, kind: Kind, *, low: float = -math.inf, above: float = -math.inf) -> float:
        """Return a quantity in base units; after a fault a value that does no further harm."""
        text = self.text()
        try:
            value = parse(text, kind)
        except ValueError as error:
            if text:
                self.fault(str(error))
            return 1.0
        if value < low or value <= above:
            bound = f"at least {low:g}" if value < low else f"more than {above:g}"
            self.fault(f"{text!r} is too small; it must be {bound} in base units")
            return 1.0
        return value

    def number(self, low: float, high: float) -> float:
        """Return a bare number from `low` to `high`; after a fault `low`."""
        text = self.text()
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if low <= value <= high:
            return value
        if text:
            self.fault(f"{text!r} is not right; write a number from {low:g} to {high:g}")
        return low

    def items(self) -> Iterator[tuple[yaml.ScalarNode, Place]]:
        """Return the keys and values of a mapping; a fault and nothing for any other node."""
        if not isinstance(self.node, yaml.MappingNode):
            self.fault("must hold `key: value` lines")
            return
        seen: set[str] = set()
        for key, value in self.node.value:
            if not isinstance(key, yaml.ScalarNode):
                self.document.fault(key.start_mark, f"{self.name}: a key must be one word")
            elif key.value in seen:
                self.document.fault(
                    key.start_mark, f"{self.name}: key {key.value!r} is repeated; keep one"
                )
            else:
                seen.add(key.value)
                yield key, Place(self.document, value, f"{self.name}.{key.value}".lstrip("."))

    def find(self, key: str) -> Place | None:
        """Return the value of a key if it is there, without noting faults."""
        if isinstance(self.node, yaml.MappingNode):
            for found, value in self.node.value:
                if isinstance(found, yaml.ScalarNode) and found.value == key:
                    return Place(self.document, value, f"{self.name}.{key}".lstrip("."))
        return None

    def elements(self) -> Iterator[Place]:
        """Return the elements of a list; a fault and nothing for any other node."""
        if not isinstance(self.node, yaml.SequenceNode):
            self.fault("must be a list, each element after a dash")
            return
        for number, value in enumerate(self.node.value, start=1):
            yield Place(self.document, value, f"{self.name}[{number}]")

    def keys(self, *, needed: Sequence[str], allowed: Sequence[str] = ()) -> dict[str, Place]:
        """Return a mapping's values by key; unknown and missing keys are faults."""
        known = (*needed, *allowed)
        found: dict[str, Place] = {}
        for key, value in self.items():
            if key.value in known:
                found[key.value] = value
            else:
                self.document.fault(
                    key.start_mark,
                    f"{self.name or 'file'}: key {key.value!r} is not known here; "
                    f"known are {', '.join(known)}",
                )
        if self.is_mapping:
            for key_text in needed:
                if key_text not in found:
                    self.document.fault(
                        self.node.start_mark,
                        f"{self.name or 'file'}: key {key_text!r} is missing; add it",
                    )
        return found


def read(path: Path, build: Callable[[Place], _Read]) -> _Read:
    """Read a file and build something of its root; raises ScenarioError with all faults."""
    document = Document(path)
    try:
        text = path.read_text(encoding="utf-8")
        if any(isinstance(event, yaml.AliasEvent) for event in yaml.parse(text)):
            raise ScenarioError([f"{path}:1:1: aliases (*name) are not read; write it out"])
        root = yaml.compose(text, Loader=yaml.SafeLoader)
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise ScenarioError([f"{path}:1:1: cannot be read: {reason}; check the path"]) from None
    except yaml.MarkedYAMLError as error:
        document.fault(error.problem_mark, f"is not YAML: {error.problem}; check the indentation")
        raise ScenarioError(document.texts()) from None
    except yaml.YAMLError as error:
        told = " ".join(str(error).split())
        raise ScenarioError([f"{path}:1:1: is not YAML: {told}; save it as plain text"]) from None
    except RecursionError:
        raise ScenarioError([f"{path}:1:1: is nested too deeply; write it flat"]) from None
    if root is None:
        raise ScenarioError([f"{path}:1:1: is empty; write a scenario or a plant"])
    built = build(Place(document, root, ""))
    if document.faults:
        raise ScenarioError(document.texts())
    return built
