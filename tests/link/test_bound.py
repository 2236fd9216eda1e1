"""What a sender that knows its line has under way: worked numbers, what always holds, what `serve` took on the rig."""

from dataclasses import replace
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from discprep.link.bound import LEAST_PIECE_BYTES, SHARE_OF_TIMEOUT, UnderWay, depth_packets, pieces
from discprep.link.encapsulation import negotiated
from discprep.link.path import path_of
from discprep.link.transfer import Transfer, estimate, expected_case
from discprep.model import BridgeSettings, LinkProtocol, LinkSettings

SLOW = LinkSettings(9600, mtu_bytes=1500, window_bytes=8192, round_trip_s=0.12, name_lookup=False)
PATH = path_of(SLOW, None, None)


def test_depth_by_hand() -> None:
    """A segment of 1,500 bytes takes 1.577 s at 960 characters a second, an acknowledgement 0.044 s and 0.12 s of
    network come back within one: 1 + 2. At 115,200 bit/s and 0.3 s the way back holds ceil(0.304 / 0.131) = 3."""
    assert depth_packets(PATH, 0.12) == 3
    quick = path_of(replace(SLOW, rate_bit_s=115_200), None, None)
    assert depth_packets(quick, 0.3) == 5
    assert depth_packets(replace(quick, buffer_packets=4), 0.3) == 3


def test_a_first_pair_by_hand() -> None:
    """The timeout stands at 1.04 s, 0.8 of it are 0.832 s; less 0.0441 s for the acknowledgement and 0.12 s of network
    leave 0.668 s, 641 characters, 320.7 a piece; less 42.3 of headers and framing, by 258/256: 276 bytes."""
    assert pieces(PATH, 10_000, UnderWay(), 1.04, 0.12, began=False) == (276, 276)
    assert pieces(PATH, 100, UnderWay(), 1.04, 0.12, began=False) == (50, 50)
    assert pieces(PATH, 1, UnderWay(), 1.04, 0.12, began=False) == (1,)


def test_one_pair_behind_another_and_none_behind_two() -> None:
    pair = UnderWay(2, 0.6)
    assert pieces(PATH, 10_000, pair, 1.04, 0.12, began=True)
    assert not pieces(PATH, 10_000, pair, 1.04, 0.12, began=False), "the answer to the request is still on the line"
    assert not pieces(PATH, 10_000, UnderWay(4, 1.2), 1.04, 0.12, began=True)
    assert not pieces(replace(PATH, buffer_packets=3), 10_000, pair, 1.04, 0.12, began=True)


def test_full_segments_when_two_fit_into_the_timeout() -> None:
    """Two take 3.154 s: 0.8 of 4.2 s are 3.36 s, less 0.164 s."""
    assert pieces(PATH, 10_000, UnderWay(), 4.2, 0.12, began=True) == (1460,)
    assert pieces(PATH, 900, UnderWay(2, 3.15), 4.2, 0.12, began=True) == (900,)
    assert not pieces(PATH, 10_000, UnderWay(3, 4.73), 4.2, 0.12, began=True)


def test_who_begins_waits_for_what_others_have_on_the_line() -> None:
    """2.5 s of another's bytes do not fit before the first timeout; what is behind one's own does no harm."""
    assert not pieces(PATH, 10_000, UnderWay(0, 0.0, 2, 2.5), 1.04, 0.12, began=False)
    assert pieces(PATH, 10_000, UnderWay(0, 0.0, 2, 0.1), 1.04, 0.12, began=True)


@given(
    st.sampled_from([2400, 9600, 57_600, 460_800]), st.sampled_from(get_args(LinkProtocol)),
    st.sampled_from([68, 296, 1500]),
    st.integers(1, 10**6), st.floats(0.2, 120), st.floats(0, 2), st.integers(0, 6), st.integers(0, 6), st.booleans(),
)  # fmt: skip
def test_always(
    rate: int, protocol: str, mtu: int, left: int, timeout_s: float, trip_s: float, own: int, other: int, began: bool
) -> None:
    """Never more than is left, never an empty piece, and never later answered than the timer allows, but for the least
    piece on an empty line: without it nothing would ever go."""
    path = path_of(LinkSettings(rate, protocol=protocol, mtu_bytes=mtu), None, None)  # type: ignore[arg-type]
    under_way = UnderWay(own, own * path.pace_s, other, other * path.pace_s)
    sizes = pieces(path, left, under_way, timeout_s, trip_s, began=began)
    assert sum(sizes) <= left and all(1 <= size <= path.mss_bytes for size in sizes)
    ahead_s = 0.0 if own else under_way.other_s
    answered_s = ahead_s + sum(map(path.packet_s, sizes)) + path.ack_s + trip_s
    least = not own and not other and max(sizes, default=0) <= LEAST_PIECE_BYTES
    assert not sizes or least or answered_s <= SHARE_OF_TIMEOUT * timeout_s + 1e-9
    assert sizes or own or other, "an empty line is always used"


@pytest.mark.parametrize(
    ("rate", "protocol", "mtu", "window", "one_way_ms", "size", "measured"),
    [
        (9600, "slip", 1006, 4096, 5, 22_857, 26.10), (9600, "slip", 1500, 8192, 60, 22_857, 26.02),
        (19_200, "slip", 1500, 8192, 5, 45_714, 25.35), (19_200, "slip", 1006, 8192, 5, 45_714, 25.67),
        (38_400, "ppp", 1500, 8192, 20, 80_672, 25.20), (57_600, "cslip", 576, 4096, 40, 137_142, 24.60),
        (9600, "slip", 296, 2048, 30, 22_857, 28.92), (115_200, "slip", 1500, 8192, 5, 274_285, 24.92),
    ],
)  # fmt: skip
def test_what_serve_took(
    rate: int, protocol: str, mtu: int, window: int, one_way_ms: int, size: int, measured: float
) -> None:
    """Source: the real `serve` over the byte-clocked line of `tests/bench/bounded_line.py`; 3 % are promised."""
    link = LinkSettings(
        rate, "8N1", protocol, mtu, window, one_way_ms / 500, accm=0xFFFFFFFF, field_compression=False,
        header_compression=False, name_lookup=False,
    )  # type: ignore[arg-type]
    link = negotiated(link, standard=True)  # nothing is negotiated on that line
    bridge = BridgeSettings(rate, address="192.0.2.1", machine_address="192.0.2.2")
    found = estimate(Transfer(size), link, bridge).seconds
    assert found.expected == pytest.approx(measured, rel=0.015)
    assert found.best <= measured <= found.worst


def test_no_server_but_our_own_is_sure() -> None:
    """The same line with any server: what another sends again is in the range, and in the case."""
    own, other = (estimate(Transfer(30_000), SLOW, server=server).seconds for server in ("own", "other"))
    assert own.expected < other.expected and own.worst < other.worst
    assert dict(own.parts)["sent again needlessly"] == 0
    assert expected_case(SLOW, None, None).sender.own
