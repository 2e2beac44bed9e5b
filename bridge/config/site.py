"""The site, its broker, what is published of measurements, and what energy costs."""

import re
from decimal import Decimal
from pathlib import Path
from typing import Annotated, ClassVar, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from bridge.config.base import FilePath, Host, Identifier, Section, Text, near_miss, refuse
from bridge.config.hardware import LimitsSettings, ReclosingSettings
from bridge.config.moments import Clock, DayTime, Weekdays
from bridge.config.quantities import Current, Duration, Fraction, Interval, Quantity
from bridge.config.reader import decode, plain, read
from bridge.config.secret import SecretSource, needs_source
from bridge.errors import ConfigurationError
from rules.errors import RulesError
from rules.wording import Wording, wording_from

_NO_LITERAL = "a password never stands in this file; write password_file: PATH or password_env: NAME"
_OFFSET = re.compile(r"(?:UTC|GMT)?\s*[+-]\s*[0-9:]+")
_SEGMENT = re.compile(r"[^/+#$\s\x00-\x1f\x7f]+")


def _timezone(value: str) -> str:
    try:
        ZoneInfo(value)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        if _OFFSET.fullmatch(value.upper()):
            refuse("an offset knows no summer time; write an IANA name such as Europe/Dublin or Etc/UTC")
        known = sorted(available_timezones())
        close = near_miss(value, {name.lower(): name for name in known})
        named = {name.lower(): name for name in known}.get(close.removeprefix("did you mean ").rstrip("?"))
        hint = f"did you mean {named}?" if named else "write an IANA name such as Europe/Dublin or Etc/UTC"
        refuse(f"this time zone is not known; {hint}")
    return value


def _segment(value: str) -> str:
    if not _SEGMENT.fullmatch(value):
        refuse("one topic segment is needed: no /, +, #, $ and no space; for example homie")
    return value


Segment = Annotated[str, AfterValidator(_segment)]
"""One segment of an MQTT topic."""


def read_wording(path: Path) -> Wording:
    """Messages from a file: what it leaves out stays as it is. Raises RulesError, in one sentence."""
    try:
        root, problems = read(decode(path.read_bytes(), path.name), path.name)
    except OSError as error:
        raise RulesError(f"{path.name} can't be read: {error.strerror}") from error
    except ConfigurationError as error:
        raise RulesError(str(error.problems[0])) from error
    if problems:
        raise RulesError(str(problems[0]))
    texts = plain(root, {})
    if not isinstance(texts, dict) or not all(
        isinstance(entry, dict) and all(isinstance(text, str) for text in entry.values())
        for entry in texts.values()
    ):
        raise RulesError(f"{path.name} must hold condition codes, each with message and advice as text")
    return wording_from(texts)


def _wording(path: Path) -> Path:
    try:
        read_wording(path)
    except RulesError as error:
        refuse(f"the wording can't be used; {error}")
    return path


class PreShowSettings(Section):
    """The pre-show check. Keep the show data dark at that time."""

    at: DayTime = Field(description="When, for example 15:30 or sunset - 90 min.")
    for_s: Annotated[Interval, Field(ge=20)] = Field(
        default=60.0, description="How long each port has power."
    )


