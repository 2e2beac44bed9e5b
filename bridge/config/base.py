"""What every section of the configuration file has in common.

A section refuses keys it does not know and says which one was probably meant, refuses values of a wrong
type instead of bending them, never repeats what it was given in an error, and names its keys without
units (``interval``) where the attribute carries one (``interval_s``): in the file the unit stands in the
value.
"""

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, ClassVar, NoReturn

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, ValidationInfo, model_validator
from pydantic_core import PydanticCustomError

from bridge.config.reader import shown

_UNIT_SUFFIX = re.compile(r"_(s|a|v|w|m|c|deg|fraction)$")
_ID = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")
_ID_LONGEST = 40  # characters; site, controller and port together stay readable in a topic


@dataclass(slots=True)
class Findings:
    """What sections tell the reader while a file is validated (pydantic's validation context).

    misplaced: (the mapping, the key, what is wrong, what would be right) for keys that may not be there;
    folder: what relative paths in the file are relative to.
    """

    folder: Path = field(default_factory=Path)
    misplaced: list[tuple[dict[Any, Any], str, str, str]] = field(default_factory=list)


def refuse(sentence: str) -> NoReturn:
    """Raise from a validator: `sentence` says what is wrong and, after a semicolon, what would be right."""
    # The sentence is given as context because pydantic would read braces in a message as a template.
    raise PydanticCustomError("refused", "{sentence}", {"sentence": sentence})


def yaml_key(attribute: str) -> str:
    """The key in the file for an attribute: ``interval_s`` is written ``interval``."""
    return _UNIT_SUFFIX.sub("", attribute)


def near_miss(word: str, known: Iterable[str]) -> str:
    """What `word` was probably meant to be: ``did you mean limit?``, or all that is known."""
    choices = list(known)
    close = difflib.get_close_matches(word.lower(), choices, n=1, cutoff=0.6)
    if close:
        return f"did you mean {close[0]}?"
    return f"known here: {', '.join(choices)}" if choices else "there are none"


def slug(text: str) -> str:
    """`text` as an id for topics: lower case letters, digits and hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")


class Section(BaseModel):
    """A mapping in the file."""

    model_config = ConfigDict(
        strict=True,
        extra="forbid",
        frozen=True,
        allow_inf_nan=False,
        hide_input_in_errors=True,
        alias_generator=yaml_key,
        str_strip_whitespace=True,
        defer_build=True,  # one validator for the whole file instead of one per section: half the start-up
    )

    refused_keys: ClassVar[dict[str, str]] = {}
    """Keys people try, with the sentence that says what to write instead."""

    @model_validator(mode="before")
    @classmethod
    def _tell_misplaced_keys(cls, data: object, info: ValidationInfo) -> object:
        """Note keys that are unknown or empty, and leave them out, so that all other errors are found too."""
        if not isinstance(data, dict) or not isinstance(info.context, Findings):
            return data
        required = {str(part.alias): part.is_required() for part in cls.model_fields.values()}
        known = list(required)
        kept = {}
        for key, value in data.items():
            if key in known and value is None:
                right = "write one" if required[key] else "write one or leave it out"
                info.context.misplaced.append((data, key, f"{key} has no value", right))
            elif key in known:
                kept[key] = value
            elif key in cls.refused_keys:
                info.context.misplaced.append((data, key, f"{key} may not stand here", cls.refused_keys[key]))
            else:
                right = (
                    near_miss(str(key), known) if shown(key) == str(key) else "put a space behind the colon"
                )
                info.context.misplaced.append((data, key, f"unknown key {shown(key)}", right))
        return kept


def _identifier(value: str) -> str:
    if len(value) > _ID_LONGEST:
        refuse(f"this id is too long; use at most {_ID_LONGEST} characters")
    if not _ID.fullmatch(value):
        close = slug(value)
        example = f"for example {close}" if close else "for example left-arch"
        refuse(f"ids are lower case letters, digits and hyphens, because they become topics; {example}")
    return value


def _text(value: str) -> str:
    if not value:
        refuse("this is empty; write something or leave the key out")
    if not value.isprintable():
        refuse("this holds characters that can't be printed; write one line of plain text")
    return value


def _host(value: str) -> str:
    if "/" in value or "[" in value or re.search(r"\s", value) or re.fullmatch(r"[^:]*:[0-9]*", value):
        refuse("a host name or address alone is needed; write it without mqtt://, and the port under port")
    return value


def _absolute(value: object, info: ValidationInfo) -> Path:
    if not isinstance(value, str) or not value or "\0" in value:
        refuse("a file's path is needed; write it as text, relative to the configuration file or absolute")
    path = Path(value).expanduser()
    folder = info.context.folder if isinstance(info.context, Findings) else Path()
    return folder / path


Identifier = Annotated[str, AfterValidator(_identifier)]
"""``[a-z0-9-]``: it becomes a segment of topics."""
Text = Annotated[str, AfterValidator(_text)]
"""One line of text, not empty."""
Host = Annotated[Text, AfterValidator(_host)]
"""A host's name or address, without scheme, port and brackets."""
FilePath = Annotated[Path, BeforeValidator(_absolute, json_schema_input_type=str)]
"""A path; relative ones are relative to the configuration file's folder."""
