"""TLS toward controllers and their brokers."""

import ssl

from bridge.config.reach_common import ReachTls
from bridge.errors import PermanentError


def tls_context(controller_id: str, tls: ReachTls) -> ssl.SSLContext:
    """The TLS settings as configured. Raises PermanentError when a file can't be used."""
    try:
        context = ssl.create_default_context(cafile=str(tls.ca_file) if tls.ca_file else None)
        if tls.cert_file is not None:
            context.load_cert_chain(tls.cert_file, tls.key_file)
    except (OSError, ValueError) as error:
        raise PermanentError(
            f"{controller_id}: the TLS files can't be used: {error}", subject=controller_id
        ) from error
    if not tls.verify:
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
    return context
