"""Whole downloads over HTTP or FTP: what a size takes over the line, as a range, with the parts of the expected time.

The expected time steps through the connection with every input as told. Best and worst do the same with what is not
known for certain at its ends; `Estimate.assumptions` says in words what that was.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

from discprep.link import tcp
from discprep.link.encapsulation import COMPRESSED_BYTES, HEADER_BYTES, negotiated
from discprep.link.path import WINDOW_BYTES, overflows, path_of
from discprep.link.receiver import EACH_SEGMENT, EVERY_SECOND, AckHabit, usual_habit
from discprep.link.sender import RoundTrips, SenderHabit
from discprep.link.stepping import Course, course
from discprep.link.tcp import REQUEST_BYTES
from discprep.model import BridgeSettings, Escapes, LinkSettings, Profile, Seconds

REPLY_BYTES = 200  # the head of the reply; real ones have 200 to 400: common practice, no source
LOOKUP_NAME = "www.files.example"

# FTP (RFC 959): greeting, USER, PASS, TYPE once; PASV and RETR with its two replies for each file.
_FTP_LOGIN_EXCHANGES, _FTP_FILE_EXCHANGES = 4, 3
_FTP_COMMAND_BYTES, _FTP_REPLY_BYTES = 16, 50  # common practice, no source

Scheme = Literal["http", "ftp"]
Server = Literal["own", "other"]
"""own: discprep's own, which knows its line; other: any that may be at the other end."""
Parts = dict[str, float]


@dataclass(frozen=True, slots=True)
class Transfer:
    """What is to come down: `size_bytes` in all, in `files` files. `escapes` are counted, or None;
    `prefixed_bytes` are those that Kermit prefixes, counted, or None."""

    size_bytes: int
    escapes: Escapes | None = None
    files: int = 1
    scheme: Scheme = "http"
    request_bytes: int = REQUEST_BYTES
    reply_bytes: int = REPLY_BYTES
    prefixed_bytes: int | None = None

    @property
    def head_bytes(self) -> int:
        """What goes before a file on the same connection."""
        return self.reply_bytes if self.scheme == "http" else 0


@dataclass(frozen=True, slots=True)
class Case:
    """One way it may go: the path, both ends' habits, the error rate [byte errors per byte], and how many standard
    deviations more packets it hurts than in the mean."""

    path: tcp.Path
    sender: SenderHabit
    ack: AckHabit
    error_rate: float
    luck: float = 0.0


@dataclass(frozen=True, slots=True)
class Estimate:
    """A range of seconds, the payload's rate at the expected time, and in words what the range is made of."""

    seconds: Seconds
    rate_bytes_s: float
    assumptions: tuple[str, ...]


def estimate(
    transfer: Transfer, link: LinkSettings, bridge: BridgeSettings | None = None, profile: Profile | None = None,
    server: Server = "own",
) -> Estimate:  # fmt: skip
    """The whole answer for one transfer."""
    middle = expected_case(link, bridge, profile, server)
    parts = parts_of(transfer, middle, link)
    expected = sum(parts.values())
    good, bad = _ends(link, bridge, profile, middle)
    best = min(_best_total(transfer, case, link) for case in good)
    worst = max(_worst_total(transfer, case, link) for case in bad)
    seconds = Seconds(min(best, expected), expected, max(worst, expected), tuple(parts.items()))
    return Estimate(seconds, transfer.size_bytes / expected, tuple(_assumptions(link, bridge, server)))


# ----------------------------------------------------------------------------------------------------- cases

# A server that paces and hands head and body over together: what the general-purpose kernel of the rig does by default.
_USUAL_SERVER = SenderHabit(paced=True, head_apart=False)
# How common the servers are that may be at the other end: judged, no source.
_SHARES = tuple(
    (SenderHabit(paced, apart), 0.3 if paced else 0.2)
    for paced in (True, False) for apart in (False, True)
)  # fmt: skip
_SERVERS = (*(server for server, _ in _SHARES), SenderHabit(paced=False, older=True))
_OWN_SERVER = SenderHabit(own=True)
_ALIKE = 1.09  # times of servers within such a factor count as one outcome
_LIKELY_BYTES = 200_000  # of the file by which servers are compared

