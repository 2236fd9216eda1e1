"""Worked values beside their sources: the arithmetic of each standard by hand, and the model within 2 % of it."""

import math
from dataclasses import replace
from pathlib import Path

import pytest
from support.command import run

from discprep.link.blocks import BLOCK_PROTOCOLS
from discprep.link.encapsulation import negotiated
from discprep.link.escapes import count_escapes, count_prefixed
from discprep.link.transfer import Transfer
from discprep.link.vary import Question, estimate_blocks
from discprep.model import LinkSettings

SIZE = 100_000
AT_9600 = 960  # characters a second at 8N1
PACKETS = math.ceil(SIZE / (94 - 2 - 3 - 1.5) * (1 + 70 / 256))  # of Kermit; 1.5 bytes stay free, no pair is split

BLOCKS = {
    # X/YMODEM reference 4.2: 128 bytes in 133, an answer of 1.
    "xmodem-crc": 782 * (133 + 1) / AT_9600,
    # ZMODEM specification 7.2: 7 escaped values and CR after @; 7.3: 1,024 bytes, an end and a CRC-32; some headers.
    "zmodem": (SIZE * (1 + 7 / 256 + 4 / 65_536) + 98 * (2 + 4 * 1.0274) + 160) / AT_9600,
    # Kermit manual: 70 of 256 values take two bytes; 8 bytes around each packet, 8 of its answer.
    "kermit": (SIZE * (1 + 70 / 256) + PACKETS * (8 + 8)) / AT_9600,
}


@pytest.mark.parametrize("name", BLOCKS)
def test_block_protocols(name: str) -> None:
    """Without a turnaround; with one of an adapter on USB, 16 ms (common practice) a block more."""
    link = LinkSettings(9600, turnaround_s=0.0)
    plain = estimate_blocks(Transfer(SIZE), BLOCK_PROTOCOLS[name], link).seconds
    assert plain.expected == pytest.approx(BLOCKS[name], rel=0.02)
    usual = estimate_blocks(Transfer(SIZE), BLOCK_PROTOCOLS[name], replace(link, turnaround_s=None)).seconds
    if name == "xmodem-crc":
        assert plain.expected == pytest.approx(782 * 133 / AT_9600, rel=0.02)
        assert usual.expected - plain.expected == pytest.approx(783 * 0.016, rel=0.01)
        assert usual.best < plain.expected * 1.03 and usual.worst > plain.expected + 782 * 0.032


def packets(mtu: int, growth: float, header: float, frame: float) -> float:
    """Wire bytes of a file in full packets."""
    return growth * SIZE + math.ceil(SIZE / (mtu - 40)) * (header + frame)


USUAL = {"accm": 0, "field_compression": True, "header_compression": True}
PLAIN = {"accm": 0xFFFFFFFF, "field_compression": False, "header_compression": False}
PACKED = {
    # RFC 1055: C0 and DB take two bytes, an END on either side.
    "slip 9600/296": (LinkSettings(9600, mtu_bytes=296), packets(296, 258 / 256, 40 * 258 / 256, 2) / 960),
    # RFC 1662 4.2, 7.1; RFC 1661 6.5, 6.6; RFC 1144: no control, one byte of protocol, a header of three, flag, FCS.
    "ppp, map 0": (LinkSettings(19_200, protocol="ppp", mtu_bytes=1006, **USUAL),  # type: ignore[arg-type]
                   packets(1006, 258 / 256, 3, 1 + 1 + 2) / 1920),
    # All controls take two bytes, two of FF 03 00 21 among them; flag, FCS.
    "ppp, map of all": (LinkSettings(19_200, protocol="ppp", mtu_bytes=1006, **PLAIN),  # type: ignore[arg-type]
                        packets(1006, 290 / 256, 40 * 290 / 256, 1 + 6 + 2 * 290 / 256) / 1920),
}  # fmt: skip


@pytest.mark.parametrize("name", PACKED)
def test_packets(name: str) -> None:
    """The line's share alone is 122.2 s over SLIP at 9,600/296; connection and answers add little."""
    link, seconds = PACKED[name]
    if name.startswith("slip"):
        assert seconds == pytest.approx(122.2, abs=0.05)
    link = replace(link, window_bytes=8192, name_lookup=False)
    assert Question(Transfer(SIZE), link).expected_s == pytest.approx(seconds, rel=0.02)


def test_escapes_by_kind() -> None:
    """100 KB of 7E, which every map escapes: two bytes each; 104 packets of 966 with 40 bytes of header and 7 of frame:
    205,000 characters at 1,920 a second are 106.7 s [by hand]. Compressed headers and short fields save two of them."""
    tildes = Transfer(SIZE, count_escapes([b"\x7e" * SIZE]))
    link = LinkSettings(19_200, protocol="ppp", mtu_bytes=1006, window_bytes=8192, accm=0, name_lookup=False)
    full = replace(link, field_compression=False, header_compression=False)
    assert Question(tildes, full).expected_s == pytest.approx(106.7, rel=0.01)
    assert Question(tildes, link).expected_s == pytest.approx(104.6, rel=0.01)
    controls = Transfer(SIZE, count_escapes([b"\x11" * SIZE]))
    assert Question(controls, link).expected_s == pytest.approx((SIZE + 104 * 7) / 1920, rel=0.02)
    every = replace(link, accm=0xFFFFFFFF)
    assert Question(controls, every).expected_s == pytest.approx((2 * SIZE + 104 * 9) / 1920, rel=0.02)


def test_kermit_counts_the_files_own_bytes(tmp_path: Path) -> None:
    """Plain letters take no prefix, so that a packet of 94 holds 87 of them; tildes take one each, and it holds 43."""
    link, protocol = LinkSettings(9600, turnaround_s=0.0), BLOCK_PROTOCOLS["kermit"]
    for byte, growth, held in ((b"a", 1, 87), (b"~", 2, 43)):
        transfer = Transfer(SIZE, prefixed_bytes=count_prefixed([byte * SIZE]))
        wanted = (growth * SIZE + math.ceil(SIZE / held) * 16) / AT_9600
        assert estimate_blocks(transfer, protocol, link).seconds.expected == pytest.approx(wanted, rel=0.02)
        (tmp_path / "file").write_bytes(byte * SIZE)
        told = run("estimate", "--file", tmp_path / "file", "--protocol", "kermit", "--baud", 9600,
                   "--turnaround-ms", 0, "--json").document  # fmt: skip
        assert told["seconds"]["expected"] == pytest.approx(wanted, rel=0.02)


def test_ppp_left_open_is_expected_as_negotiated_and_worst_as_the_standard_has_it() -> None:
    """Common practice for the first; RFC 1661 6 and RFC 1662 7.1 for the second."""
    link = LinkSettings(19_200, protocol="ppp", mtu_bytes=1006, window_bytes=8192, name_lookup=False)
    found = Question(Transfer(SIZE), link).seconds
    assert found.expected == Question(Transfer(SIZE), replace(link, **USUAL)).expected_s  # type: ignore[arg-type]
    plain = Question(Transfer(SIZE), negotiated(link, standard=True))
    assert found.worst >= plain.expected_s > found.expected
    assert found.worst == pytest.approx(plain.seconds.worst)
