"""Whole downloads: parts, ranges, and what real TCP took over an emulated line (measured values of the sheet's 4.6)."""

from dataclasses import replace
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.links import download

from discprep.link.advice import told
from discprep.link.judge import drops, resends
from discprep.link.transfer import Transfer, estimate
from discprep.link.vary import Question
from discprep.model import BridgeSettings, Escapes, LinkProtocol, LinkSettings, Seconds

WIDE = LinkSettings(
    115_200, mtu_bytes=1500, window_bytes=8760, round_trip_s=0.05, ack_every=1, name_lookup=False
)


def took(link: LinkSettings, size_bytes: int, **more: int) -> Seconds:
    return estimate(Transfer(size_bytes, request_bytes=98, reply_bytes=200, **more), link, server="other").seconds  # type: ignore[arg-type]


def test_a_megabyte_over_slip() -> None:
    """V32: formula 90.14 s. Source: real TCP took 90.13 s."""
    assert took(WIDE, 1_000_000).expected == pytest.approx(90.14, abs=0.01)


def test_a_megabyte_over_compressed_headers() -> None:
    """V33: formula 267.77 s, and 0.02 s for what it leaves out: 3,840 characters a second carry the handshake's ACK,
    which is not compressed yet (34 E more), the server's ACK of the request (40 E + 2), and a request whose header is 3
    bytes, not 6 (3 E less), E = 258/256: (34.27 + 42.31 - 3.02) / 3,840 = 0.019 s. Source: RFC 1144 3.2.3 for what is
    compressed; real TCP took 267.75 s."""
    link = replace(WIDE, rate_bit_s=38_400, protocol="cslip", mtu_bytes=296, window_bytes=4096)
    assert took(link, 1_000_000).expected == pytest.approx(267.789, abs=0.01)


@pytest.mark.parametrize(
    ("rate", "mtu", "window", "round_trip_s", "d", "size", "measured"),
    [
        (57_600, 576, 4288, 0.05, 1, 1_000_000, 188.79),
        (230_400, 1500, 8760, 0.05, 1, 1_000_000, 45.12),
        (115_200, 1500, 65_535, 0.3, 1, 200_000, 18.64),
        (115_200, 1500, 2920, 0.2, 1, 80_000, 9.62),
        (115_200, 1500, 2920, 0.2, 2, 80_000, 13.17),
        (115_200, 1500, 5840, 0.3, 2, 120_000, 12.28),
        (115_200, 576, 1608, 0.1, 2, 80_000, 11.76),
        (115_200, 576, 536, 0.1, 2, 20_000, 13.42),
    ],
)
def test_other_downloads_of_real_tcp(
    rate: int, mtu: int, window: int, round_trip_s: float, d: int, size: int, measured: float
) -> None:
    """Source: real TCP over an emulated line, acknowledgements thinned to d, as measured for the sheet's 4.6."""
    link = replace(
        WIDE, rate_bit_s=rate, mtu_bytes=mtu, window_bytes=window, round_trip_s=round_trip_s, ack_every=d
    )
    assert took(link, size).expected == pytest.approx(measured, rel=0.05)


@pytest.mark.parametrize(("rate", "keep_alive", "measured"), [
    (115_200, True, 12.26), (38_400, True, 32.56), (115_200, False, 14.64), (38_400, False, 35.88),
])  # fmt: skip
def test_twenty_small_files(rate: int, keep_alive: bool, measured: float) -> None:
    """20 files of 5,000 bytes, MTU 576, 0.1 s. Source: as above, HTTP/1.1 and HTTP/1.0. One in a hundred: each
    connection has an answer to its request and an end, 3 x 42.31 bytes, 0.66 s of the slowest."""
    link = LinkSettings(
        rate, mtu_bytes=576, window_bytes=8760, round_trip_s=0.1, keep_alive=keep_alive, name_lookup=False
    )
    assert took(link, 100_000, files=20).expected == pytest.approx(measured, rel=0.01)


