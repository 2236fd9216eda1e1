"""Block protocols: bytes on the wire and times."""

from dataclasses import replace

import pytest

from discprep.link.blocks import (
    BLOCK_PROTOCOLS,
    KERMIT_GROWTH,
    ZMODEM_GROWTH,
    block_count,
    send_blocks,
    wire_parts,
)

MB = 1_000_000


def test_xmodem_and_ymodem_bytes() -> None:
    """V36. Source: counted from stock open-source senders, exact; X/YMODEM reference 4.2, 4.3, 5."""
    assert sum(block_count(BLOCK_PROTOCOLS["xmodem-crc"], MB)) == 7813
    assert sum(wire_parts(BLOCK_PROTOCOLS["xmodem-crc"], MB).values()) == 1_039_130
    assert sum(wire_parts(BLOCK_PROTOCOLS["xmodem-1k"], MB).values()) == 1_004_970
    assert sum(wire_parts(BLOCK_PROTOCOLS["ymodem"], MB).values()) == 1_005_236


def test_zmodem_bytes() -> None:
    """V37. Source: ZMODEM specification 7.2 for the escapes; counted from a stock sender."""
    assert pytest.approx(1.027405, abs=1e-6) == ZMODEM_GROWTH
    assert sum(wire_parts(BLOCK_PROTOCOLS["zmodem"], MB).values()) == pytest.approx(1_033_538, rel=1e-3)


@pytest.mark.parametrize(("name", "ratio"), [("kermit", 1.391), ("kermit-long", 1.2765)])
def test_kermit_bytes(name: str, ratio: float) -> None:
    """V38. Source: control-unprefixing note for what is prefixed; counted from a stock sender."""
    assert KERMIT_GROWTH == 1.2734375
    assert sum(wire_parts(BLOCK_PROTOCOLS[name], MB).values()) / MB == pytest.approx(ratio, rel=5e-3)


def test_stop_and_wait() -> None:
    """V39, without the pauses of real receivers. Source: n ((block + reply) / c + R) + end."""
    protocol = replace(BLOCK_PROTOCOLS["xmodem-crc"], pause_s=0)
    assert send_blocks(MB, protocol, 115_200, turnaround_s=0.02).expected == pytest.approx(247.16, abs=0.01)


def test_larger_blocks_save_turnarounds() -> None:
    """Source: X/YMODEM reference 4.3: 1K blocks cut the turnaround delay by 87.5 %."""
    small, large = (dict(send_blocks(1024 * 64, BLOCK_PROTOCOLS[name], 9600, turnaround_s=0.5).parts)["turnaround"]
                    for name in ("xmodem-crc", "xmodem-1k"))  # fmt: skip
    assert 1 - large / small == pytest.approx(0.875, abs=0.003)


@pytest.mark.parametrize("name", BLOCK_PROTOCOLS)
@pytest.mark.parametrize("size", [0, 1, 127, 128, 1025, 100_000])
def test_parts_sum_and_streams_do_not_wait(name: str, size: int) -> None:
    """Parts sum to the expected time; only what streams hardly feels the turnaround."""
    protocol = BLOCK_PROTOCOLS[name]
    seconds = send_blocks(size, protocol, 9600, turnaround_s=0.1, error_rate=1e-5)
    assert sum(value for _, value in seconds.parts) == pytest.approx(seconds.expected)
    assert seconds.best <= seconds.expected <= seconds.worst
    if size == 100_000 and protocol.streams:
        assert dict(seconds.parts)["turnaround"] < 0.5
