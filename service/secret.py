"""Secrets: passwords and tokens. Only their digests are ever stored."""

import hashlib
import secrets
from threading import BoundedSemaphore

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from service.errors import Refused

MIN_PASSWORD, MAX_PASSWORD = 10, 200
_TOGETHER = BoundedSemaphore(2)  # a check costs 64 MiB and a core for a tenth of a second


def new_token() -> str:
    """Random token of 256 bits, safe in an address or a header."""
    return secrets.token_urlsafe(32)


def digest(token: str) -> str:
    """SHA-256 of a token, in hexadecimal; enough, since a token cannot be guessed."""
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()


class Passwords:
    """Argon2id hashes, with a cost in KiB of memory."""

    def __init__(self, memory_kib: int) -> None:
        self._hasher = PasswordHasher(memory_cost=memory_kib)
        # Checked where there is no account, so that its absence takes as long as a wrong password.
        self._nobody = self._hasher.hash(new_token())

    def hash(self, password: str) -> str:
        """Hash of a new password; raises Refused where it is too short or too long."""
        if not MIN_PASSWORD <= len(password) <= MAX_PASSWORD:
            raise Refused(f"A password needs {MIN_PASSWORD} to {MAX_PASSWORD} characters.")
        with _TOGETHER:
            return self._hasher.hash(password)

    def matches(self, stored: str | None, password: str) -> bool:
        """Whether the password is the stored one; False where nothing is stored."""
        with _TOGETHER:
            try:
                return self._hasher.verify(stored or self._nobody, password) and stored is not None
            except (VerificationError, InvalidHashError):
                return False
