"""How many of something may go through, at once and in the long run."""

from __future__ import annotations

import pytest

from dewline.followers.token_bucket import TokenBucket


def spend(bucket: TokenBucket, now: float) -> bool:
    """Spend a token where a whole one is there."""
    if bucket.wait(now):
        return False
    bucket.spend(now)
    return True


def test_it_never_holds_more_than_its_size() -> None:
    """However long nothing was spent, only ``size`` go at once; time going back gives nothing."""
    bucket = TokenBucket(3, period=3.0)
    assert [spend(bucket, 1e6) for _ in range(4)] == [True, True, True, False]
    assert bucket.wait(0.0)


def test_the_wait_is_until_the_next_whole_token() -> None:
    """Two tokens a minute are one in 30 s; what is gained of it already counts."""
    bucket = TokenBucket(2, period=60.0)
    bucket.spend(1000.0)
    bucket.spend(1000.0)
    assert bucket.wait(1020.0) == pytest.approx(10.0)
    assert bucket.wait(1030.0) == 0.0


def test_a_token_may_be_spent_in_advance() -> None:
    """What is spent without a whole token has to be gained first."""
    bucket = TokenBucket(1, period=60.0)
    bucket.spend(0.0)
    bucket.spend(0.0)
    assert bucket.wait(0.0) == pytest.approx(120.0)
