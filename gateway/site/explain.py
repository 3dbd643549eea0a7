"""Plain words for what the model refuses: what is wrong, and what would be right there."""

from difflib import get_close_matches
from functools import cache
from typing import Any

from pydantic import BaseModel
from pydantic_core import ErrorDetails

from gateway.site.yaml_marks import Path

_TYPES = {
    "bool_type": "true or false",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "string_type": "text",
    "tuple_type": "a list (lines that begin with '- ')",
    "dict_type": "a block of 'key: value' lines",
    "model_type": "a block of 'key: value' lines",
    "model_attributes_type": "a block of 'key: value' lines",
}
_BOUNDS = {
    "greater_than_equal": "at least",
    "less_than_equal": "at most",
    "greater_than": "more than",
    "less_than": "less than",
}


def did_you_mean(name: str, known: Any) -> str:
    """'; did you mean X?' where something is close, else what there is."""
    names = sorted(map(str, known))
    close = get_close_matches(name, names, 1)
    if close:
        return f"; did you mean {close[0]!r}?"
    return f"; there are: {', '.join(names)}" if names else "; there are none"


def text(error: ErrorDetails, model: type[BaseModel], known: Path) -> str:
    """One sentence for one validation error at the path that the document has."""
    kind, given, context = error["type"], error["input"], error.get("ctx", {})
    last = error["loc"][-1] if error["loc"] else ""
    if kind == "missing" and isinstance(last, int):
        return "two values are needed: the lowest and the highest"
    if kind == "missing":
        return f"{last!r} is missing{_example(model, (*known, str(last)), error['loc'])}"
    if kind == "extra_forbidden":
        return f"unknown key{did_you_mean(str(last), _keys(error, model, known))}"
    if kind in ("literal_error", "union_tag_invalid"):
        expected = str(context.get("expected") or context.get("expected_tags"))
        shown = context.get("tag", given)
        words = [w.strip(" '\"") for w in expected.replace(" or ", ",").split(",")]
        close = get_close_matches(str(shown), words, 1)
        hint = f"; did you mean {close[0]!r}?" if close else ""
        return f"{shown!r} is not one of {', '.join(words)}{hint}"
    if kind == "union_tag_not_found":
        node = _node_at(model, known, error["loc"])[1]
        node = next((n for n in node.get("anyOf", ()) if "discriminator" in n), node)
        kinds = node.get("discriminator", {}).get("mapping", {})
        return f"{context['discriminator']} is missing; one of {', '.join(kinds)}"
    if kind == "value_error":
        reason = str(context.get("error", error["msg"]))
        return f"{reason}, not {_shown(given)}" if reason.startswith("must") else reason
    if kind == "string_pattern_mismatch":
        described = _schema_at(model, known, error["loc"]).get("description")
        return f"{given!r} does not fit; write {described or context.get('pattern')}"
    if kind == "string_too_short":
        return "must not be empty"
    if kind == "string_too_long":
        return f"must be at most {context.get('max_length')} characters long"
    if kind == "too_short":
        return "at least one entry is needed"
    if kind == "too_long":
        wanted = context.get("max_length")
        return f"{wanted} values are needed, not {context.get('actual_length')}"
    if kind in _TYPES:
        return f"{_TYPES[kind]} is needed, not {_shown(given)}"
    if kind in _BOUNDS:
        return f"must be {_BOUNDS[kind]} {next(iter(context.values()))}, not {_shown(given)}"
    message = error["msg"].replace("Input should", "must").replace("should", "must")
    return f"{message[0].lower()}{message[1:]}, not {_shown(given)}"


def meant(error: ErrorDetails, model: type[BaseModel], known: Path) -> str | None:
    """The key of the block that an unknown key stands for, as far as its letters tell."""
    close = get_close_matches(str(error["loc"][-1]), _keys(error, model, known), 1)
    return close[0] if close else None


def _keys(error: ErrorDetails, model: type[BaseModel], known: Path) -> list[str]:
    return sorted(_schema_at(model, known[:-1], error["loc"]).get("properties", {}))


def _shown(value: object) -> str:
    if isinstance(value, dict):
        return "a block"
    if isinstance(value, tuple):
        return "a list" if value else "an empty list"
    return "nothing" if value is None else repr(value)


def _example(model: type[BaseModel], path: Path, location: tuple[int | str, ...]) -> str:
    schema = _schema_at(model, path, location)
    if schema.get("enum"):
        return f"; one of {', '.join(map(str, schema['enum']))}"
    if schema.get("examples"):
        return f"; write for example '{path[-1]}: {schema['examples'][0]}'"
    if schema.get("pattern"):
        return f"; write {schema['description']}"
    return f"; {schema['description'].rstrip('.')}" if schema.get("description") else ""


def _schema_at(
    model: type[BaseModel], path: Path, location: tuple[int | str, ...]
) -> dict[str, Any]:
    """The JSON Schema of the value at a path; branches of unions are chosen by `location`."""
    root, node = _node_at(model, path, location)
    return _branch(root, node, location)


@cache
def _schema(model: type[BaseModel]) -> dict[str, Any]:
    return model.model_json_schema()


def _node_at(
    model: type[BaseModel], path: Path, location: tuple[int | str, ...]
) -> tuple[dict[str, Any], dict[str, Any]]:
    """The whole schema, and the node at a path with its branches still to be chosen."""
    root = _schema(model)
    node: dict[str, Any] = root
    for element in path:
        node = _branch(root, node, location)
        if isinstance(element, int):
            items = node.get("items") or (node.get("prefixItems") or [{}])[0]
            node = items if isinstance(items, dict) else {}
        else:
            node = node.get("properties", {}).get(element, {})
    return root, node


def _branch(
    root: dict[str, Any], node: dict[str, Any], location: tuple[int | str, ...]
) -> dict[str, Any]:
    for _ in range(8):
        if "$ref" in node:
            node = root["$defs"][node["$ref"].rsplit("/", 1)[1]]
        elif "discriminator" in node:
            mapping = node["discriminator"].get("mapping", {})
            chosen = next((mapping[e] for e in location if e in mapping), None)
            node = {"$ref": chosen} if chosen else {}
        elif "anyOf" in node or "oneOf" in node:
            branches = [n for n in (node.get("anyOf") or node["oneOf"]) if n.get("type") != "null"]
            # A block beside a word: what is asked for here stands in the block.
            node = next((n for n in branches if "$ref" in n), branches[0])
        else:
            break
    return node