class SiteSettings(Section):
    """The site: one place with one clock, and how careful it is."""

    id: Identifier = Field(description="The site's id; all its topics begin with it. Keep it once chosen.")
    name: Text = Field(description="The site's name as people say it.")
    timezone: Annotated[str, AfterValidator(_timezone)] = Field(
        description="IANA time zone of all times in this file.", examples=["Europe/Dublin"]
    )
    latitude_deg: Annotated[float, Field(ge=-90, le=90)] = Field(
        description="Degrees, north positive; for sunset and its like.", examples=[53.35]
    )
    longitude_deg: Annotated[float, Field(ge=-180, le=180)] = Field(
        description="Degrees, east positive (the Americas are negative).", examples=[-6.26]
    )
    release_delay_s: Duration = Field(
        default=30.0, description="A port stays off this long after its last hold was released."
    )
    manual_on_s: Interval = Field(default=7200.0, description="On by hand ends by itself after this long.")
    started_show_s: Interval = Field(
        default=14400.0, description="A show started by hand ends by itself after this long."
    )
    journal_lost: Literal["hold", "run"] = Field(
        default="hold",
        description="What a lost safety journal means: the site starts held until a person confirms, or runs "
        "(only where nobody can touch a string).",
    )
    require_synchronised_clock: bool = Field(
        default=True,
        description="Nothing is powered by schedule until the machine's clock is synchronised. Write false "
        "only where a clock with its own battery is trusted.",
    )
    no_data_polls: Annotated[int, Field(ge=1, le=1000)] = Field(
        default=3, description="So many polls without a valid reading make the condition no-data."
    )
    wording_file: Annotated[FilePath, AfterValidator(_wording)] | None = Field(
        default=None,
        description="File with messages of your own or in your language: condition, then message and advice; "
        "after-trip, then what is decided after a trip.",
    )
    pre_show_check: PreShowSettings | None = Field(
        default=None,
        description="A check by daylight: each port that a show will need has power for a minute, nothing "
        "lit, and what it draws is compared with what it should.",
    )
    command_gap_s: Duration = Field(
        default=1.0, description="Least time between two requests to power one port; off and hold are exempt."
    )
    at_stop: Literal["leave", "off"] = Field(
        default="leave",
        description="What a clean stop does to the ports: leave them as they are, or switch off.",
    )
    state_dir: FilePath | None = Field(
        default=None,
        description="Folder of the safety journal and the history, one per site, on a local disk; where "
        "nothing is written, the system's usual place.",
    )
    limits: LimitsSettings | None = Field(
        default=None, description="Limits of conditions, for all ports of the site."
    )
    reclosing: ReclosingSettings | None = Field(
        default=None, description="Automatic reclosing, for all ports of the site. Default: none."
    )


class TlsSettings(Section):
    """Encryption of the connection to the broker. The host's name is always checked."""

    ca_file: FilePath | None = Field(
        default=None, description="Certificates to trust instead of the system's (PEM)."
    )
    cert_file: FilePath | None = Field(default=None, description="This client's certificate (PEM).")
    key_file: FilePath | None = Field(default=None, description="The private key of cert_file (PEM).")

    @model_validator(mode="after")
    def _certificate_has_key(self) -> "TlsSettings":
        if (self.cert_file is None) != (self.key_file is None):
            refuse("a client certificate needs its key; write both cert_file and key_file, or neither")
        return self


class DiscoverySettings(Section):
    """Discovery documents for dashboards that follow the widely used MQTT discovery convention."""

    enabled: bool = Field(default=True, description="Publish one discovery document per port.")
    prefix: Segment = Field(default="homeassistant", description="First segment of the discovery topics.")


def _tls(value: object) -> object:
    return {} if value is True else None if value is False else value


