"""The decoders of our own against lhasa (its `pq2` gives what it decodes, whatever the checksum): sound streams made
from seeds that use all a method knows, damaged ones, and what they must do without any outside help."""

import hashlib
import io
import os
import random
import subprocess
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest
from support.bench_set import WHEN, BenchSet
from support.command import run
from support.decoding import decode_here
from support.lha import HELLO, HELLO_20, LH5_HELLO_20, LH7_HELLO_20, Made, archive
from support.lha_packed import Writer, blocks, pm1, pm2
from support.programs import program

from discprep.archives import lha_decode, pool
from discprep.archives.base import MemberError, Source
from discprep.archives.lha_headers import Header
from discprep.model import Limits

WITHOUT = (
    "import sys; sys.path[:] = sys.argv[2:]; sys.modules.update(lzhlib=None, pylhasa=None)\n"
    "from discprep.archives.worker import main; main()"
)
Maker = Callable[..., tuple[bytes, int]]


def any_bits(seed: int, *, size: int = 20_000) -> tuple[bytes, int]:
    """To some methods any bits are a sound stream."""
    return random.Random(seed).randbytes(size), size


# By name: the method, and who makes streams of it.
METHODS: dict[str, tuple[str, Maker]] = {
    "lh1": ("-lh1-", any_bits),
    "lh4": ("-lh4-", partial(blocks, count_bits=4, farthest=4096)),
    "lh5": ("-lh5-", partial(blocks, count_bits=4, farthest=8192)),
    "lh6": ("-lh6-", partial(blocks, count_bits=5, farthest=32_768)),
    "lh7": ("-lh7-", partial(blocks, count_bits=5, farthest=65_536)),
    "lhx": ("-lhx-", partial(blocks, count_bits=5, farthest=2**19)),
    "odd lh7": ("-lh7-", partial(blocks, count_bits=6, farthest=65_536, odd=True)),
    "lzs": ("-lzs-", any_bits),
    "lz5": ("-lz5-", any_bits),
    "pm1": ("-pm1-", pm1),
    "pm2": ("-pm2-", pm2),
}


def own(name: str, packed: bytes, size: int) -> bytes:
    """What our own decoder makes of a stream."""
    header = Header(0, 1, METHODS[name][0], len(packed), size, 0, 0x20, os_id=" " if name == "odd lh7" else "U")
    source = Source(io.BytesIO(packed), len(packed), packed[:32], "packed")
    return b"".join(lha_decode.decode("own", source, header, Path()))


