"""``kind: mqtt``: a controller that publishes by itself, and is switched by a message."""

from typing import Annotated, ClassVar, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from bridge.config.base import FilePath, Host, Section, Text, refuse
from bridge.config.mapping import Scalar, Table, Template, spelling, template
from bridge.config.quantities import Duration, Interval
from bridge.config.reach_common import ReachTls, Send, check_pair
from bridge.config.secret import SecretSource


def _topic(text: str) -> str:
    template(text)
    levels = text.split("/")
    if not text or "\0" in text or any(char in text for char in "+#"):
        refuse("a topic has no + and no #; write {port} where the port's number stands")
    if text.count("{port}") > 1 or sum("{port}" in level for level in levels) > 1:
        refuse("{port} stands once in a topic")
    return text


Topic = Annotated[str, AfterValidator(_topic)]


class MqttTopic(Table):
    """A topic that is listened to. ``{port}`` captures the port's number, also inside a level: ``out{port}``.

    A payload that is no JSON is a text; ``@`` is the whole payload.
    """

    topic: Topic = Field(description="A topic that is listened to; {port} stands where the port's number is.")

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if "{power}" in self.topic:
            refuse("a topic that is listened to has no {power}")
        if self.single != ("{port}" in self.topic):
            refuse(
                "it is not told where the ports are; put {port} into the topic, or give ports, map or arrays"
            )
        if not self.says:
            refuse("this topic tells nothing; name at least one of current, power, tripped, voltage")
        return self


class MqttAvailable(Section):
    """Where the controller's own will and greeting say whether it is there."""

    topic: Topic = Field(description="Where the controller says whether it is there.")
    yes: list[Scalar] = Field(default=["online"], description="Payloads that say it is there.")
    no: list[Scalar] = Field(
        default=["offline"], description="Payloads that say it is gone; usually its will."
    )

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if "{" in self.topic:
            refuse("the controller as a whole is there or not; leave {port} out of this topic")
        if {spelling(item) for item in self.yes} & {spelling(item) for item in self.no}:
            refuse("a payload stands under yes and under no; keep one")
        return self


class MqttSend(Send):
    """One command by MQTT: never retained, so that no broker repeats it later.

    Without `payload` and `json` the payload is ``{power}`` alone.
    """

    topic: Annotated[str, AfterValidator(_topic)] = Field(
        description="The topic of the command; {port} and {power} are replaced."
    )
    payload: Template | None = Field(
        default=None, description="What is sent; {power} alone where nothing is written."
    )
    qos: Literal[0, 1] = Field(default=1, description="1: the broker acknowledges. 0: nobody does.")

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.json_ is not None and self.payload is not None:
            refuse("json and payload exclude each other; keep one")
        return self

    @property
    def text(self) -> str:
        """All that is sent, to look for placeholders."""
        payload = "{power}" if self.payload is None and self.json_ is None else self.payload
        return f"{self.topic} {payload or ''} {self.json_!r}"


class ReachBroker(Section):
    """The broker a controller publishes to."""

    refused_keys: ClassVar[dict[str, str]] = {
        "password": "a password never stands in this file; write password_file: PATH or password_env: NAME"
    }

    host: Host = Field(description="Host name or address.")
    port: Annotated[int, Field(ge=1, le=65535)] | None = Field(
        default=None, description="TCP port; 1883, with TLS 8883, where nothing is written."
    )
    username: Text | None = Field(default=None, description="Name to log in with.")
    password_file: FilePath | None = Field(
        default=None, description="File that holds the password and nothing else."
    )
    password_env: Text | None = Field(
        default=None, description="Environment variable that holds the password."
    )
    tls: ReachTls | None = Field(
        default=None, description="Encrypt, with an authority or certificate of your own."
    )

    @model_validator(mode="after")
    def _one_password(self) -> Self:
        given = sum(part is not None for part in (self.password_file, self.password_env))
        if given > 1 or (given and self.username is None):
            refuse("write username with password_file or password_env")
        return self

    @property
    def port_or_default(self) -> int:
        """The TCP port in use."""
        return self.port or (8883 if self.tls else 1883)

    @property
    def password(self) -> SecretSource | None:
        """Where the password is, None where none is configured."""
        if self.password_file is None and self.password_env is None:
            return None
        return SecretSource(self.password_file, self.password_env)


class MqttReach(Section):
    """A controller that publishes by itself.

    broker: where it publishes; the site's broker where none is written. every: it publishes at least this
    often; three times this without a word is "does not answer". on_change: it publishes changes only, and its
    `available` topic vouches for the rest. lag: the longest a message is under way, so that an old state is
    not taken for the answer to a command.
    """

    kind: Literal["mqtt"] = Field(description="A controller that publishes by itself.")
    broker: ReachBroker | None = Field(
        default=None, description="The broker it publishes to; the site's broker where nothing is written."
    )
    topics: Annotated[list[MqttTopic], Field(min_length=1)] = Field(description="What is listened to.")
    available: MqttAvailable | None = Field(default=None, description="Where it says whether it is there.")
    switch: MqttSend | None = Field(default=None, description="The message that switches a port.")
    clear: MqttSend | None = Field(
        default=None, description="The message that clears a fuse, sent before power returns."
    )
    every_s: Interval = Field(
        default=10.0,
        description="It publishes at least this often; three times this without a word is no answer.",
    )
    on_change: bool = Field(
        default=False, description="It publishes changes only; its available topic vouches for the rest."
    )
    timeout_s: Interval = Field(
        default=2.0, description="How long the first word and an acknowledgement may take."
    )
    lag_s: Duration = Field(
        default=0.1,
        description="The longest a message is under way, so that an old state is not taken for an answer.",
    )
    counts_from: Literal[0, 1] = Field(
        default=1, description="The controller's number of its first port; here ports count from 1."
    )

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.on_change and self.available is None:
            refuse(
                "who publishes only changes must say that it is there; give available, or leave on_change out"
            )
        check_pair(self.switch, self.clear)
        return self

    @property
    def slowest_s(self) -> float:
        """The longest time [s] between two readings when all is well."""
        return self.every_s

    @property
    def told(self) -> frozenset[str]:
        """What the controller tells of a port, all topics together."""
        return frozenset[str]().union(*(topic.says for topic in self.topics))
