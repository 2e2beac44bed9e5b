"""From the configuration to a connection to the broker."""

from bridge.config import Settings
from bridge.mqtt.announcer import birth_topic
from bridge.mqtt.homie import Tree
from bridge.mqtt.link import LinkSettings, Tls

GOODBYE_LIMIT_S = 0.3
"""A clean stop waits twice this long [s] for a broker that does not answer: all of it is over within 2 s."""


def tls_of(settings: Settings) -> Tls | None:
    """The broker's TLS settings, None where the connection is not encrypted."""
    tls = settings.broker.tls
    return None if tls is None else Tls(tls.ca_file, tls.cert_file, tls.key_file)


def link_settings(settings: Settings, tree: Tree) -> LinkSettings:
    """How to reach the broker. Raises PermanentError when the password can't be read."""
    broker = settings.broker
    birth = (birth_topic(broker.discovery.prefix),) if broker.discovery.enabled else ()
    return LinkSettings(
        host=broker.host,
        port=broker.port_or_default,
        client_id=broker.client_id or f"duskward-{settings.site.id}",
        username=broker.username,
        password=broker.password.read().get_secret_value() if broker.password is not None else None,
        tls=tls_of(settings),
        keepalive_s=int(broker.keepalive_s),
        stop_limit_s=GOODBYE_LIMIT_S,
        state_topic=tree.state_topic,
        filters=(*tree.filters, *birth),
    )
