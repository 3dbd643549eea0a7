"""YAML with YAML 1.2 scalars, where every value remembers its line and column.

Stock YAML 1.1 reads `no` as false, 12:30:00 as 45000 and 1e3 as text, and lets a repeated key win
silently; none of that is acceptable in a file that a technician edits. Anchors and aliases are
refused, since a file may come from anyone.
"""

import re
from typing import Any, Final

import yaml

Path = tuple[str | int, ...]
Position = tuple[int, int]  # line, column, both from 1

_CORE: Final = "tag:yaml.org,2002:"


class _Loader(yaml.SafeLoader):
    """SafeLoader with the scalars of YAML 1.2."""


_Loader.yaml_implicit_resolvers = {
    first: [(tag, pattern) for tag, pattern in rows if tag == _CORE + "null"]
    for first, rows in yaml.SafeLoader.yaml_implicit_resolvers.items()
}
for _name, _pattern, _first in (
    ("bool", r"^(?:true|false)$", "tf"),
    ("int", r"^[-+]?(?:0|[1-9][0-9]*)$|^0x[0-9a-fA-F]+$", "-+0123456789"),
    (
        "float",
        r"^[-+]?(?:[0-9]+\.[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?$|^[-+]?[0-9]+[eE][-+]?[0-9]+$",
        "-+.0123456789",
    ),
):
    _Loader.add_implicit_resolver(_CORE + _name, re.compile(_pattern), list(_first))


# What the parser says, and what a person would say of it.
_PLAIN_WORDS: Final = (
    ("'\\t' that cannot start", "a tab stands here; indent with spaces"),
    ("mapping values are not allowed", "a ':' too many; put text that has one in quotes"),
    ("could not find expected ':'", "a key without ': ' behind it"),
    ("expected <block end>", "the line does not fit the lines above: look at its indentation"),
    ("end of stream", "a quote is opened and never closed"),
    ("found '<stream end>'", "a bracket is opened and never closed"),
    ("expected the node content", "a value is needed here"),
    ("got '<stream end>'", "a bracket is opened and never closed"),
    ("found undefined alias", "anchors and aliases (& and *) are not taken; write it out"),
    ("expected alphabetic or numeric", "text that begins with & or * needs quotes"),
    ("cannot start any token", "text that begins with @, ` or % needs quotes"),
    ("another document", "only one document is taken; remove the '---'"),
)
_LONGEST_NUMBER: Final = 100  # characters; int() refuses thousands of digits


class YamlFault(Exception):
    """The text is not a YAML document that we take; carries the place."""

    def __init__(self, text: str, position: Position) -> None:
        super().__init__(text)
        self.text = text
        self.position = position


class Positions:
    """Where each value and each key of a document stands."""

    def __init__(self) -> None:
        self.values: dict[Path, Position] = {}
        self.keys: dict[Path, Position] = {}

    def known(self, path: Path) -> Path:
        """The path without the elements that the document does not have."""
        found: Path = ()
        for element in path:
            if (*found, element) in self.values:
                found = (*found, element)
        return found

    def of(self, path: Path) -> Position:
        """The place of a value, or of the nearest block around it.

        A block that begins below its key is found at the key, which names it.
        """
        known = self.known(path)
        value = self.values.get(known, (1, 1))
        key = self.keys.get(known, value)
        return key if key[0] < value[0] else value

    def of_key(self, path: Path) -> Position:
        known = self.known(path)
        return self.keys.get(known, self.of(known))


def load(text: str) -> tuple[Any, Positions]:
    """The document (sequences as tuples) and its positions. Raises YamlFault."""
    positions = Positions()
    try:
        loader = _Loader(text)
        node = loader.get_single_node()
        if node is None:
            raise YamlFault("the file is empty", (1, 1))
        _walk(node, (), positions, set())
        return _frozen(loader.construct_document(node)), positions
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        where = (mark.line + 1, mark.column + 1) if mark else (1, 1)
        raise YamlFault(_plain(str(error.problem or error.context)), where) from error
    except yaml.reader.ReaderError as error:
        before = text[: error.position]
        where = (before.count("\n") + 1, error.position - before.rfind("\n"))
        fault = f"the character U+{error.character:04X} has no place in a text file"
        raise YamlFault(fault, where) from error
    except RecursionError as error:
        raise YamlFault("nested too deeply", (1, 1)) from error


def _plain(problem: str) -> str:
    return next((words for part, words in _PLAIN_WORDS if part in problem), f"not YAML: {problem}")


def _scalar(node: yaml.ScalarNode, place: Position) -> None:
    """Refuses what is no scalar of YAML 1.2, or claims to be another one than it looks like."""
    rows = _Loader.yaml_implicit_resolvers.get(node.value[:1], ())
    plain = next((tag for tag, pattern in rows if pattern.match(node.value)), None)
    if node.tag not in (_CORE + "str", plain):
        raise YamlFault("tags (words that begin with !) are not taken", place)
    if node.tag != _CORE + "str" and len(node.value) > _LONGEST_NUMBER:
        raise YamlFault("the number is too long", place)
    if any(0xD800 <= ord(character) <= 0xDFFF for character in node.value):
        raise YamlFault("half of a character (\\uD800 to \\uDFFF) is no text", place)


def _walk(node: yaml.Node, path: Path, positions: Positions, seen: set[int]) -> None:
    place = (node.start_mark.line + 1, node.start_mark.column + 1)
    if id(node) in seen:
        raise YamlFault("anchors and aliases (& and *) are not taken; write it out", place)
    seen.add(id(node))
    positions.values[path] = place
    if isinstance(node, yaml.ScalarNode):
        _scalar(node, place)
    elif node.tag not in (_CORE + "map", _CORE + "seq"):
        raise YamlFault("tags (words that begin with !) are not taken", place)
    elif isinstance(node, yaml.MappingNode):
        keys: set[str] = set()
        for key, value in node.value:
            at = (key.start_mark.line + 1, key.start_mark.column + 1)
            if not isinstance(key, yaml.ScalarNode) or key.tag != _CORE + "str":
                raise YamlFault("a key must be text; put it in quotes if it is meant", at)
            _scalar(key, at)
            if key.value in keys:
                raise YamlFault(f"key {key.value!r} is there already in this block", at)
            keys.add(key.value)
            positions.keys[(*path, key.value)] = at
            _walk(value, (*path, key.value), positions, seen)
    elif isinstance(node, yaml.SequenceNode):
        for index, value in enumerate(node.value):
            _walk(value, (*path, index), positions, seen)


def _frozen(data: Any) -> Any:
    if isinstance(data, dict):
        return {key: _frozen(value) for key, value in data.items()}
    if isinstance(data, list):
        return tuple(_frozen(value) for value in data)
    return data
