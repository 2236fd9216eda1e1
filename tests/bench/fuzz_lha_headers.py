"""Coverage-guided fuzzing of the LHA header walker with atheris (pip install atheris; it is no dependency of discprep).

    python tests/bench/fuzz_lha_headers.py -max_total_time=3600 [more options of libFuzzer] [CORPUS…]

Each input is walked to its end, nothing is decoded. Found counts: any exception, a member that claims bytes outside the
file without a problem, more members than the file can hold, 5 s for one input, 512 MB of memory.
"""

import io
import sys
import tempfile
from pathlib import Path

import atheris

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

with atheris.instrument_imports(include=["discprep.archives"]):
    from discprep.archives import lha, lha_headers, names
    from discprep.archives.base import HEAD_BYTES, Options, Source
    from discprep.model import Limits

from support.lha import resum  # noqa: E402
from support.mutants import lha_seeds  # noqa: E402

SCRATCH = Path(tempfile.gettempdir())
CRC16 = lha_headers.crc16


def walk(data: bytes) -> None:
    """Every member of one input, and what must hold of each."""
    source = Source(io.BytesIO(data), len(data), data[:HEAD_BYTES], "input")
    if not (lha.recognise(source) or lha.recognise_behind_stub(source)):
        return
    reader = lha.open_reader(source, Options(Limits(), SCRATCH))
    guard = names.Guard(Limits())
    count = 0
    for member in reader.members():
        header = reader._header
        assert header is not None
        assert member.problem or member.kind != "file" or header.end <= len(data), "bytes outside the file"
        assert header.header_bytes >= 21
        assert header.packed_bytes >= 0
        assert member.index == count
        guard.check(member)
        count += 1
    # What follows a damaged header is searched from its own second byte on: only method ids cannot overlap.
    assert count <= len(data) // 5


def one_input(data: bytes) -> None:
    """The first byte chooses: as it is, with the first header's sum made right, or with header CRCs taken as right."""
    if not data:
        return
    mode, data = data[0] % 3, data[1:]
    if mode == 1 and data and len(data) > data[0] + 2 > 22:
        data = resum(data)
    # A CRC that is always 0 lets the fuzzer write headers that verify: two zero bytes are easily found.
    lha_headers.crc16 = (lambda data, value: 0) if mode == 2 else CRC16
    walk(data)


def main() -> None:
    """Starts from the tests' archives, one file each, beside whatever corpus the command line names."""
    with tempfile.TemporaryDirectory(prefix="seeds-") as folder:
        for n, seed in enumerate(lha_seeds()):
            for mode in range(3):
                (Path(folder) / f"{n}-{mode}").write_bytes(bytes([mode]) + seed)
        options = ["-timeout=5", "-rss_limit_mb=512", "-max_len=4096"]
        atheris.Setup([sys.argv[0], *options, *sys.argv[1:], folder], one_input)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
