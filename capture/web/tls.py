"""TLS: a certificate and its key, read again when they were replaced."""

import ssl
from pathlib import Path

import structlog

from capture.errors import ConfigError


class Tls:
    """The certificate that a server shows."""

    def __init__(self, certificate: Path, key: Path) -> None:
        """Read certificate and key.

        Raises:
            ConfigError: one of them cannot be read, or they do not belong together.
        """
        self._certificate, self._key = certificate, key
        self._stamps = self._look()
        self.context = self._read()
        self._log = structlog.get_logger()

    def renew(self) -> bool:
        """Read both again if a file has changed; True where new connections get the new one.

        What cannot be used is left alone, and the old certificate is shown until it can be.
        """
        stamps = self._look()
        if stamps == self._stamps:
            return False
        try:
            self._read()
            self.context.load_cert_chain(self._certificate, self._key, _no_passphrase)
        except (ConfigError, OSError) as error:
            self._log.warning("web.certificate_not_renewed", reason=str(error))
            return False
        self._stamps = stamps
        self._log.info("web.certificate_renewed", path=str(self._certificate))
        return True

    def _look(self) -> tuple[tuple[int, int, int], ...]:
        try:
            found = [path.stat() for path in (self._certificate, self._key)]
        except OSError:
            return ()
        return tuple((each.st_mtime_ns, each.st_size, each.st_ino) for each in found)

    def _read(self) -> ssl.SSLContext:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        for name, path in (("tls_certificate", self._certificate), ("tls_key", self._key)):
            try:
                path.read_bytes()
            except OSError as error:
                reason = error.strerror or str(error)
                raise ConfigError([f"web.{name}: {path} cannot be read: {reason}"]) from error
        try:
            context.load_cert_chain(self._certificate, self._key, _no_passphrase)
        except (OSError, ValueError) as error:
            fault = (
                f"web.tls_certificate: {self._certificate} and {self._key} cannot be used together "
                f"({error}); give PEM files that belong together, the key without a passphrase"
            )
            raise ConfigError([fault]) from error
        return context


def _no_passphrase() -> str:
    # Without this, OpenSSL would ask for one on the terminal.
    return ""
