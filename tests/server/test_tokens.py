import hmac

import pytest

from server import tokens
from server.tokens import Tokens, TokenState, fingerprint


class Clock:
    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


def test_a_token_holds_256_random_bits_in_url_safe_text():
    issued = {Tokens(10).issue() for _ in range(100)}
    assert len(issued) == 100
    # 32 bytes in base64url without padding (RFC 4648, section 5) are 43 characters.
    assert all(len(token) == 43 for token in issued)
    assert all(c.isalnum() or c in "-_" for token in issued for c in token)


def test_a_token_is_valid_until_its_life_is_over():
    clock = Clock()
    known = Tokens(60, clock)
    token = known.issue()
    assert known.check(token) is TokenState.VALID
    clock.now_s += 59.9
    assert known.check(token) is TokenState.VALID
    clock.now_s += 0.1
    assert known.check(token) is TokenState.EXPIRED


def test_revoking_ends_one_token_and_no_other():
    known = Tokens(60)
    first, second = known.issue(), known.issue()
    known.revoke(first)
    known.revoke("never issued")
    assert known.check(first) is TokenState.UNKNOWN
    assert known.check(second) is TokenState.VALID


@pytest.mark.parametrize("wrong", ["", " ", "a" * 43, "ü", "\udcff", "x" * 100_000])
def test_any_other_text_is_unknown(wrong):
    known = Tokens(60)
    known.issue()
    assert known.check(wrong) is TokenState.UNKNOWN


def test_comparison_is_in_constant_time_over_every_token(monkeypatch):
    known = Tokens(60)
    issued = [known.issue() for _ in range(3)]
    compared = []
    compare = hmac.compare_digest

    def counting(a: bytes, b: bytes) -> bool:
        compared.append((a, b))
        return compare(a, b)

    monkeypatch.setattr(tokens.hmac, "compare_digest", counting)
    assert known.check(issued[0]) is TokenState.VALID
    assert len(compared) == 3
    assert all(len(a) == len(b) == 32 for a, b in compared)


def test_the_token_itself_is_not_kept():
    known = Tokens(60)
    token = known.issue()
    assert token not in repr(vars(known))
    assert token not in fingerprint(token)
