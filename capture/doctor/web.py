"""Whether the pages can be served: the port is free, or what answers there is this bench."""

import http.client
import json
import socket
import ssl
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

from capture.config import Config, WebConfig
from capture.doctor.finding import Finding, look, ok, wrong
from capture.errors import ConfigError

_PATIENCE = 3.0
_MOST = 10_000  # bytes of an answer
_SOON = timedelta(days=14)
_RENEW = "put a new certificate and its key in their place; the daemon takes them by itself"
_ANY = {"0.0.0.0": "127.0.0.1", "::": "::1"}  # noqa: S104 - compared, not bound


def web(config: Config, daemon: int | None) -> Iterator[Finding]:
    """Judge port and certificate."""
    settings = config.web
    if settings is None:
        yield ok("web", "no section [web]: no pages are served")
        return
    if settings.tls_certificate is not None and settings.tls_key is not None:
        yield _certificate(config, settings)
    yield _port(settings, daemon)


def _certificate(config: Config, settings: WebConfig) -> Finding:
    from capture.web.tls import Tls  # noqa: PLC0415 - an extra
    from capture.web.validity import validity  # noqa: PLC0415 - an extra

    assert settings.tls_certificate is not None
    assert settings.tls_key is not None
    path = config.folder / settings.tls_certificate
    try:
        tls = Tls(path, config.folder / settings.tls_key)
    except ConfigError as error:
        return wrong("web certificate", str(error))
    not_valid, ends = validity(tls.context, path)
    if not_valid:
        return wrong("web certificate", f"{path}: {not_valid}: no browser opens the pages", _RENEW)
    if ends is None:
        return ok("web certificate", f"{path}: belongs to its key")
    says = f"{path}: belongs to its key, valid until {ends:%Y-%m-%d}"
    if ends - datetime.now(UTC) < _SOON:
        return look("web certificate", says, _RENEW)
    return ok("web certificate", says)


def _port(settings: WebConfig, daemon: int | None) -> Finding:
    where = f"{settings.host} port {settings.port}"
    if settings.port == 0:
        return look("web", f"{settings.host}: any free port, another one at each start", "give one")
    reason = _taken(settings)
    if not reason:
        return ok("web", f"{where}: free")
    status = _asked(settings)
    if status is not None and daemon is not None:
        return ok("web", f"{where}: this bench's daemon (process {daemon}) says {status}")
    if status is not None:
        return wrong("web", f"{where}: another bench answers there", "give web.port another number")
    return wrong("web", f"{where}: {reason}", "end what uses it, or give web.port another number")


def _taken(settings: WebConfig) -> str:
    """Say why the address cannot be bound; empty where it can. Nothing is listened on."""
    try:
        family, _, _, _, address = socket.getaddrinfo(
            settings.host, settings.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        with socket.socket(family, socket.SOCK_STREAM) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind(address)
    except OSError as error:
        return error.strerror or str(error)
    return ""


def _asked(settings: WebConfig) -> str | None:
    """Ask what answers at the port how it is; None where that is no bench."""
    host = _ANY.get(settings.host, settings.host)
    connection: http.client.HTTPConnection
    if settings.tls_certificate is None:
        connection = http.client.HTTPConnection(host, settings.port, timeout=_PATIENCE)
    else:
        # Whose certificate it is does not matter: nothing is told to it, and only a word is taken.
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
        connection = http.client.HTTPSConnection(
            host, settings.port, timeout=_PATIENCE, context=context
        )
    try:
        connection.request("GET", "/health")
        said = json.loads(connection.getresponse().read(_MOST))
        status = said["status"]
    except (OSError, http.client.HTTPException, ValueError, KeyError, TypeError):
        return None
    finally:
        connection.close()
    return status if status in ("ok", "degraded", "failing") else None
