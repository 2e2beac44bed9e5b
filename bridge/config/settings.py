"""The whole file as a model."""

from typing import Annotated

from pydantic import Field

from bridge.config.base import Identifier, Section
from bridge.config.hardware import ControllerSettings, PropSettings, SupplySettings
from bridge.config.show_data import E131Settings
from bridge.config.shows import ShowSettings
from bridge.config.site import BrokerSettings, MeasurementsSettings, SiteSettings, TariffSettings
from bridge.config.standby import StandbySettings


class Settings(Section):
    """One site: what the person wrote, checked, in base units."""

    site: SiteSettings = Field(description="The place, its clock, and how careful it is.")
    broker: BrokerSettings = Field(description="The MQTT broker.")
    supplies: dict[Identifier, SupplySettings] = Field(default={}, description="Power supplies by id.")
    controllers: Annotated[dict[Identifier, ControllerSettings], Field(min_length=1)] = Field(
        description="Controllers by id."
    )
    props: dict[Identifier, PropSettings] = Field(default={}, description="What people hang, by id.")
    shows: list[ShowSettings] = Field(default=[], description="Shows: when power is needed, and where.")
    measurements: MeasurementsSettings = Field(
        default_factory=MeasurementsSettings, description="How often measurements are published."
    )
    e131: E131Settings = Field(
        default_factory=E131Settings, description="Show data (ANSI E1.31): test patterns out, levels in."
    )
    standby: StandbySettings | None = Field(
        default=None, description="A second process for the same site that takes over when this one is gone."
    )
    tariff: TariffSettings | None = Field(default=None, description="What energy costs, for reports.")
