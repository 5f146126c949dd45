"""The secrets in the pages' addresses: made, checked in constant time, expired, revoked."""

from __future__ import annotations

import hashlib
import hmac
import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

TOKEN_BYTES = 32  # 256 bits: not guessable over any network


class TokenState(StrEnum):
    """What is known of a token."""

    VALID = "valid"
    EXPIRED = "expired"
    UNKNOWN = "unknown"


class Role(StrEnum):
    """What a token's holder may do. A coach may do whatever a phone may."""

    PHONE = "phone"
    COACH = "coach"

    def may(self, needed: Role) -> bool:
        """Whether this role suffices where `needed` is asked for."""
        return self is Role.COACH or self is needed


@dataclass(frozen=True, slots=True)
class _Issued:
    role: Role
    expires_s: float


class Tokens:
    """The tokens that this server has issued. Only their SHA-256 digests are kept.

    `life_s` seconds of validity; `clock` gives seconds (the wall clock, because a laptop's
    monotonic clock may stand still while its lid is closed).
    """

    def __init__(self, life_s: float, clock: Callable[[], float] = time.time) -> None:
        self._life_s = life_s
        self._clock = clock
        self._issued: dict[bytes, _Issued] = {}

    def issue(self, role: Role = Role.PHONE) -> str:
        """A new token, URL-safe text."""
        token = secrets.token_urlsafe(TOKEN_BYTES)
        self._issued[_digest(token)] = _Issued(role, self._clock() + self._life_s)
        return token

    def check(self, token: str) -> TokenState:
        """The state of a token; every stored digest is compared, each in constant time."""
        found = self._find(token)
        if found is None:
            return TokenState.UNKNOWN
        return TokenState.VALID if self._clock() < found.expires_s else TokenState.EXPIRED

    def role(self, token: str) -> Role | None:
        """What a token was issued for, valid or expired; None for an unknown one."""
        found = self._find(token)
        return None if found is None else found.role

    def revoke(self, token: str) -> None:
        """Make a token invalid at once. An unknown token is ignored."""
        self._issued.pop(_digest(token), None)

    def revoke_all(self, role: Role) -> frozenset[str]:
        """Make every token of a role invalid at once. Returns their fingerprints."""
        gone = [digest for digest, issued in self._issued.items() if issued.role is role]
        for digest in gone:
            del self._issued[digest]
        return frozenset(digest.hex() for digest in gone)

    def _find(self, token: str) -> _Issued | None:
        given = _digest(token)
        found: _Issued | None = None
        for known, issued in self._issued.items():
            if hmac.compare_digest(known, given):
                found = issued
        return found


def fingerprint(token: str) -> str:
    """A name for a token that does not give it away."""
    return _digest(token).hex()


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode("utf-8", "surrogateescape")).digest()
