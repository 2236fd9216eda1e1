"""The shelf straight over a serial port: our end of the line, with the connections that the machine opens.

It can be run, drained and aborted as the server of sockets can. The line runs in a thread of its own, so that Ctrl-C
never stops it between two steps.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from ipaddress import IPv4Address

from discprep.errors import LineError
from discprep.link.encapsulation import negotiated
from discprep.link.line import characters_per_second
from discprep.model import LinkSettings
from discprep.peer import loop
from discprep.peer.carrier import Carrier, Slip
from discprep.peer.host import Host
from discprep.peer.line import Line
from discprep.peer.port import Port
from discprep.peer.ppp import Ppp
from discprep.serve.exchange import Answers
from discprep.serve.talk import Talk

PORTS = (80, 8080)
_SYN_BYTES = 44
_SILENT_S = 30.0  # nothing heard for so long is said
_NONSENSE_BYTES = 400  # so many without one sound packet are said


@dataclass(frozen=True, slots=True)
class Ends:
    """The two addresses of the line."""

    own: IPv4Address
    machine: IPv4Address


def carrier_of(link: LinkSettings, ends: Ends) -> Carrier:
    """What carries packets over this link."""
    if link.protocol != "ppp":
        return Slip(link.mtu_bytes, compress=link.protocol == "cslip")
    wanted = negotiated(link)
    return Ppp(
        ends.own, ends.machine, mtu_bytes=link.mtu_bytes, accm=wanted.accm or 0,
        short_fields=bool(wanted.field_compression), compress=bool(wanted.header_compression), magic=_random,
    )  # fmt: skip


def _random() -> int:
    return secrets.randbits(32)


class LineServer:
    """Serves over an open port until told to stop.

    Args:
        port: is closed when it ends
        say: told, in words, what a person at the machine should know
    """

    def __init__(
        self, port: Port, link: LinkSettings, ends: Ends, answers: Answers, *, say: Callable[[str], None] = print,
    ) -> None:  # fmt: skip
        self._port, self._ends, self._answers = port, ends, answers
        self._char_s = characters_per_second(link.rate_bit_s, link.framing)
        self._waker = loop.Waker()
        self._talks: list[Talk] = []
        self._count = 0
        self._ended = threading.Event()
        self._aborted = self._draining = False
        self._fault: BaseException | None = None
        host = Host(ends.own, self._talk, first=_random, mtu_bytes=link.mtu_bytes)
        self.line = Line(carrier_of(link, ends), host, self._char_s, time.monotonic())
        self._watch = _Watch(self.line, ends, link, port.name, say, time.monotonic())
        self._thread = threading.Thread(target=self._carry, daemon=True)

    @property
    def running(self) -> int:
        """Replies under way."""
        return sum(talk.busy for talk in self._talks)

    def run(self) -> None:
        """Until `stop`, or the port is gone.

        Raises:
            LineError: the port is gone
        """
        self._thread.start()
        while not self._ended.wait(0.5):
            if self._draining:
                return
        self._raise()

    def stop(self) -> None:
        """Ends `run`, from any thread; running transfers go on."""
        self._draining = True

    def drain(self) -> int:
        """Waits for the running transfers and gives the port back. Returns how many there were."""
        self.stop()
        count = self.running
        while not self._ended.is_set() and self.running:
            self._ended.wait(0.05)
        self.abort()
        return count

    def abort(self) -> None:
        """Ends everything at once and gives the port back."""
        self._draining = self._aborted = True
        self._waker.wake()
        if self._thread.is_alive():
            self._thread.join(2.0)
        self._port.close(drop=True)

    def _raise(self) -> None:
        if self._fault is not None:
            raise LineError(
                f"the port is gone: {self._fault}",
                where=self._port.name,
                hint="Look whether the adapter is still plugged in, then start again: what the machine has is logged.",
            ) from self._fault

    def _carry(self) -> None:
        try:
            loop.run(self.line, self._port, self._over, waker=self._waker, heard=self._watch.heard)
            loop.say_good_bye(self.line, self._port)
        except OSError as error:
            self._fault = error
        except Exception as error:
            self._answers.trouble(f"the line failed: {type(error).__name__}: {error}")
            self._fault = error
        finally:
            self.line.host.abort()
            self._ended.set()
            self._waker.close()

    def _over(self) -> bool:
        self._watch.look(time.monotonic())
        self._talks = [talk for talk in self._talks if not talk.gone]
        return self._aborted

    def _talk(self, source: IPv4Address, port: int, own: int) -> Talk | None:
        if own not in PORTS or self._draining:
            return None
        self._count += 1
        began_s = time.monotonic() - _SYN_BYTES / self._char_s
        talk = Talk(self._answers, str(source), (str(self._ends.own), own), self._count, began_s, self._waker.wake)
        self._talks.append(talk)
        return talk


class _Watch:
    """Says once each what a person at the machine should know of the line."""

    def __init__(
        self, line: Line, ends: Ends, link: LinkSettings, port: str, say: Callable[[str], None], now: float
    ) -> None:
        self._line, self._ends, self._link, self._port, self._say = line, ends, link, port, say
        self._said: set[str] = set()
        self._began_s = now
        self._ready = line.carrier.ready

    def heard(self, data: bytes) -> None:
        self._once("bytes", "the line is alive: first bytes have come")

    def look(self, now: float) -> None:
        line, carrier, host = self._line, self._line.carrier, self._line.host
        if now - self._began_s > _SILENT_S and not line.received_bytes:
            self._once(
                "silent", f"nothing has come yet: end this, then `discprep listen {self._port}` helps to find why"
            )
        if (
            line.received_bytes > _NONSENSE_BYTES
            and not host.seen
            and (self._link.protocol != "ppp" or carrier.hurt > 5)
        ):
            self._once(
                "nonsense", "bytes come, but no sound packet: rate or protocol differ between the ends; end this, then "
                f"`discprep listen {self._port}` tells what they are",
            )  # fmt: skip
        if host.echoed or carrier.looped:
            self._once(
                "loop", "what this end sends comes back: a loop-back is in place, or the other end echoes (a terminal "
                "program, a modem); start the machine's IP stack",
            )  # fmt: skip
        if carrier.ready != self._ready:
            self._ready = carrier.ready
            self._say(f"PPP is {'up' if self._ready else 'down: ' + carrier.state}")
        for address in set(host.seen) - {self._ends.machine}:
            words = f"the machine sends from {address}, and {self._ends.machine} was expected: it is served too"
            self._once(str(address), words)

    def _once(self, key: str, words: str) -> None:
        if key not in self._said:
            self._said.add(key)
            self._say(words)
