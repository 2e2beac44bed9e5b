"""What ways to reach a controller share: how commands are spelled, and TLS."""

from typing import Self

from pydantic import Field, model_validator

from bridge.config.base import FilePath, Section, refuse
from bridge.config.mapping import JsonTemplate, Scalar


class Send(Section):
    """What HTTP and MQTT commands share: how ``{power}`` is spelled.

    Without `on` and `off`: true and false where ``{power}`` stands alone in `json`, elsewhere ``on`` and
    ``off``.
    """

    json_: JsonTemplate | None = Field(
        default=None,
        alias="json",
        description="A JSON body. A text that is {power} alone becomes true or false, {port} the number.",
    )
    on: Scalar | None = Field(default=None, description="How on is spelled where {power} stands.")
    off: Scalar | None = Field(default=None, description="How off is spelled where {power} stands.")

    @model_validator(mode="after")
    def _spelled_twice(self) -> Self:
        if (self.on is None) != (self.off is None) or (self.on is not None and self.on == self.off):
            refuse("spell both, differently; for example on: 'ON', off: 'OFF'")
        return self

    @property
    def text(self) -> str:
        """All that is sent, to look for placeholders."""
        raise NotImplementedError


def check_pair(switch: Send | None, clear: Send | None) -> None:
    """Refuse a switch that says the same for on and off, and a clear without a switch."""
    if switch is not None and "{power}" not in switch.text:
        refuse("nothing in switch depends on {power}; write it where on and off are told apart")
    if clear is not None and switch is None:
        refuse("clear without switch; a fuse that was cleared needs its port switched on again")


class ReachTls(Section):
    """TLS toward a controller or its broker: an authority of your own, a certificate of ours, or no check."""

    ca_file: FilePath | None = Field(default=None, description="An authority of your own (PEM).")
    cert_file: FilePath | None = Field(default=None, description="A certificate of ours (PEM).")
    key_file: FilePath | None = Field(default=None, description="Its key, where it is not in the same file.")
    verify: bool = Field(
        default=True,
        description="false: its certificate is not checked. Only where nobody else is on the wire.",
    )
