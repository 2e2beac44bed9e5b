"""From the configuration to what a pair needs."""

from bridge.app_links import tls_of
from bridge.config import Settings
from bridge.errors import PermanentError
from bridge.mqtt.link import LinkSettings
from bridge.pair import PairSettings

LEAST_SECRET = 16
KEEPALIVE_S = 2
"""The broker misses a process that lost its power after one and a half of these [s]."""


def pair_settings(settings: Settings) -> PairSettings:
    """Who we are in the pair. Raises PermanentError when the secret can't be read or is too short."""
    standby = settings.standby
    assert standby is not None
    secret = standby.secret.read().get_secret_value()
    if len(secret) < LEAST_SECRET:
        raise PermanentError(
            f"the secret of the pair is shorter than {LEAST_SECRET} characters; "
            "make one with: openssl rand -hex 32",
            subject="standby",
        )
    return PairSettings(name=standby.name, listen=standby.listen, partner=standby.partner, secret=secret)


def instance_link(settings: Settings) -> LinkSettings:
    """The small connection that holds our instance topic. Raises PermanentError as for the site's own."""
    standby, broker = settings.standby, settings.broker
    assert standby is not None
    base = f"duskward/{settings.site.id}"
    return LinkSettings(
        host=broker.host,
        port=broker.port_or_default,
        client_id=f"{broker.client_id or 'duskward-' + settings.site.id}-{standby.name}",
        username=broker.username,
        password=broker.password.read().get_secret_value() if broker.password is not None else None,
        tls=tls_of(settings),
        keepalive_s=KEEPALIVE_S,
        state_topic=f"{base}/{standby.name}",
        filters=(f"{base}/+",),
        pause_max_s=5.0,
    )