class Lhasa:
    """What lhasa makes of the same."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._program = program("lhasa")

    def __call__(self, name: str, packed: bytes, size: int) -> bytes:
        made = Made(packed=packed, method=METHODS[name][0].encode(), size=size, os_id=b"U")
        (self._folder / "x.lzh").write_bytes(archive(made))
        done = subprocess.run([self._program, "pq2", "x.lzh"], cwd=self._folder, check=True, capture_output=True)
        return done.stdout


@pytest.fixture
def lhasa(tmp_path: Path) -> Lhasa:
    return Lhasa(tmp_path)


@pytest.mark.parametrize("name", [name for name in METHODS if name != "odd lh7"])
def test_sound_streams(name: str, lhasa: Lhasa) -> None:
    """Every symbol, length and distance a method has, blocks of one symbol and codes of one: the same bytes."""
    for seed in range(8):
        packed, size = METHODS[name][1](seed, size=[40, 700, 20_000, 90_000][seed % 4])
        assert own(name, packed, size) == lhasa(name, packed, size), seed


@pytest.mark.parametrize(
    ("seed", "sha256"),
    [
        (0, "b55994e25d62029580d9e86bbfe3c820e2bb2c2f06bb4f3791d4cffa86853dcb"),
        (1, "c9e06671f6f8de931dc963a1dd28074a9234dcee04693e4cd16977efceb26878"),
        (2, "1fdf6b36f96fe027817f2140b3e0693d7ddc28a32865b485574ddf0cd9f9e321"),
        (3, "cc70840f9084aa603f2da45d1cc2806b4a6465f3449199f25b8b9538f602fc5e"),
    ],
    ids=range(4),
)
def test_the_odd_lh7(seed: int, sha256: str) -> None:
    """Streams whose bytes liblhasa 0.5.0 gave; the program of the same name may be too old to know the method."""
    packed, size = METHODS["odd lh7"][1](seed, size=20_000)
    assert hashlib.sha256(own("odd lh7", packed, size)).hexdigest() == sha256


@pytest.mark.parametrize("name", [name for name in METHODS if name != "odd lh7"])
def test_damaged_streams(name: str, lhasa: Lhasa) -> None:
    """Flipped bits and cuts: what is right for one is right for the other, and nothing is longer than declared."""
    source = random.Random(name)
    streams = [METHODS[name][1](seed, size=1500) for seed in range(25)]
    rich = [stream for stream in streams if len(set(own(name, *stream))) > 20]  # others come out right by chance
    for seed in range(30):
        packed, size = rich[seed % len(rich)]
        right = own(name, packed, size)
        bad = bytearray(packed)
        bad[source.randrange(len(bad)) if seed % 2 else -1 - source.randrange(min(8, len(bad)))] ^= 1 << seed % 8
        if seed % 3 == 0:
            del bad[-source.randrange(1, 9) :]
        try:
            ours = own(name, bytes(bad), size)
        except MemberError:
            ours = b""
        assert len(ours) in (0, size)
        assert (ours == right) == (lhasa(name, bytes(bad), size) == right), seed


@pytest.mark.parametrize("name", METHODS)
def test_whatever_comes(name: str) -> None:
    """Noise, zeros, ones, nothing: an end or an error of the member, never anything else, never a byte too many."""
    source = random.Random(name)
    for packed in (b"", b"\0" * 3000, b"\xff" * 3000, b"\x55" * 3000, *[source.randbytes(600) for _ in range(30)]):
        for size in (0, 1, 5000):
            try:
                assert len(own(name, packed, size)) == size
            except MemberError as error:
                assert "packed data" in error.message


@pytest.mark.parametrize("chunk_bytes", [1, 3, 1000])
@pytest.mark.parametrize("name", ["lh1", "lh5", "lz5", "pm2"])
def test_chunks_of_any_size(name: str, chunk_bytes: int) -> None:
    """The packed bytes may come in any pieces."""
    packed, size = METHODS[name][1](5, size=3000)
    whole = own(name, packed, size)
    header = Header(0, 1, METHODS[name][0], len(packed), size, 0, 0x20)

    class Slow(Source):
        def chunks(self, offset_bytes, size_bytes):  # type: ignore[no-untyped-def]
            return (packed[at : at + chunk_bytes] for at in range(0, len(packed), chunk_bytes))

    slow = Slow(io.BytesIO(packed), len(packed), b"", "packed")
    assert b"".join(lha_decode.decode("own", slow, header, Path())) == whole


def test_a_bomb_is_handed_on_in_pieces(tmp_path: Path) -> None:
    """33 MB of spaces from 13 bytes (CRC 8CD5 by liblhasa) without holding them."""
    packed = bytes.fromhex("ffff00001fd00ffff00001fd00")
    header = Header(0, 1, "-lh5-", len(packed), 33_553_920, 0, 0x20)
    total = largest = 0
    for piece in lha_decode.decode("own", Source(io.BytesIO(packed), len(packed), b"", "packed"), header, Path()):
        largest, total = max(largest, len(piece)), total + len(piece)
        assert not piece.strip(b" ")
    assert total == 33_553_920
    assert largest < 2**23


def test_a_host_without_any_library(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every method is read all the same, within a time that fits the slower decoders."""
    monkeypatch.setattr(lha_decode, "_installed", lambda library: False)
    members = [Made(name=b"stored")]
    for method in (b"-lh4-", b"-lh5-", b"-lh6-", b"-lh7-", b"-lhx-"):
        packed = LH5_HELLO_20 if method in (b"-lh4-", b"-lh5-") else LH7_HELLO_20
        members.append(Made(name=method, data=HELLO_20, packed=packed, method=method))
    found = decode_here(archive(*members), tmp_path)
    assert found.problems == []
    assert [found.content(n) for n in range(len(members))] == [HELLO] + [HELLO_20] * 5
    assert lha_decode.share("-lh5-") < 1 == lha_decode.share("-lh0-") == lha_decode.share("deflate")


def test_the_same_disc(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disc of LHA archives is the same, byte for byte, on a host without a compiled decoder."""
    text = random.Random(2).choices([b"first ", b"second ", b"third "], k=9000)
    (tmp_path / "words.txt").write_bytes(b"".join(text))
    subprocess.run([program("jlha"), "-ao51", "x.lzh", "words.txt"], cwd=tmp_path, check=True, capture_output=True)
    small = archive(Made(name=b"hello.txt", data=HELLO_20, packed=LH7_HELLO_20, method=b"-lh7-"))
    images = []
    for start in (pool._START, WITHOUT):
        folder = tmp_path / str(len(images))
        folder.mkdir()
        bench = BenchSet(folder)
        data = (tmp_path / "x.lzh").read_bytes()
        bench.write(bench.item("x", "x.lzh", data, 'to = "X"'), bench.item("y", "y.lha", small, 'to = "Y"'))
        for path in folder.iterdir():
            os.utime(path, (WHEN, WHEN))
        monkeypatch.setattr(pool, "_START", start)
        ran = run("prepare", bench.manifest, "--out", bench.out, *bench.words)
        assert ran.code == 0, ran.err
        images.append(bench.image().read_bytes())
    assert images[0] == images[1]


def test_codes_longer_than_any(tmp_path: Path) -> None:
    """A code length told as a thousand bits costs neither memory nor time."""
    writer = Writer()
    writer.put(100, 16)
    writer.put(19, 5)
    for _ in range(19):
        writer.put(7, 3)
        writer.put((1 << 1000) - 1 << 1, 1001)
    with pytest.raises(MemberError, match="packed data"):
        own("lh5", writer.data(), Limits().member_bytes)
