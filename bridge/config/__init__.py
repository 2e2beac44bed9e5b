"""The configuration file: a YAML reader that keeps line numbers, and the models it must fit."""

from typing import Any

from bridge.config.load import load, parse
from bridge.config.plan import plan, tariff
from bridge.config.settings import Settings
from bridge.errors import ConfigurationError, Problem


def schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the file, for editors."""
    from bridge.config.schema import schema as make  # noqa: PLC0415 - only `duskward schema` needs it

    return make()


__all__ = ["ConfigurationError", "Problem", "Settings", "load", "parse", "plan", "schema", "tariff"]