LINKS = st.builds(
    LinkSettings,
    st.sampled_from([1200, 9600, 38_400, 115_200]),
    framing=st.sampled_from(["8N1", "8E1"]),
    protocol=st.sampled_from(get_args(LinkProtocol)),
    mtu_bytes=st.sampled_from([68, 296, 576, 1500, 9000]),
    window_bytes=st.sampled_from([None, 1, 500, 2048, 8760, 2**20]),
    round_trip_s=st.sampled_from([0.0, 0.05, 2.0]),
    ack_every=st.sampled_from([None, 1, 2]),
    error_rate=st.sampled_from([0.0, 1e-5, 1e-2]),
    segment_s=st.sampled_from([0.0, 0.2]),
    cap_bytes_s=st.sampled_from([None, 500.0]),
    keep_alive=st.booleans(),
)


@pytest.mark.slow
@settings(max_examples=25, derandomize=True, deadline=None)
@given(LINKS, st.sampled_from([0, 1, 1000, 60_000, 10**8]), st.sampled_from([1, 3]))
def test_parts_sum_and_the_range_is_in_order(link: LinkSettings, size: int, files: int) -> None:
    """Whatever the settings: parts sum to the expected time, none is negative, best <= expected <= worst."""
    seconds = download(size, escapes=None, link=link, bridge=None, profile=None, files=files)
    assert sum(value for _, value in seconds.parts) == pytest.approx(seconds.expected)
    assert all(value >= 0 for _, value in seconds.parts)
    assert 0 < seconds.best <= seconds.expected <= seconds.worst < 1e12


def test_no_download_beats_the_bare_line() -> None:
    """Source: conservation, payload bytes over characters a second."""
    for rate in (9600, 115_200):
        link = replace(WIDE, rate_bit_s=rate)
        assert took(link, 200_000).best > 200_000 / (rate / 10) / 1.01


def test_counted_escapes_replace_the_random_share() -> None:
    """No escapes: the sheet's 4.8, row 10, 89.30 s less the headers' own share. All END: each byte of the file doubles
    (RFC 1055), its headers stay what they are: 2 B + n (h E + f) over c."""
    headers = 685 * (40 * 1.0078125 + 2)
    for escapes, growth in ((0, 1), (1_000_000, 2)):
        seconds = download(1_000_000, escapes=Escapes(escapes, 0, 0), link=WIDE, bridge=None, profile=None)
        on_line = sum(v for name, v in seconds.parts if name in ("payload", "headers", "escapes", "framing"))
        assert on_line == pytest.approx((growth * 1_000_000 + headers) / 11_520, abs=0.03)


def test_the_sender_s_clock_decides() -> None:
    """114,416 instead of 115,200 bit/s makes 90.62 s of 90.00 s (the sheet's 2.4)."""
    bridge = BridgeSettings(115_200, clock_hz=3_546_895, divider="n+1")
    slow = download(1_000_000, escapes=None, link=WIDE, bridge=bridge, profile=None).expected
    assert slow - download(1_000_000, escapes=None, link=WIDE, bridge=None, profile=None).expected == pytest.approx(
        0.62, abs=0.01
    )


def test_a_large_file_goes_on_as_its_first_segments_ended() -> None:
    """A hundred times the size takes a hundred times the line's time where the line is the limit."""
    one, hundred = took(WIDE, 1_000_000).expected, took(WIDE, 100_000_000).expected
    assert hundred == pytest.approx(8999.9 + (one - 90.0), rel=1e-3)


def test_needless_retransmission_is_priced_and_said() -> None:
    """19,200 bit/s at MTU 1,500: real servers resent 16 to 127 % (the sheet's 4.4); at 296 with headers compressed
    under 1 %."""
    slow = LinkSettings(19_200, mtu_bytes=1500, window_bytes=8192, round_trip_s=0.05, name_lookup=False)
    parts = dict(took(slow, 75_000).parts)
    assert parts["sent again needlessly"] > 0
    assert took(slow, 75_000).worst > 1.5 * took(slow, 75_000).best
    assert "send again" in str(resends(slow, None, None)[0].notice)
    small = replace(slow, mtu_bytes=296, protocol="cslip")
    assert dict(took(small, 75_000).parts)["sent again needlessly"] == 0


