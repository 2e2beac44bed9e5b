"""What the validation library found → sentences with file, line, column and what would be right.

Only the kind of an error and the limits of the model are used, never the value: it may be a secret.
"""

from collections.abc import Iterator, Sequence
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from bridge.config.base import Section, near_miss
from bridge.config.reader import Node, Place, locate, shown
from bridge.errors import Problem

_TYPES = {
    "int_type": ("a whole number is needed", "write digits without quotes and without unit"),
    "int_from_float": ("a whole number is needed", "write it without a decimal point"),
    "float_type": ("a number is needed", "write digits, with a point for decimals, without quotes or unit"),
    "string_type": ("text is needed", "put it in quotes"),
    "bool_type": ("a yes or no is needed", "write true or false"),
    "list_type": ("a list is needed", "write [one, another], or one per line behind a hyphen"),
    "dict_type": ("a mapping is needed", "write key: value, indented below"),
    "model_type": ("a mapping is needed", "write key: value, indented below"),
    "model_attributes_type": ("a mapping is needed", "write key: value, indented below"),
    "finite_number": ("a finite number is needed", "write an ordinary number"),
}


def problems_of(error: ValidationError, root: Node, file: str, model: type[Section]) -> Iterator[Problem]:
    """The problems of a validation, with their places. Several about one place and key become one."""
    seen: set[tuple[Place, str]] = set()
    for one in error.errors(include_input=False, include_url=False):
        place, words = locate(root, one["loc"])
        what, right = _sentence(one["type"], one.get("ctx", {}), one["msg"])
        if one["type"] in ("missing", "extra_forbidden"):
            key = str(one["loc"][-1])
            parent = words[:-1] if one["type"] == "extra_forbidden" else words
            if one["type"] == "missing":
                if len(words) > len(locate(root, one["loc"][:-1])[1]):
                    continue  # it stands there without a value, which the section told
                words = [*words, key]
                what, right = f"{key} is missing", _example(key, _field(model, words))
            else:
                what, right = f"unknown key {shown(key)}", near_miss(key, _keys(model, parent))
        path = ".".join(words)
        if (place, path) not in seen:
            seen.add((place, path))
            yield Problem(what, right, file, place.line, place.column, path)


def _sentence(kind: str, context: dict[str, Any], message: str) -> tuple[str, str]:
    """What is wrong and what would be right."""
    if kind in _TYPES:
        return _TYPES[kind]
    match kind:
        case "literal_error" | "enum":
            return "this word is not known here", f"write {context['expected']}"
        case "union_tag_invalid":
            return "this kind is not known", f"write one of {context['expected_tags']}"
        case "union_tag_not_found":
            return "kind is missing", "add kind, which says how the rest is meant"
        case "greater_than_equal" | "less_than_equal" | "greater_than" | "less_than":
            limit = next(context[key] for key in ("ge", "le", "gt", "lt") if key in context)
            words = {"greater_than_equal": "at least", "less_than_equal": "at most"}
            return "this number is out of range", f"write {words.get(kind, kind.replace('_', ' '))} {limit:g}"
        case "too_short":
            return "nothing is named here", f"name at least {context['min_length']}"
        case "too_long":
            return "too much is named here", f"name at most {context['max_length']}"
        case "string_too_short":
            return "this is empty", "write something or leave the key out"
        case "value_error":
            message = str(context["error"])
    what, _, right = message.partition("; ")
    return what.rstrip("."), right.rstrip(".")


def _example(key: str, field: FieldInfo | None) -> str:
    """How the missing key could look."""
    if field is None:
        return f"add {key}"
    shown = field.examples[0] if field.examples else "…"
    return f"add {key}: {shown} ({field.description})" if field.description else f"add {key}: {shown}"


def _models(annotation: object) -> Iterator[type[BaseModel]]:
    """All models an annotation mentions, whatever it wraps them in."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in get_args(annotation):
        yield from _models(inner)


def _inside(model: type[BaseModel], path: Sequence[str]) -> list[type[BaseModel]]:
    """The models that can stand at `path`; keys and positions of collections are passed over."""
    models = [model]
    for word in path:
        fields = [field for one in models for field in one.model_fields.values() if field.alias == word]
        named = [found for field in fields for found in _models(field.annotation)]
        models = named or models
    return models


def _field(model: type[BaseModel], path: Sequence[str]) -> FieldInfo | None:
    for one in _inside(model, path[:-1]):
        for name, field in one.model_fields.items():
            if path[-1] in (field.alias, name):
                return field
    return None


def _keys(model: type[BaseModel], path: Sequence[str]) -> list[str]:
    models = _inside(model, path)
    return list(
        dict.fromkeys(str(field.alias or name) for one in models for name, field in one.model_fields.items())
    )
