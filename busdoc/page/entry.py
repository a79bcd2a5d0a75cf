"""Who may look, and who may log: secrets that a link carries, tokens that a phone keeps, and the wait after wrong ones.

A secret or a token has 128 bits from the operating system, so that guessing is hopeless whatever the pace (NIST
SP 800-63B, 5.1.4, asks for 64 and a limit on tries; common practice: 128). Tokens are kept as their SHA-256 alone.
"""

import hashlib
import hmac
import ipaddress
import secrets
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Entry", "MustWait", "Phone", "Role"]

_SECRET_BYTES = 16
_WRONG_ONES = 5
_FIRST_WAIT_S = 30.0
_LONGEST_WAIT_S = 600.0
_MOST_ADDRESSES = 512
_MOST_PHONES = 32


class Role(StrEnum):
    """What a link is for."""

    LOG = "log"
    VIEW = "view"


@dataclass(frozen=True, slots=True, kw_only=True)
class Phone:
    """A phone that has joined."""

    name: str
    """Made up; no secret."""
    role: Role


class MustWait(Exception):
    """Wrong secrets came from this address: nothing is looked at for a while."""

    def __init__(self, wait_s: float) -> None:
        super().__init__(wait_s)
        self.wait_s = wait_s


class Entry:
    """The door.

    Parameters
    ----------
    clock_s : a clock that only goes on, s
    known : SHA-256 of tokens that an earlier run of the session gave out, and what they are for
    """

    def __init__(self, clock_s: Callable[[], float], known: Mapping[str, Role] | None = None) -> None:
        self._clock_s = clock_s
        self._secrets = {role: secrets.token_urlsafe(_SECRET_BYTES) for role in Role}
        self._phones: OrderedDict[str, Phone] = OrderedDict()
        self._wrong: OrderedDict[str, tuple[int, float]] = OrderedDict()
        """By address: (wrong secrets, until when it waits)."""
        for digest, role in (known or {}).items():
            self._phones[digest] = Phone(name=digest[:12], role=role)

    def secret(self, role: Role) -> str:
        """Give the secret of a link: 22 letters of base64url (RFC 4648, section 5)."""
        return self._secrets[role]

    def join(self, secret: str, address: str) -> tuple[str, Phone] | None:
        """Take a secret for a token; None: it is wrong.

        Raises
        ------
        MustWait : too many wrong ones came from this address
        """
        place, now_s = _place_of(address), self._clock_s()
        wrong, until_s = self._wrong.get(place, (0, 0.0))
        if now_s < until_s:
            raise MustWait(until_s - now_s)
        given = secret.encode("utf-8", "replace")
        fits = [role for role, own in self._secrets.items() if hmac.compare_digest(own.encode(), given)]
        if not fits:
            self._note_wrong(place, wrong + 1, now_s)
            return None
        self._wrong.pop(place, None)
        token = secrets.token_urlsafe(_SECRET_BYTES)
        digest = _digest(token)
        phone = Phone(name=digest[:12], role=fits[0])
        while len(self._phones) >= _MOST_PHONES:
            self._phones.popitem(last=False)
        self._phones[digest] = phone
        return token, phone

    def phone(self, token: str | None) -> Phone | None:
        """Give the phone that a token was given to; None: to none."""
        return None if not token else self._phones.get(_digest(token))

    def kept(self) -> dict[str, str]:
        """Give what the next run of the session has to know of the phones."""
        return {digest: str(phone.role) for digest, phone in self._phones.items()}

    def _note_wrong(self, place: str, n: int, now_s: float) -> None:
        over = n - _WRONG_ONES
        until_s = 0.0 if over < 0 else now_s + min(_LONGEST_WAIT_S, _FIRST_WAIT_S * 2.0 ** min(over, 10))
        self._wrong[place] = (n, until_s)
        self._wrong.move_to_end(place)
        while len(self._wrong) > _MOST_ADDRESSES:
            self._wrong.popitem(last=False)


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()


def _place_of(address: str) -> str:
    """Give what counts as one address: of IPv6 a whole network, since a guest there has all of its addresses."""
    try:
        parsed = ipaddress.ip_address(address)
    except ValueError:
        return address
    if isinstance(parsed, ipaddress.IPv6Address):
        if parsed.ipv4_mapped is not None:
            return str(parsed.ipv4_mapped)
        return str(ipaddress.ip_network((parsed, 64), strict=False))
    return str(parsed)
