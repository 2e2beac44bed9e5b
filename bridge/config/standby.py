"""A second process for the same site: who the two are and how they reach each other."""

import re
from typing import Annotated, Any, ClassVar

from pydantic import BeforeValidator, Field, model_validator

from bridge.config.base import FilePath, Identifier, Section, Text, refuse
from bridge.config.secret import SecretSource, needs_source

_ADDRESS = re.compile(r"(\[[0-9a-fA-F:]+\]|[^\s:\[\]]+):(\d{1,5})")


def _address(value: object) -> Any:  # noqa: ANN401 - a pair, checked here
    match = _ADDRESS.fullmatch(value) if isinstance(value, str) else None
    if match is None or not 1 <= int(match[2]) <= 65535:
        refuse("an address is needed: host and port, for example shed.lan:7420 or [::]:7420")
    return match[1].strip("[]"), int(match[2])


Address = Annotated[tuple[str, int], BeforeValidator(_address, json_schema_input_type=str)]
"""``host:port``."""


class StandbySettings(Section):
    """The pair. Both processes have the same file but for this section, and a state folder each.

    One is active, the other stands by with a copy of the safety journal and takes over within seconds.
    """

    refused_keys: ClassVar[dict[str, str]] = {
        "secret": "a secret never stands in this file; write secret_file: PATH or secret_env: NAME"
    }

    name: Identifier = Field(description="This process's name in the pair, for example attic.")
    listen: Address = Field(description="Where the partner reaches this process.", examples=["0.0.0.0:7420"])
    partner: Address = Field(description="Where the partner listens.", examples=["shed.lan:7420"])
    secret_file: FilePath | None = Field(
        default=None, description="File with a secret that both know: at least 16 characters."
    )
    secret_env: Text | None = Field(
        default=None, description="Name of the environment variable that holds the secret."
    )

    @model_validator(mode="after")
    def _one_secret(self) -> "StandbySettings":
        needs_source(self.secret_file, self.secret_env)
        if self.secret_file is None and self.secret_env is None:
            refuse("the pair needs a secret both know; write secret_file or secret_env")
        return self

    @property
    def secret(self) -> SecretSource:
        """Where the secret is; `SecretSource.read` reads it."""
        return SecretSource(self.secret_file, self.secret_env)