class BrokerSettings(Section):
    """The MQTT broker (3.1.1 or 5)."""

    refused_keys: ClassVar[dict[str, str]] = {
        "password": _NO_LITERAL,
        "pass": _NO_LITERAL,
        "passwd": _NO_LITERAL,
    }

    host: Host = Field(description="Host name or address.", examples=["mqtt.lan"])
    port: Annotated[int, Field(ge=1, le=65535)] | None = Field(
        default=None, description="TCP port; 1883, with TLS 8883, where nothing is written."
    )
    username: Text | None = Field(default=None, description="Name to log in with.")
    password_file: FilePath | None = Field(
        default=None, description="File that holds the password and nothing else."
    )
    password_env: Text | None = Field(
        default=None, description="Name of the environment variable that holds the password."
    )
    tls: Annotated[TlsSettings | None, BeforeValidator(_tls, json_schema_input_type=bool | TlsSettings)] = (
        Field(
            default=None, description="true, or the files to use; without it the connection is not encrypted."
        )
    )
    client_id: Text | None = Field(
        default=None,
        description="MQTT client id; duskward-SITE where nothing is written. Unique on a broker.",
    )
    keepalive_s: Annotated[
        float, Quantity("a duration", {"s": "1", "min": "60"}, ("30 s", "1 min"), "s", least=5, most=65535)
    ] = Field(default=30.0, description="MQTT keep-alive: how soon both sides notice a dead connection.")
    prefix: Segment = Field(default="homie", description="First topic segment (the Homie domain).")
    measurements_qos: Literal[0, 1] = Field(
        default=1, description="Quality of service of measurements. All else that is retained has 1."
    )
    discovery: DiscoverySettings = Field(
        default_factory=DiscoverySettings, description="Documents by which dashboards find the ports."
    )

    @model_validator(mode="after")
    def _one_password(self) -> "BrokerSettings":
        needs_source(self.password_file, self.password_env)
        if self.password is not None and self.username is None:
            refuse("a password needs a user name; add username, or leave the password out")
        return self

    @property
    def port_or_default(self) -> int:
        """The TCP port in use."""
        return self.port or (8883 if self.tls else 1883)

    @property
    def password(self) -> SecretSource | None:
        """Where the password is, None where none is configured. `SecretSource.read` reads it."""
        if self.password_file is None and self.password_env is None:
            return None
        return SecretSource(self.password_file, self.password_env)


class MeasurementsSettings(Section):
    """Report by exception: a measurement is published when it moved, and seldom otherwise."""

    band_a: Current = Field(default=0.02, description="A current is published when it moved by this much, …")
    band_share: Fraction = Field(default=0.02, description="… or by this share of it, whichever is more, …")
    interval_s: Duration = Field(default=1.0, description="… at most once per this time, …")
    heartbeat_s: Interval = Field(default=300.0, description="… and at least once per this time.")


_PRICE = re.compile(r"([0-9]+(?:\.[0-9]+)?)\s*([A-Z]{3})\s*/\s*kWh")


class Price(Section):
    """What a kilowatt-hour costs: amount and ISO 4217 currency; written ``0.32 EUR/kWh``."""

    amount: Decimal
    currency: str


def _price(value: object) -> object:
    match = _PRICE.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is None:
        refuse("this is not a price; write it with its currency, for example 0.32 EUR/kWh")
    return {"amount": Decimal(match[1]), "currency": match[2]}


PricePerKwh = Annotated[
    Price,
    BeforeValidator(_price, json_schema_input_type=Annotated[str, Field(pattern=f"^{_PRICE.pattern}$")]),
]
"""``0.32 EUR/kWh``."""


class TariffBandSettings(Section):
    """Hours with a price of their own; over midnight where `to` is not after `from`."""

    start: Clock = Field(alias="from", description="Begins at this time of day.", examples=["23:00"])
    end: Clock = Field(alias="to", description="Ends at this time of day.", examples=["08:00"])
    weekdays: Weekdays | None = Field(default=None, description="On these days only (the day it begins on).")
    price: PricePerKwh = Field(description="The price in these hours.", examples=["0.18 EUR/kWh"])


class TariffSettings(Section):
    """What energy costs at this site, for the season's report."""

    price: PricePerKwh = Field(description="The price outside all bands.", examples=["0.32 EUR/kWh"])
    bands: list[TariffBandSettings] = Field(
        default=[], description="Hours with another price; the first that fits counts."
    )

    @model_validator(mode="after")
    def _one_currency(self) -> "TariffSettings":
        if any(clock.second for band in self.bands for clock in (band.start, band.end)):
            refuse("price bands begin and end on whole minutes; leave the seconds out")
        if any(band.price.currency != self.price.currency for band in self.bands):
            refuse("all prices of a tariff must be in one currency; convert the others")
        return self
