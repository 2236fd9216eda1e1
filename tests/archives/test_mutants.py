"""Thousands of damaged archives of all formats, seeds fixed: nothing crashes, nothing false is called whole."""

import hashlib
import itertools
import zlib
from pathlib import Path

import pytest
from support.lha import crc16
from support.mutants import lha_seeds, mutants, other_seeds

from discprep.archives import OpenTask, open_all, read_content
from discprep.model import Limits, Unpacked

LIMITS = Limits(member_bytes=2**24, total_bytes=2**25)


def checksum_holds(entry: Unpacked, data: bytes) -> bool:
    """The stored checksum, computed here from the bytes that came out."""
    kind, _, value = entry.member.checksum.partition(" ")
    found = {"": "", "crc16": f"{crc16(data):04x}", "crc32": f"{zlib.crc32(data):08x}"}[kind]
    return found == value


@pytest.mark.parametrize(("kind", "count"), [("lha", 1500), ("other", 700)])
def test_mutants(tmp_path: Path, kind: str, count: int) -> None:
    """Every input gets an answer; every member called whole has its size, its stored checksum and its hash."""
    seeds = lha_seeds() if kind == "lha" else other_seeds()
    tasks = []
    for n, data in enumerate(itertools.islice(mutants(seeds, 3), count)):
        (tmp_path / f"{n}").write_bytes(data)
        tasks.append(OpenTask(tmp_path / f"{n}", nested=n % 3))
    results = list(open_all(tasks, store=tmp_path / "store", limits=LIMITS, workers=2))
    assert len(results) == count
    whole = 0
    for result in results:
        for entry in result.members:
            if entry.content and result.format != "file" and entry.content.size_bytes < 10_000:
                data = b"".join(read_content(entry.content))
                assert len(data) == entry.member.size_bytes
                assert hashlib.sha256(data).hexdigest() == entry.content.sha256
                assert checksum_holds(entry, data)
                whole += 1
    assert whole > count / 5
