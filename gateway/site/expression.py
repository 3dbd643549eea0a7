"""The expressions of a site file over a machine's operating states: 'not running and cold'.

    expression = term {"or" term}      term = factor {"and" factor}
    factor = "not" factor | "(" expression ")" | name

Three-valued after Kleene: what is not known makes only that unknown which depends on it. Refuses
any other name, and tells at which character a text is wrong.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from gateway.site.explain import did_you_mean

States = Mapping[str, bool | None]  # by operating state; None, or not there: not known

OPERATING_STATES: Final = ("excited", "running", "hot", "loaded")
# A word of its own for the opposite of a state.
OPPOSITES: Final = {"cold": "hot", "standstill": "running"}
_NAMES: Final = (*OPERATING_STATES, *OPPOSITES)
_KEYWORDS: Final = ("and", "or", "not")
_TOKEN: Final = re.compile(r"\s*([A-Za-z_]\w*|[()]|\S)")
_LENGTH_MOST: Final = 160  # of the text, so that it cannot nest too deep either


@dataclass(frozen=True, slots=True)
class Name:
    """One operating state."""

    state: str

    def value(self, states: States) -> bool | None:
        return states.get(self.state)

    @property
    def states(self) -> tuple[str, ...]:
        return (self.state,)


@dataclass(frozen=True, slots=True)
class Not:
    """What is true while another is false."""

    of: "Expression"

    def value(self, states: States) -> bool | None:
        value = self.of.value(states)
        return None if value is None else not value

    @property
    def states(self) -> tuple[str, ...]:
        return self.of.states


@dataclass(frozen=True, slots=True)
class Either:
    """'a or b' where `decides` is true, 'a and b' where it is false: one such part decides."""

    decides: bool
    parts: tuple["Expression", ...]

    def value(self, states: States) -> bool | None:
        found = [part.value(states) for part in self.parts]
        if self.decides in found:
            return self.decides
        return None if None in found else not self.decides

    @property
    def states(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(s for part in self.parts for s in part.states))


Expression = Name | Not | Either


def expression(text: str) -> Expression:
    """The expression of this text. Raises ValueError that tells the character (from 1) and why."""
    if len(text) > _LENGTH_MOST:
        raise ValueError(f"an expression has at most {_LENGTH_MOST} characters, not {len(text)}")
    return _Parser(text).whole()


class _Parser:
    """Recursive descent over the tokens of one text."""

    def __init__(self, text: str) -> None:
        found = [(m[1], m.start(1) + 1) for m in _TOKEN.finditer(text)]
        self._tokens = [*found, ("", len(text) + 1)]
        self._place = 0

    def whole(self) -> Expression:
        found = self._either("or")
        if self._word:
            raise self._error(f"'and' or 'or' is expected, not {self._word!r}")
        return found

    @property
    def _word(self) -> str:
        return self._tokens[self._place][0]

    def _error(self, text: str) -> ValueError:
        return ValueError(f"at character {self._tokens[self._place][1]}: {text}")

    def _either(self, joint: str) -> Expression:
        parts = [self._either("and") if joint == "or" else self._factor()]
        while self._word == joint:
            self._place += 1
            parts.append(self._either("and") if joint == "or" else self._factor())
        return parts[0] if len(parts) == 1 else Either(joint == "or", tuple(parts))

    def _factor(self) -> Expression:
        word = self._word
        if word == "not":
            self._place += 1
            return Not(self._factor())
        if word == "(":
            self._place += 1
            inner = self._either("or")
            if self._word != ")":
                raise self._error(f"')' is expected, {_not_found(self._word)}")
            self._place += 1
            return inner
        if not word.isidentifier() or word in _KEYWORDS:
            raise self._error(f"an operating state is expected, {_not_found(word)}")
        if word not in _NAMES:
            raise self._error(f"there is no operating state {word!r}{did_you_mean(word, _NAMES)}")
        self._place += 1
        return Not(Name(OPPOSITES[word])) if word in OPPOSITES else Name(word)


def _not_found(word: str) -> str:
    return f"not {word!r}" if word else "but the text ends"
