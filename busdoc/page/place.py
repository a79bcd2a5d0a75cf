"""Where the page is served: on which addresses of this computer, at which port, under which names, encrypted or not."""

import contextlib
import errno
import ipaddress
import socket
import ssl
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from busdoc.errors import InputError, found_instead

__all__ = ["LAN", "PORT", "Place", "bind", "is_for_this_computer_alone"]

PORT = 8717
"""Unless another is asked for."""
LAN = "lan"
_TRIED_PORTS = 20
_BACKLOG = 32
_LOOPBACK = "127.0.0.1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where the page is."""

    sockets: tuple[socket.socket, ...]
    """Bound and not yet listened on."""
    names: tuple[str, ...]
    """Hosts under which it may be asked for, as a browser writes them; the first stands in the link."""
    port: int
    certificate: Path | None = None
    key: Path | None = None

    @property
    def scheme(self) -> str:
        """How it is asked for."""
        return "http" if self.certificate is None else "https"

    @property
    def addresses(self) -> tuple[str, ...]:
        """Its addresses, as links begin."""
        return tuple(f"{self.scheme}://{name}:{self.port}/" for name in self.names)

    def link(self, secret: str) -> str:
        """Give the link that lets a phone in; what stands behind the # is sent to nobody (RFC 3986, section 3.5)."""
        return f"{self.addresses[0]}#{secret}"


def bind(
    on: str | None,
    port: int | None,
    certificate: Path | None = None,
    key: Path | None = None,
    *,
    wished: int | None = None,
) -> Place:
    """Take the addresses and a port; nothing is answered yet.

    Parameters
    ----------
    on : None: this computer alone; `lan`: its addresses in the local network; else one address or name of it
    port : None: the usual one, or the next that is free
    wished : the port that phones know from an earlier run of the session; taken if it is free
    certificate, key : to encrypt with, PEM; the key may stand in the certificate's file

    Raises
    ------
    InputError : no such address, a port that is taken, or a certificate that cannot be used
    """
    if key is not None and certificate is None:
        raise InputError("--page-key", "--page-cert beside it", "no certificate", "Add --page-cert FILE.")
    if certificate is not None:
        _check_certificate(certificate, key)
    names, addresses = _names_and_addresses(on)
    usual = [*([] if wished is None else [wished]), *range(PORT, PORT + _TRIED_PORTS)]
    ports = [port] if port is not None else usual
    for tried in ports:
        try:
            bound = _bind_all(addresses, tried)
        except OSError as error:
            if error.errno not in (errno.EADDRINUSE, errno.EACCES) or tried == ports[-1]:
                found = "one that is taken" if error.errno == errno.EADDRINUSE else found_instead(error)
                raise InputError(
                    f"{', '.join(addresses)} port {tried}",
                    "an address and a port of this computer that are free",
                    found,
                    "Name another with --page-on and --page-port.",
                ) from error
            continue
        number = bound[0].getsockname()[1]
        return Place(sockets=tuple(bound), names=tuple(names), port=number, certificate=certificate, key=key)
    raise AssertionError


def is_for_this_computer_alone(place: Place) -> bool:
    """Whether no phone can reach it."""
    return all(ipaddress.ip_address(one.getsockname()[0].partition("%")[0]).is_loopback for one in place.sockets)


def _names_and_addresses(on: str | None) -> tuple[list[str], list[str]]:
    if on is None:
        return ["localhost", _LOOPBACK], [_LOOPBACK]
    if on.lower() == LAN:
        found = _local_addresses()
        if not found:
            raise InputError(
                "--page-on lan",
                "a network that this computer is in",
                "none",
                "Switch its own hotspot on, or join a network, and begin again; docs/phone.md says how.",
            )
        return found, found
    try:
        address = ipaddress.ip_address(on.strip("[]"))
    except ValueError:
        return _by_name(on)
    if address.is_unspecified or address.is_multicast:
        raise InputError("--page-on", "one address of this computer", on, "Write --page-on lan, or one address.")
    text = str(address)
    return [f"[{text}]" if address.version == 6 else text], [text]


def _by_name(name: str) -> tuple[list[str], list[str]]:
    try:
        found = socket.getaddrinfo(name, None, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError) as error:
        raise InputError(
            "--page-on", "lan, or an address or name of this computer", f'"{name}"', "See its network settings."
        ) from error
    addresses = list(dict.fromkeys(str(row[4][0]) for row in found))
    return [name.lower()], addresses


def _local_addresses() -> list[str]:
    """Give the addresses in private networks (RFC 1918), none that the whole world can reach; wireless ones first."""
    import ifaddr

    found: list[tuple[int, str]] = []
    for adapter in ifaddr.get_adapters():
        for ip in adapter.ips:
            if not isinstance(ip.ip, str):  # IPv6: its private addresses carry a zone, which no link can
                continue
            address = ipaddress.ip_address(ip.ip)
            if address.is_loopback or address.is_link_local or not address.is_private:
                continue
            name = f"{adapter.nice_name} {adapter.name}".lower()
            made_up = any(word in name for word in ("docker", "veth", "virbr", "vmware", "virtualbox", "vethernet"))
            wireless = any(word in name for word in ("wl", "wi-fi", "wifi", "wireless", "ap0", "bridge100"))
            found.append((2 if made_up else 0 if wireless else 1, ip.ip))
    return list(dict.fromkeys(ip for _, ip in sorted(found, key=lambda row: row[0])))


def _bind_all(addresses: Sequence[str], port: int) -> list[socket.socket]:
    bound: list[socket.socket] = []
    try:
        for address in addresses:
            family = socket.AF_INET6 if ":" in address else socket.AF_INET
            one = socket.socket(family, socket.SOCK_STREAM)
            bound.append(one)
            if hasattr(socket, "SO_EXCLUSIVEADDRUSE"):  # Windows lets two programs have one port otherwise
                one.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
            else:
                one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            if family == socket.AF_INET6:
                one.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
            one.bind((address, port))
            if not port:
                port = one.getsockname()[1]
            one.listen(_BACKLOG)  # a port that is taken shows on some systems only here
            one.setblocking(False)
    except OSError:
        for one in bound:
            with contextlib.suppress(OSError):
                one.close()
        raise
    return bound


def _check_certificate(certificate: Path, key: Path | None) -> None:
    try:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(certificate, key, password=_no_password)
    except (OSError, ValueError) as error:
        is_missing = isinstance(error, OSError) and not isinstance(error, ssl.SSLError)
        found = found_instead(error) if isinstance(error, OSError) and is_missing else str(error)
        raise InputError(
            str(certificate),
            "a certificate and its key, as PEM",
            found,
            "Give both with --page-cert FILE and --page-key FILE; docs/phone.md says how one is made.",
        ) from error


def _no_password() -> str:
    raise ValueError("a key that is locked by a password")
