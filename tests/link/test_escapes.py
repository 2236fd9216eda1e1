"""The count of bytes that a link must escape."""

import random
from pathlib import Path

import pytest

from discprep.link.encapsulation import ppp_escape, slip_encode
from discprep.link.escapes import EscapeCounter, count_escapes, count_prefixed

DATA = {
    "random": random.Random(4).randbytes(300_000),
    "every value": bytes(range(256)) * 5,
    "all END": b"\xc0" * 1000,
    "text": b"plain text\r\n" * 100,
    "empty": b"",
}


@pytest.mark.parametrize("name", DATA)
def test_the_count_is_what_the_encoders_add(name: str, tmp_path: Path) -> None:
    """Source: RFC 1055 and RFC 1662 4.2, by encoding the same bytes."""
    data = DATA[name]
    path = tmp_path / "data"
    path.write_bytes(data)
    fixed = len(ppp_escape(data, 0)) - len(data)
    added = len(slip_encode(data)) - 2 - len(data), fixed, len(ppp_escape(data)) - len(data) - fixed
    assert count_escapes(path) == count_escapes([data]) == added


def test_kermit_prefixes() -> None:
    """Source: Kermit manual, 6th edition: controls with and without the high bit, DEL likewise; with repeat
    counts the two signs # and ~ of both halves; each counted once over all 256 values."""
    controls = [value for value in range(256) if value & 0x7F < 32 or value & 0x7F == 127]
    signs = [ord(sign) | high for sign in "#~" for high in (0, 0x80)]
    assert count_prefixed([bytes(range(256))]) == len({*controls, *signs}) == 70
    assert count_prefixed([b"plain text", b"a~b#"]) == 2


def test_chunks_add_up() -> None:
    """Any cut into chunks gives the same count."""
    counter, rng, data = EscapeCounter(), random.Random(5), DATA["random"]
    at = 0
    while at < len(data):
        size = rng.randrange(1, 5000)
        counter.update(data[at : at + size])
        at += size
    assert counter.counts == count_escapes([data])
    assert counter.size_bytes == len(data)