_TRIP_RANGE = (0.9, 1.25)  # of the round trip that a ping shows: common practice, no source
_RATE_RANGE = (1.01, 0.98)  # of a rate whose clock is not told: it may be off by 2 % and still work (part 2.4)
_KNOWN_RATE_RANGE = (1.005, 0.99)  # of a rate whose clock is told: pauses between characters remain
_ERROR_RANGE = (0.5, 2.0)
_LUCK_RANGE = (-2.0, 2.0)  # hurt packets are counted as chance has it: 19 of 20 counts lie within, where there are many
_WINDOW_RANGE = (16_384, 4096)
_SEGMENT_RANGE = (0.5, 2.0)
_AGAIN_WORST = 1.5  # on what is sent again needlessly: a few milliseconds decide how much


def expected_case(
    link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None, server: Server = "own"
) -> Case:
    """Every input as told, every unknown at its usual value; where another server sends something again, which differs
    from one to the other, the server with the likeliest outcome."""
    path = path_of(link, bridge, profile)
    case = Case(path, _OWN_SERVER if server == "own" else _USUAL_SERVER, _habit(link, path), link.error_rate)
    return replace(case, sender=_likeliest(case)) if _depends(case) else case


def _likeliest(case: Case) -> SenderHabit:
    """The server in the middle of those, alike in their times, that are the most common together."""
    coarse = _coarse(case)
    courses = [(_course(replace(coarse, sender=sender), REPLY_BYTES), sender, share) for sender, share in _SHARES]
    times = sorted((one.elapsed_s(_LIKELY_BYTES), share, at) for at, (one, _, share) in enumerate(courses))
    alike = [[one for one in times if first <= one[0] <= first * _ALIKE] for first, _, _ in times]
    cluster = max(alike, key=lambda ones: round(sum(share for _, share, _ in ones), 9))
    half = sum(share for _, share, _ in cluster) / 2
    for _, share, at in cluster:
        half -= share
        if half <= 1e-9:
            return courses[at][1]
    raise AssertionError("unreachable: the shares sum to twice the half")


def _habit(link: LinkSettings, path: tcp.Path) -> AckHabit:
    if link.ack_every:
        return EACH_SEGMENT if link.ack_every == 1 else EVERY_SECOND
    round_trip_s = tcp.handshake_s(path)
    return usual_habit(round_trip_s, RoundTrips(round_trip_s).timeout_s, path.window_segments)


def _ends(
    link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None, middle: Case
) -> tuple[list[Case], list[Case]]:
    """The cases among which the best and the worst are looked for."""
    rates = _RATE_RANGE if bridge is None or bridge.clock_hz is None else _KNOWN_RATE_RANGE
    usual = _OWN_SERVER if middle.sender.own else _USUAL_SERVER
    good, bad = (_end(link, bridge, profile, usual, end, rates[end]) for end in (0, 1))
    servers = _SERVERS if any(_depends(case) for case in (good, middle, bad)) else (usual,)
    usual_bad = replace(bad, ack=middle.ack)
    every = [replace(case, sender=server) for case in (good, middle, usual_bad, bad) for server in servers]
    return every[: 2 * len(servers)], every[len(servers) :]


def _end(
    link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None, sender: SenderHabit, end: int,
    rate: float,
) -> Case:  # fmt: skip
    """All that is uncertain at its good (0) or bad (1) end."""
    window, segment_s = link.window_bytes or _WINDOW_RANGE[end], link.segment_s * _SEGMENT_RANGE[end]
    told = replace(link, window_bytes=window, segment_s=segment_s)
    if end == 1:
        told = negotiated(told, standard=True)  # nothing was agreed on
    path = path_of(told, bridge, profile)
    path = replace(
        path, window_bytes=_held_back(path) if end == 1 and link.window_bytes else path.window_bytes,
        round_trip_s=path.round_trip_s * _TRIP_RANGE[end],
        down_char_s=path.down_char_s * rate, up_char_s=path.up_char_s * rate,
        buffer_packets=path.buffer_packets if end == 1 else 0,
    )  # fmt: skip
    ack = _habit(link, path) if link.ack_every else (EACH_SEGMENT, EVERY_SECOND)[end]
    return Case(path, sender, ack, link.error_rate * _ERROR_RANGE[end], _LUCK_RANGE[end])


