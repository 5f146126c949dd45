"""The secret in the page's address: made, checked in constant time, expired, revoked."""

from __future__ import annotations

import hashlib
import hmac
import secrets
import time
from collections.abc import Callable
from enum import StrEnum

TOKEN_BYTES = 32  # 256 bits: not guessable over any network


class TokenState(StrEnum):
    """What is known of a token."""

    VALID = "valid"
    EXPIRED = "expired"
    UNKNOWN = "unknown"


class Tokens:
    """The tokens that this server has issued. Only their SHA-256 digests are kept.

    `life_s` seconds of validity; `clock` gives seconds (the wall clock, because a laptop's
    monotonic clock may stand still while its lid is closed).
    """

    def __init__(self, life_s: float, clock: Callable[[], float] = time.time) -> None:
        self._life_s = life_s
        self._clock = clock
        self._expires_s: dict[bytes, float] = {}

    def issue(self) -> str:
        """A new token, URL-safe text."""
        token = secrets.token_urlsafe(TOKEN_BYTES)
        self._expires_s[_digest(token)] = self._clock() + self._life_s
        return token

    def check(self, token: str) -> TokenState:
        """The state of a token; every stored digest is compared, each in constant time."""
        given = _digest(token)
        found: float | None = None
        for known, expires_s in self._expires_s.items():
            if hmac.compare_digest(known, given):
                found = expires_s
        if found is None:
            return TokenState.UNKNOWN
        return TokenState.VALID if self._clock() < found else TokenState.EXPIRED

    def revoke(self, token: str) -> None:
        """Make a token invalid at once. An unknown token is ignored."""
        self._expires_s.pop(_digest(token), None)


def fingerprint(token: str) -> str:
    """A name for a token that does not give it away."""
    return _digest(token).hex()


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode("utf-8", "surrogateescape")).digest()