def test_what_is_queued_at_a_files_end_delays_the_next() -> None:
    """Four files of 3,096 bytes, 9,600 bit/s, 1,006 bytes a packet and all of them in the window: nothing that is sent
    again delays its own file, but every second connection waits for it. Source: real TCP took 27.9 s on the rig."""
    link = LinkSettings(
        9600, protocol="cslip", mtu_bytes=1006, window_bytes=7728, round_trip_s=0.05, keep_alive=False,
        name_lookup=False,
    )  # fmt: skip
    four = took(link, 12_384, files=4)
    assert four.expected == pytest.approx(27.9, rel=0.15) and four.best < 17 and four.worst > 27.9


def test_a_small_bridge_is_priced() -> None:
    """A server may send ten segments at first (RFC 6928); with a buffer of 4 to 8 packets of 1,500 bytes downloads of
    real TCP took 5 to 10 % longer, with a window within the buffer none (the sheet's 4.4)."""
    wide = replace(WIDE, rate_bit_s=57_600, window_bytes=14_600, ack_every=None)
    small = BridgeSettings(57_600, buffer_packets=4)
    plain, priced = (estimate(Transfer(100_000), wide, bridge, server="other").seconds for bridge in (None, small))
    assert 1.0 < priced.expected / plain.best <= 1.15 and priced.worst >= 1.1 * plain.best
    narrow = replace(wide, mtu_bytes=576, window_bytes=1608)
    assert estimate(Transfer(100_000), narrow, small).seconds == estimate(
        Transfer(100_000), narrow, replace(small, buffer_packets=None)
    ).seconds


def test_a_small_bridge_is_said() -> None:
    """The server's answer to the request takes a place too: four packets hold it and three segments. Source: on the rig
    lines with windows of four segments dropped one of them, with three none."""
    small = BridgeSettings(57_600, buffer_packets=4)
    wide = replace(WIDE, rate_bit_s=57_600, window_bytes=14_600)
    question = Question(Transfer(100_000), wide, small, server="other")
    notice = next(trouble.notice for trouble in told(question) if trouble.kind == "overflow")
    assert "holds 4 packets" in notice.message and "up to 11 at once" in notice.message
    assert "A receive window of 4,096 bytes" in notice.hint and "a bridge that holds more" in notice.hint
    assert drops(replace(wide, window_bytes=5840), small, None)
    assert not drops(replace(wide, window_bytes=4380), small, None)
    assert not drops(wide, replace(small, buffer_packets=11), None)
    hopeless = replace(question, bridge=replace(small, buffer_packets=1))
    assert any("A bridge that holds more avoids it." in trouble.notice.hint for trouble in told(hopeless))


def test_ftp_costs_a_second_connection_and_its_commands() -> None:
    """Source: RFC 959: greeting, USER, PASS, TYPE, then PASV and RETR with two replies for each file: at least six
    round trips more than one HTTP/1.0 request."""
    http = estimate(Transfer(10_000), WIDE).seconds.expected
    ftp = estimate(Transfer(10_000, scheme="ftp"), WIDE).seconds.expected
    assert 6 * WIDE.round_trip_s < ftp - http < 12 * WIDE.round_trip_s


def test_a_cap_of_the_machine_is_the_limit() -> None:
    """2,000 bytes a second through the whole download, with a window that leaves no queue to send again. Source: the
    cap itself."""
    capped = took(replace(WIDE, mtu_bytes=576, window_bytes=1608, cap_bytes_s=2000), 200_000).expected
    assert capped == pytest.approx(100, rel=0.025)


def test_assumptions_name_what_was_not_told() -> None:
    words = "\n".join(estimate(Transfer(1000), LinkSettings(9600)).assumptions)
    assert "window not told" in words and "clock is not told" in words and "acknowledgements" in words