def _held_back(path: tcp.Path) -> float:
    """A window in whole segments, one held back where there are three or more: receivers in use do either."""
    whole = path.window_segments
    return float(max(1, whole - 1 if whole >= 3 else whole) * path.mss_bytes)


def _depends(case: Case) -> bool:
    """Whether the time depends on the server: it sends again, needlessly or as the bridge had no room."""
    if case.sender.own:
        return False
    if overflows(case.path):
        return True
    late = tcp.resends_needlessly(replace(case.path, ack_every=case.ack.every))
    return late or _course(_coarse(case), REPLY_BYTES).resent_s[-1] > 0


# ----------------------------------------------------------------------------------------------------- parts


def _best_total(transfer: Transfer, case: Case, link: LinkSettings) -> float:
    """The time if nothing is sent again needlessly, a millisecond can decide that, and if the server's first data
    takes the answer to the request along."""
    parts = parts_of(transfer, case, link)
    return sum(parts.values()) - parts["sent again needlessly"] - parts.get("answer to the request", 0.0)


def _worst_total(transfer: Transfer, case: Case, link: LinkSettings) -> float:
    """Half more of what is sent again needlessly; where the bridge drops packets, one timeout more: which of them it
    drops decides whether duplicate acknowledgements can tell."""
    parts = parts_of(transfer, case, link)
    timeout_s = _timeout_s(case.path) if overflows(case.path) and not case.sender.own else 0.0
    return sum(parts.values()) + (_AGAIN_WORST - 1) * parts["sent again needlessly"] + timeout_s


def parts_of(transfer: Transfer, case: Case, link: LinkSettings) -> Parts:
    """The parts [s] of one case; they sum to its time."""
    connections = 1 if link.keep_alive and transfer.scheme == "http" else transfer.files
    body_bytes = transfer.size_bytes + transfer.head_bytes * transfer.files
    path, growth = case.path, case.path.encapsulation.growth_of(transfer.size_bytes, transfer.escapes)
    if growth is not None:
        path = replace(path, encapsulation=replace(path.encapsulation, data_growth=growth))
    segments = max(transfer.files, math.ceil(body_bytes / transfer.files / path.mss_bytes) * transfer.files)
    line = _line_parts(transfer, path, segments, body_bytes)
    on_line = sum(line.values())
    again, waiting = _stepped(replace(case, path=path), transfer, connections, segments)
    return {
        "name look-up": tcp.lookup_s(path, LOOKUP_NAME) if link.name_lookup else 0.0,
        **_exchange_parts(transfer, path, connections),
        **line,
        "waiting for acknowledgements": waiting,
        "sent again needlessly": again,
        "line errors": _errors_s(case, path, segments, on_line),
    }


def _errors_s(case: Case, path: tcp.Path, segments: int, on_line_s: float) -> float:
    """Seconds that hurt packets cost: each its time on the line again, and a timeout where one is waited for. Their
    number follows Poisson's law, so that its standard deviation is its root."""
    loss = tcp.segment_loss(path, case.error_rate)
    mean = segments * loss / (1 - loss)
    count = max(0.0, mean + case.luck * math.sqrt(mean))
    return count * (on_line_s / segments + _stall_s(path))


def _stepped(case: Case, transfer: Transfer, connections: int, segments: int) -> tuple[float, float]:
    """Seconds for what is sent again needlessly, and for waiting, over all connections. What is sent again and still
    queued at a file's end keeps the next connection's first packet waiting; that one sees so long a round trip in its
    handshake that it sends nothing again, so every second one is late."""
    coarse = _coarse(case)
    body_bytes = transfer.size_bytes + transfer.head_bytes * transfer.files
    each_bytes = math.ceil(body_bytes / connections)
    taken = _course(coarse, transfer.head_bytes)
    again = connections * taken.again_s(each_bytes)
    late_s = max(0.0, taken.behind_s(each_bytes) - tcp.close_s(case.path) - case.path.round_trip_s)
    before_s = case.path.round_trip_s / 2 + tcp.answer_s(case.path)
    elapsed = connections * (taken.elapsed_s(each_bytes) - before_s)
    on_line = sum(_line_parts(transfer, coarse.path, segments, body_bytes).values())
    return again + connections // 2 * late_s, max(0.0, elapsed - again - on_line)


