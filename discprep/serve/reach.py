"""Which addresses a server answers at, and who can reach them."""

from __future__ import annotations

import ipaddress
import socket
from dataclasses import dataclass

from discprep.errors import UsageError

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
_PROBES = ((socket.AF_INET, "192.0.2.1"), (socket.AF_INET6, "2001:db8::1"))  # RFC 5737, RFC 3849: no real host


@dataclass(frozen=True, slots=True)
class Reachable:
    """One address the shelf answers at; `public` when anyone on the Internet may reach it."""

    address: str
    port: int
    who: str
    public: bool
    scheme: str = "http"

    @property
    def url(self) -> str:
        host = f"[{self.address}]" if ":" in self.address else self.address
        usual = {"http": 80, "ftp": 21}[self.scheme]
        return f"{self.scheme}://{host}/" if self.port == usual else f"{self.scheme}://{host}:{self.port}/"


def parse_bind(text: str, flag: str = "--bind") -> tuple[str, int]:
    """`ADDR:PORT` as the user wrote it: `192.0.2.10:8080`, `[::1]:8080`, `0.0.0.0:80`. Port 0: any free one.

    Raises:
        UsageError: no address of this form
    """
    host, colon, port = text.rpartition(":")
    try:
        address = ipaddress.ip_address(host.strip("[]"))
        if not colon or not port.isascii() or not port.isdigit() or int(port) > 65_535:
            raise ValueError(text)
    except ValueError:
        raise UsageError(
            f"{flag} wants ADDRESS:PORT, it got {text!r}",
            hint=f"For example {flag} 192.0.2.10:8080. This computer's addresses: "
            + ", ".join(str(own) for own in own_addresses()) + ".",
        ) from None  # fmt: skip
    return str(address), int(port)


def own_addresses() -> tuple[Address, ...]:
    """This computer's addresses as far as the system tells: loopback, then those its routes and its name give.
    Connecting a datagram socket sends nothing."""
    found: dict[Address, None] = {ipaddress.ip_address("127.0.0.1"): None}
    for family, target in _PROBES:
        try:
            with socket.socket(family, socket.SOCK_DGRAM) as probe:
                probe.connect((target, 9))
                found[_address(probe.getsockname()[0])] = None
        except OSError:
            continue
    try:
        for entry in socket.getaddrinfo(socket.gethostname(), None):
            found[_address(str(entry[4][0]))] = None
    except (OSError, ValueError):
        pass
    return tuple(found)


def likely_bind(own: tuple[Address, ...] | None = None, port: int = 8080) -> str:
    """An ADDRESS:PORT that `parse_bind` takes: this computer's first address that only its own network reaches, else
    the loopback's.

    >>> likely_bind((ipaddress.ip_address("127.0.0.1"), ipaddress.ip_address("10.1.2.3")))
    '10.1.2.3:8080'
    """
    known = own_addresses() if own is None else own
    near = [address for address in known if not (address.is_loopback or address.is_global or address.is_link_local)]
    first = next(iter(near), ipaddress.ip_address("127.0.0.1"))
    return f"[{first}]:{port}" if first.version == 6 else f"{first}:{port}"


def _address(text: str) -> Address:
    return ipaddress.ip_address(text.partition("%")[0])


def reachable(
    host: str, port: int, own: tuple[Address, ...] | None = None, scheme: str = "http"
) -> tuple[Reachable, ...]:
    """The addresses behind a bound one: itself, or all of this computer's when it is the unspecified one."""
    bound = ipaddress.ip_address(host)
    if not bound.is_unspecified:
        return (_judged(bound, port, scheme),)
    known = own_addresses() if own is None else own
    return tuple(_judged(address, port, scheme) for address in known if bound.version == 6 or address.version == 4)


def _judged(address: Address, port: int, scheme: str) -> Reachable:
    return Reachable(str(address), port, who(address), address.is_global, scheme)


def who(address: Address) -> str:
    """Who can reach an address, in words, by the IANA registries that `ipaddress` holds."""
    if address.is_loopback:
        return "only this computer"
    if address.is_global:
        return "anyone on the Internet who can route to it"
    if address.is_link_local:
        return "machines on the same cable"
    return "machines on the same network"
