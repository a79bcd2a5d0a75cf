"""Secrets, tokens and waits (`busdoc.page.entry`)."""

import pytest

from busdoc.page.entry import Entry, MustWait, Role


class Clock:
    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def test_five_wrong_secrets_and_the_address_waits_ever_longer() -> None:
    clock = Clock()
    entry = Entry(clock)
    assert [entry.join("wrong", "192.0.2.9") for _ in range(5)] == [None] * 5
    waits = []
    for _ in range(6):
        with pytest.raises(MustWait) as told:
            entry.join(entry.secret(Role.LOG), "192.0.2.9")  # the right one too: nothing is looked at
        waits.append(told.value.wait_s)
        clock.now_s += told.value.wait_s
        assert entry.join("wrong", "192.0.2.9") is None
    assert waits == [30.0, 60.0, 120.0, 240.0, 480.0, 600.0]
    assert entry.join(entry.secret(Role.LOG), "192.0.2.10") is not None


def test_all_addresses_of_one_ipv6_network_wait_together() -> None:
    entry = Entry(Clock())
    for n in range(5):
        entry.join("wrong", f"2001:db8::{n}")
    with pytest.raises(MustWait):
        entry.join(entry.secret(Role.LOG), "2001:db8::99")


def test_a_link_is_for_logging_or_for_looking() -> None:
    entry = Entry(Clock())
    for role in Role:
        found = entry.join(entry.secret(role), "192.0.2.1")
        assert found is not None
        token, phone = found
        assert phone.role is role
        assert entry.phone(token) == phone
    assert entry.phone("") is None
    assert entry.phone(entry.secret(Role.LOG)) is None  # a secret is no token


def test_secrets_and_tokens_hold_128_bits_and_are_drawn_anew() -> None:
    entries = [Entry(Clock()) for _ in range(20)]
    drawn = {entry.secret(role) for entry in entries for role in Role}
    assert len(drawn) == 40
    assert {len(secret) for secret in drawn} == {22}  # 6 bits a letter, RFC 4648 section 5: 22 letters hold 128


def test_a_token_is_kept_as_its_digest_and_known_after_a_new_start() -> None:
    entry = Entry(Clock())
    found = entry.join(entry.secret(Role.VIEW), "192.0.2.1")
    assert found is not None
    kept = entry.kept()
    assert found[0] not in str(kept)
    again = Entry(Clock(), {digest: Role(role) for digest, role in kept.items()})
    assert again.phone(found[0]) == found[1]
    assert again.join(entry.secret(Role.VIEW), "192.0.2.1") is None  # an old link lets nobody in