def _coarse(case: Case) -> Case:
    """The bytes' growth in hundredths, so that files of like content share one course."""
    wire = case.path.encapsulation
    return replace(case, path=replace(case.path, encapsulation=replace(wire, data_growth=round(wire.data_growth, 2))))


def _course(case: Case, head_bytes: int) -> Course:
    return course(case.path, case.sender, case.ack, head_bytes)


def _exchange_parts(transfer: Transfer, path: tcp.Path, connections: int) -> Parts:
    if transfer.scheme == "ftp":
        exchange = tcp.exchange_s(path, _FTP_COMMAND_BYTES, _FTP_REPLY_BYTES)
        commands = _FTP_LOGIN_EXCHANGES + _FTP_FILE_EXCHANGES * transfer.files
        return {"connect": (1 + transfer.files) * tcp.handshake_s(path), "commands": commands * exchange}
    return {
        "connect": connections * tcp.handshake_s(path) + (connections - 1) * tcp.close_s(path),
        "request": transfer.files * tcp.request_s(path, transfer.request_bytes),
        "answer to the request": connections * tcp.answer_s(path),
    }


def _line_parts(transfer: Transfer, path: tcp.Path, segments: int, body_bytes: int) -> Parts:
    wire = path.encapsulation
    bare = COMPRESSED_BYTES if wire.compressed else HEADER_BYTES
    escapes = (wire.data_growth - 1) * body_bytes + segments * (wire.segment_header - bare)
    return {
        "payload": transfer.size_bytes / path.down_char_s,
        "reply heads": (body_bytes - transfer.size_bytes) / path.down_char_s,
        "headers": segments * bare / path.down_char_s,
        "escapes": escapes / path.down_char_s,
        "framing": segments * wire.frame_bytes / path.down_char_s,
    }


def _stall_s(path: tcp.Path) -> float:
    """What is waited for a hurt packet: nothing where duplicate acknowledgements can tell (four segments in flight), a
    timeout where they cannot, or where compressed headers are out of step until a full one comes (RFC 1144 4.2)."""
    if path.window_segments >= tcp.FAST_RETRANSMIT_SEGMENTS and not path.encapsulation.compressed:
        return 0.0
    return _timeout_s(path)


def _timeout_s(path: tcp.Path) -> float:
    """In the long run: a round trip with the whole window queued, and the least variance term."""
    return path.window_segments * path.segment_wire_s + path.ack_s + path.round_trip_s + tcp.RTO_FLOOR_S


# ----------------------------------------------------------------------------------------------- in words


def _assumptions(link: LinkSettings, bridge: BridgeSettings | None, server: Server) -> Iterable[str]:
    """What the range is made of, a line for each uncertain input."""
    low, high = (f"{link.round_trip_s * factor * 1000:.0f}" for factor in _TRIP_RANGE)
    yield f"round trip {link.round_trip_s * 1000:.0f} ms: {low} to {high}"
    if bridge is None or bridge.clock_hz is None:
        yield "the line's rate: 1 % faster to 2 % slower, as the sender's clock is not told"
    else:
        yield "the line's rate: 0.5 % faster to 1 % slower, for pauses between characters"
    if link.window_bytes:
        yield f"window {link.window_bytes:,} bytes: used to the last byte, or in whole segments with one held back"
    else:
        yield f"window not told: {WINDOW_BYTES:,} bytes, {_WINDOW_RANGE[1]:,} to {_WINDOW_RANGE[0]:,}"
    if link.ack_every is None:
        yield "acknowledgements: for each segment, or for every second one after 0.2 s"
    if link.protocol == "ppp" and None in (link.accm, link.field_compression, link.header_compression):
        yield "PPP: no control escaped, short fields, compressed headers; at worst what the standard has without them"
    if link.error_rate:
        yield f"byte errors {link.error_rate:g}: half to twice as many, and the packets they hurt as chance has it"
    if bridge and bridge.buffer_packets and server == "other":
        yield f"the bridge's {bridge.buffer_packets} packets: of any size, or room for all, as small ones take less"
    if link.segment_s:
        yield f"the machine's time for a segment {link.segment_s * 1000:.0f} ms: half to twice as long"
    if server == "other":
        yield "the server: newer or older, paces or not, sends the reply's head with the body or before it"
