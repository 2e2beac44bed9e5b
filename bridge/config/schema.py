"""The JSON Schema of the configuration file, for editors: `duskward schema`."""

from collections.abc import Mapping
from typing import Any

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from bridge.config.settings import Settings


class _FileSchema(GenerateJsonSchema):
    """As the file is written: defaults with their units, nothing about null, no invented titles."""

    def get_default_value(self, schema: core_schema.WithDefaultSchema) -> Any:  # noqa: ANN401 - any default
        """A default as one would write it."""
        default = super().get_default_value(schema)
        inner: Mapping[str, Any] = schema["schema"]
        while "serialization" not in inner and isinstance(inner.get("schema"), Mapping):
            inner = inner["schema"]
        written = inner.get("serialization", {}).get("function")
        return written(default) if written and isinstance(default, float) else default

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        """A key is written or left out; it is never null."""
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        """Leave out defaults that say nothing."""
        made = super().default_schema(schema)
        if "default" in made and made["default"] in (None, [], {}):
            del made["default"]
        return made

    def field_title_should_be_set(self, schema: Any) -> bool:  # noqa: ANN401, ARG002 - the library's signature
        """Titles made from key names say what the key says."""
        return False


def schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the file."""
    made = Settings.model_json_schema(by_alias=True, schema_generator=_FileSchema)
    return {"$schema": GenerateJsonSchema.schema_dialect, **made, "title": "duskward configuration"}
