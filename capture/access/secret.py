"""PINs and passwords: which are taken, how they are hashed. Needs the extra ``web``."""

import unicodedata
from functools import cached_property

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from capture.errors import InputError

_DIGITS = 6
_CHARACTERS = 10
_LONGEST = 200
_RUNS = "01234567890", "09876543210"


def check_secret(secret: str) -> str:
    """Give a secret that may be used, as it is hashed.

    Raises:
        InputError: too short, too long, or among the first that anybody would try.
    """
    text = _composed(secret)
    pin = text.isascii() and text.isdigit()
    if not (pin and len(text) >= _DIGITS) and len(text) < _CHARACTERS:
        raise InputError(
            f"expected a PIN of at least {_DIGITS} digits or a password of at least "
            f"{_CHARACTERS} characters"
        )
    if len(text) > _LONGEST:
        raise InputError(f"more than {_LONGEST} characters are not taken")
    if len(set(text)) == 1 or any(text in run for run in _RUNS):
        raise InputError("one character repeated, and digits in a row, are tried first by anybody")
    return text


class Hasher:
    """Hashes secrets with Argon2id, slowly on purpose.

    Three passes over 64 MiB as in the second recommended option of RFC 9106, section 4, but in one
    lane instead of four: a flood of log-ins then takes one core from the bench at most.
    """

    def __init__(self, passes: int = 3, kibibytes: int = 65_536) -> None:
        self._argon = PasswordHasher(time_cost=passes, memory_cost=kibibytes, parallelism=1)

    @cached_property
    def _nobody(self) -> str:
        """What is verified against where there is no such operator.

        Made when somebody first tries, not at every start: a bench that asks for no secret never
        needs it, and it costs a sixth of a second.
        """
        return self._argon.hash("nobody's")

    def hash(self, secret: str) -> str:
        """Hash a secret with a salt of its own."""
        return self._argon.hash(_composed(secret))

    def verify(self, hashed: str | None, secret: str) -> bool:
        """Tell whether a secret is the right one; None is the hash of nobody, and never is.

        Takes as long either way.
        """
        nobody = self._nobody  # asked for in both cases, so that the first one tells nothing either
        try:
            self._argon.verify(nobody if hashed is None else hashed, _composed(secret))
        except (VerificationError, InvalidHashError):
            return False
        return hashed is not None


def _composed(secret: str) -> str:
    """Write a secret the same whichever keyboard composed its letters (RFC 8265, section 4.2)."""
    return unicodedata.normalize("NFC", secret)
