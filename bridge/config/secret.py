"""Secrets: the file names where one is kept; it is read when it is used, and never shown."""

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from pydantic import BaseModel, SecretStr

from bridge.config.base import refuse
from bridge.errors import PermanentError


class SecretUnavailableError(PermanentError):
    """A secret can't be read from where the configuration says it is. `subject`: the file or variable."""


@dataclass(frozen=True, slots=True)
class SecretSource:
    """Where a secret is kept: in a file of its own, or in an environment variable."""

    file: Path | None
    env: str | None

    def read(self, environ: Mapping[str, str] | None = None) -> SecretStr:
        """The secret; one line break at the end of a file is not part of it.

        Raises SecretUnavailableError (missing, empty, unreadable), which names the source only.
        """
        if self.file is not None:
            return self._from_file(self.file)
        name = self.env or ""
        text = (os.environ if environ is None else environ).get(name)
        if not text:
            message = f"the environment variable {name} is not set; set it, or name a file instead"
            raise SecretUnavailableError(message, subject=name)
        return SecretStr(text)

    @staticmethod
    def _from_file(file: Path) -> SecretStr:
        problem = "is empty; write the secret into it"
        text = ""
        try:
            text = file.read_text(encoding="utf-8").removesuffix("\n").removesuffix("\r")
        except OSError as error:
            problem = f"can't be read ({error.strerror}); check its path and its permissions"
        except UnicodeDecodeError:
            problem = "is not UTF-8 text; save it as such"
        if not text:
            # Raised out here: a decoding error would carry the file's bytes along.
            raise SecretUnavailableError(f"the secret's file {file} {problem}", subject=str(file))
        return SecretStr(text)


def sources(section: BaseModel) -> Iterator[SecretSource]:
    """Every place of a secret that a section and the sections in it name."""
    for attribute in ("password", "source", "secret"):
        found = getattr(section, attribute, None)
        if isinstance(found, SecretSource):
            yield found
    for _, value in section:
        inner = (
            value.values()
            if isinstance(value, dict)
            else value
            if isinstance(value, list | tuple)
            else (value,)
        )
        for one in inner:
            if isinstance(one, BaseModel):
                yield from sources(one)


def needs_source(file: Path | None, env: str | None) -> None:
    """Refuse a section that names two sources for one secret."""
    if file is not None and env is not None:
        refuse("two sources for one secret; keep the file or the environment variable, not both")
