"""`listen`: what comes over a serial line, in words, while one works at the machine."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from ipaddress import IPv4Address
from pathlib import Path

from discprep.errors import LineError, UsageError
from discprep.job.far_end import LEVELS, MACHINE, OWN, ends_of
from discprep.job.sheet.ladder import NAMES
from discprep.link.ends import bridge_flow
from discprep.link.line import characters_per_second
from discprep.manifest import load_manifest
from discprep.model import Flow, LinkProtocol, LinkSettings, Manifest, Progress
from discprep.peer.heard import GARBAGE_BYTES, Ear, Finding, Search, lines_words
from discprep.peer.host import Host
from discprep.peer.ip import Packet
from discprep.peer.line import Line
from discprep.peer.port import Lines, Port
from discprep.report.listen import Ended, Event, Heard, Started
from discprep.serve.line_server import Ends, carrier_of

SILENT_S = 10.0
_RATE_S = 1.0  # at least so long at one rate
_PATIENT_S = 5.0  # a few senseless bytes and then so long: the next rate
_LINES_S = 0.5
_MARK_S = 1.0
_MOST_WAIT_S = 0.2
_DEFAULT_RATE_BIT_S = 9600


@dataclass(frozen=True, slots=True)
class Wish:
    """What the user asked.

    Attributes:
        rate_bit_s: None: the manifest's, else the usual ones in turn
        answer: take part: ping, a name, PPP
        loop: send marks and see whether they come back
        seconds: end by itself after so long; None: at Ctrl-C
    """

    port: str
    manifest: Path | None = None
    rate_bit_s: int | None = None
    framing: str | None = None
    flow: Flow | None = None
    answer: bool = False
    loop: bool = False
    seconds: float | None = None


def listen(
    wish: Wish, tell: Callable[[Event], None], progress: Progress, *, machine: Path | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> Ended:  # fmt: skip
    """Listens until Ctrl-C, or for so long.

    Raises:
        ManifestError: the manifest
        UsageError: the port, or wishes that exclude each other
        LineError: the port is gone
    """
    if wish.answer and wish.loop:
        raise UsageError("--answer and --loop exclude each other", hint="Look for the loop first, then answer.")
    manifest = load_manifest(wish.manifest, machine=machine) if wish.manifest else None
    setting = _setting(wish, manifest)
    with Port(wish.port, setting.rate_bit_s, setting.framing, setting.flow) as port:
        session = Session(port, wish, setting, tell, progress, clock)
        try:
            session.run()
        except KeyboardInterrupt:
            pass
        except OSError as error:
            hint = "Look at the adapter's plug."
            raise LineError(f"the port is gone: {error}", where=wish.port, hint=hint) from error
        return session.ended()


@dataclass(frozen=True, slots=True)
class Setting:
    """The line as it is listened to, and what the manifest, if any, expects on it."""

    rate_bit_s: int
    fixed: bool
    framing: str
    flow: Flow
    link: LinkSettings | None
    ends: Ends
    addresses: tuple[str, str]


def _setting(wish: Wish, manifest: Manifest | None) -> Setting:
    link = manifest.link if manifest else None
    rate = wish.rate_bit_s or (link.rate_bit_s if link else _DEFAULT_RATE_BIT_S)
    ends = ends_of(manifest) if manifest else Ends(OWN, MACHINE)
    bridge = manifest.bridge if manifest else None
    return Setting(
        rate, wish.rate_bit_s is not None, wish.framing or (link.framing if link else "8N1"),
        wish.flow or (bridge_flow(manifest.bridge, manifest.profile) if manifest else "none"), link, ends,
        (bridge.address, bridge.machine_address) if bridge else ("", ""),
    )  # fmt: skip


class Session:
    """One evening's listening."""

    def __init__(
        self, port: Port, wish: Wish, setting: Setting, tell: Callable[[Event], None], progress: Progress,
        clock: Callable[[], float],
    ) -> None:  # fmt: skip
        self._port, self._wish, self._setting = port, wish, setting
        self._tell, self._progress, self._clock = tell, progress, clock
        expected = setting.link.protocol if setting.link else None
        self._ear = Ear(expected, *setting.addresses, answering=wish.answer)
        self._ends = setting.ends
        self._search = Search(setting.rate_bit_s, fixed=setting.fixed)
        self._began_s = self._rate_since_s = self._looked_s = clock()
        self._marked_s = self._began_s - _MARK_S
        self._mark = f"loop {secrets.token_hex(4)}".encode()
        self._lines: Lines | None = None
        self._line: Line | None = None
        self._waiting = b""
        self._recent = b""
        self._bytes = self._findings = 0
        self._silence_told = self._up_told = self._loop_told = False

    def run(self) -> None:
        """Until the time is over."""
        self._tell(Started(self._wish.port, self._setting.rate_bit_s, self._setting.framing, (LEVELS,)))
        while not self._over(self._clock()):
            self._turn()

    def ended(self) -> Ended:
        return Ended(self._bytes, self._search.rate_bit_s, self._findings)

    def _over(self, now: float) -> bool:
        return self._wish.seconds is not None and now - self._began_s >= self._wish.seconds

    def _turn(self) -> None:
        now = self._clock()
        self._look_at_lines(now)
        self._send(now)
        data = self._port.read(self._wait_s(self._clock()))
        now = self._clock()
        if data:
            self._take(data, now)
        elif not self._bytes and not self._silence_told and now - self._began_s >= SILENT_S:
            self._silence_told = True
            self._found(_SILENCE)
        if not self._search.settled:
            self._maybe_next_rate(now)

    def _found(self, finding: Finding) -> None:
        self._findings += 1
        self._tell(Heard(finding.kind, finding.words, finding.hint, finding.rung, NAMES[finding.rung]))

    # ---- handshake lines

    def _look_at_lines(self, now: float) -> None:
        if self._lines is not None and now - self._looked_s < _LINES_S:
            return
        self._looked_s = now
        lines = self._port.lines()
        if lines != self._lines:
            self._lines = lines
            words, hint = lines_words(lines)
            self._found(Finding("handshake", words, hint, "prompt"))

    # ---- what comes

    def _take(self, data: bytes, now: float) -> None:
        self._bytes += len(data)
        findings = self._ear.hear(data)
        if self._comes_back(data):
            return
        if not self._search.settled and not self._ear.senseless_bytes:
            self._settle()
        for finding in findings:
            self._found(finding)
            if finding.packet and self._line is None and self._setting.link is None:
                self._take_address(finding.packet)
        spoken = next((finding.protocol for finding in findings if finding.protocol), None)
        if spoken and self._wish.answer and self._line is None:
            self._take_part(spoken, now)
        if self._line is not None:
            self._line.receive(data, now)
            self._tell_up()

    def _take_address(self, packet: Packet) -> None:
        """Without a manifest this end is whom the machine asks: SLIP has no other way to tell."""
        if not (packet.target.is_multicast or packet.target.packed[3] == 255 or packet.target == packet.source):
            self._ends = Ends(packet.target, packet.source)

    def _comes_back(self, data: bytes) -> bool:
        self._recent = (self._recent + data)[-4096:]
        if not self._wish.loop or self._mark not in self._recent:
            return False
        self._recent = b""
        if not self._loop_told:
            self._loop_told = True
            self._found(_LOOP)
        return True

    def _settle(self) -> None:
        self._search.settled = True
        rate, first = self._search.rate_bit_s, self._setting.rate_bit_s
        if rate != first:
            said = "the manifest says" if self._setting.link else "this end began with"
            self._found(Finding(
                "rate-found", f"at {rate} bit/s it makes sense; {said} {first}",
                f"Set the machine to {first}, or rate = {rate} in [link] and [bridge].", "prompt",
            ))  # fmt: skip

    def _maybe_next_rate(self, now: float) -> None:
        senseless, since_s = self._ear.senseless_bytes, now - self._rate_since_s
        if (senseless >= GARBAGE_BYTES and since_s >= _RATE_S) or (senseless >= 4 and since_s >= _PATIENT_S):
            rate = self._search.next()
            self._rate_since_s = now
            if rate != self._setting.rate_bit_s or self._bytes:
                self._progress.say(f"no sense yet; listening at {rate} bit/s")
            self._port.set_rate(rate)
            self._ear.clear()

    # ---- what leaves

    def _send(self, now: float) -> None:
        if self._wish.loop and now - self._marked_s >= _MARK_S:
            self._marked_s = now
            self._waiting = self._waiting or self._mark + b"\r\n"
        if self._line is not None and not self._waiting:
            self._waiting = self._line.next_bytes(now)
        if self._waiting:
            self._waiting = self._waiting[self._port.write(self._waiting) :]

    def _wait_s(self, now: float) -> float:
        if self._waiting:
            return 0.02
        due_s = self._line.due_s(now) if self._line else None
        return _MOST_WAIT_S if due_s is None else min(_MOST_WAIT_S, max(0.0, due_s - now))

    def _take_part(self, protocol: LinkProtocol, now: float) -> None:
        """Answers from now on, in what the machine speaks."""
        setting, rate = self._setting, self._search.rate_bit_s
        link = setting.link or LinkSettings(rate, setting.framing, mtu_bytes=1500, accm=0, field_compression=True)
        carrier = carrier_of(replace(link, protocol=protocol), self._ends)
        host = Host(self._ends.own, _nobody, first=lambda: secrets.randbits(32), mtu_bytes=link.mtu_bytes)
        self._line = Line(carrier, host, characters_per_second(rate, setting.framing), now)

    def _tell_up(self) -> None:
        assert self._line
        carrier = self._line.carrier
        if carrier.ready and not self._up_told:
            self._up_told = True
            ends = self._ends
            self._found(Finding(
                "answering", f"this end answers as {ends.own}; the machine is expected as {ends.machine}",
                f"Ping {ends.own} from the machine, then look up the name `shelf`.", "address",
            ))  # fmt: skip


def _nobody(source: IPv4Address, port: int, own: int) -> None:
    return None


_SILENCE = Finding(
    "silence", f"nothing has come for {SILENT_S:.0f} s",
    "Type or ping at the machine. If nothing comes: transmit and receive not crossed, no common ground, another port, "
    "or the machine waits for a handshake line. Its own loop-back tells whether its port works.", "prompt", sense=False,
)  # fmt: skip
_LOOP = Finding(
    "loop", "what this end sends comes back: a loop is in place, or the machine echoes",
    "The adapter and the cable up to there are good. Take the loop away: nothing must come back any more.", "loop",
)  # fmt: skip
