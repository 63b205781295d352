"""What a connection identifies itself with: password and certificates, read from files anew.

Each connection reads them as they are then. While one is in use, `Credentials.have_changed` tells
that a file was replaced and that the new ones can be used; files that do not fit together yet, as
in the middle of a rotation, change nothing.
"""

import ssl
from dataclasses import dataclass
from pathlib import Path

from capture.errors import PublishError
from capture.publish.settings import PublisherSettings, TlsSettings


@dataclass(frozen=True)
class Secrets:
    """What one connection uses. Never printed, never logged."""

    password: str
    context: ssl.SSLContext | None

    def __repr__(self) -> str:
        return "Secrets(…)"


class Credentials:
    """The files of one publisher."""

    def __init__(self, settings: PublisherSettings) -> None:
        self._settings = settings
        self._used: tuple[object, ...] = ()
        self._tried: tuple[object, ...] = ()
        self.fault = ""
        """Why newer files are not used; empty where there are none, or they can be."""

    def read(self) -> Secrets:
        """Read the files for a connection.

        Raises:
            PublishError: one cannot be used; names it.
        """
        self._used = self._tried = self._marks()
        self.fault = ""
        return self._read()

    def have_changed(self) -> bool:
        """Tell whether files differ from those in use, and can be used."""
        marks = self._marks()
        if marks in (self._used, self._tried):
            return False
        self._tried = marks
        try:
            self._read()
        except PublishError as error:
            self.fault = str(error)
            return False
        self.fault = ""
        return True

    def _read(self) -> Secrets:
        settings = self._settings
        password = settings.password
        if settings.password_file is not None:
            password = read_secret(settings.password_file)
        context = None if settings.tls is None else make_context(settings.tls)
        return Secrets(password, context)

    def _marks(self) -> tuple[object, ...]:
        """Give what changes when a file is replaced or written to."""
        tls = self._settings.tls
        paths = [self._settings.password_file]
        if tls is not None:
            paths += [tls.ca, tls.certificate, tls.key, tls.key_password_file]
        return tuple(_mark(path) for path in paths if path is not None)


def make_context(tls: TlsSettings) -> ssl.SSLContext:
    """Make the TLS settings of a connection: TLS 1.2 or newer, certificate and host name checked.

    Raises:
        PublishError: a file cannot be read or used; names it.
    """
    try:
        context = ssl.create_default_context(cafile=None if tls.ca is None else str(tls.ca))
    except (OSError, ValueError) as error:
        raise PublishError(f"{tls.ca}: no certificates of authorities ({_text(error)})") from error
    if tls.certificate is None:
        return context
    password = tls.key_password
    if tls.key_password_file is not None:
        password = read_secret(tls.key_password_file)
    try:
        # With a text given, OpenSSL never asks for one at the terminal.
        context.load_cert_chain(tls.certificate, tls.key, password=password)
    except (OSError, ValueError) as error:
        names = " and ".join(str(path) for path in (tls.certificate, tls.key) if path)
        raise PublishError(
            f"{names}: not a certificate with its key, or the key's password is another "
            f"({_text(error)})"
        ) from error
    return context


def read_secret(path: Path) -> str:
    """Read a secret from its file, without blanks at either end.

    Raises:
        PublishError: the file cannot be read.
    """
    try:
        return path.read_text("utf-8").strip()
    except OSError as error:
        raise PublishError(f"{path}: cannot be read: {_text(error)}") from error
    except UnicodeDecodeError as error:
        raise PublishError(f"{path}: not UTF-8 text (byte {error.start})") from error


def _text(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error)


def _mark(path: Path) -> object:
    try:
        found = path.stat()
    except OSError as error:
        return (path, error.errno)
    return (path, found.st_ino, found.st_mtime_ns, found.st_size)
