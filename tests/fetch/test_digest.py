"""Hashes as bytes stream by, against the standards' own examples."""

from __future__ import annotations

import pytest

from discprep.fetch.digest import HEAD_BYTES, Digests, differs
from discprep.model import Hashes

ALL = Hashes(sha1="0", md5="0", crc32="0")


@pytest.mark.parametrize(
    ("data", "name", "digits"),
    [
        # FIPS 180-4's examples; RFC 1321 appendix A.5; the catalogue of parametrised CRC algorithms (CRC-32/ISO-HDLC)
        (b"abc", "sha256", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (b"abc", "sha1", "a9993e364706816aba3e25717850c26c9cd0d89d"),
        (b"abc", "md5", "900150983cd24fb0d6963f7d28e17f72"),
        (b"123456789", "crc32", "cbf43926"),
    ],
)
def test_hashes_whatever_the_chunks(data: bytes, name: str, digits: str) -> None:
    """In one chunk and byte by byte, the size beside them."""
    for step in (1, 2, len(data)):
        digests = Digests(ALL)
        for at in range(0, len(data), step):
            digests.update(data[at : at + step])
        assert getattr(digests.hashes, name) == digits and digests.size_bytes == len(data)
    assert differs(Hashes(**{name: digits.upper()}), digests.hashes) == ""
    wrong = "0" * len(digits)
    assert differs(Hashes(**{name: wrong}), digests.hashes).endswith(f" {wrong}, got {digits}")


def test_the_first_bytes_are_kept_over_chunks() -> None:
    """HEAD_BYTES of them, for whoever tells what a file is; and only the hashes that were asked for."""
    digests = Digests()
    for _ in range(3):
        digests.update(bytes(range(200)) * 3)
    assert digests.head == (bytes(range(200)) * 9)[:HEAD_BYTES] and digests.size_bytes == 1800
    assert digests.hashes == Hashes(sha256=digests.sha256)
