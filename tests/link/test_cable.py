"""Block protocols against stock programs over a byte-clocked cable."""

import random
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from support.programs import program
from support.pty_line import Crossing, cross

from discprep.link.blocks import BLOCK_PROTOCOLS, send_blocks, wire_parts

RATE, SIZE = 19_200, 20_000
TURNAROUND_S = 0.003  # two programs on one host: measured
COMMANDS = {
    "xmodem": (["sx", "-q", "data.bin"], ["rx", "-q", "out.bin"]),
    "xmodem-crc": (["sx", "-q", "data.bin"], ["rx", "-q", "-c", "out.bin"]),
    "xmodem-1k": (["sx", "-q", "-k", "data.bin"], ["rx", "-q", "-c", "out.bin"]),
    "ymodem": (["sb", "-q", "-k", "data.bin"], ["rb", "-q"]),
    "zmodem": (["sz", "-q", "data.bin"], ["rz", "-q"]),
}


def send(name: str, folder: Path) -> Crossing:
    for place in ("from", "to"):
        (folder / place).mkdir(parents=True)
    content = random.Random(1).randbytes(SIZE)
    (folder / "from" / "data.bin").write_bytes(content)
    sender, receiver = COMMANDS[name]
    crossing = cross(sender, receiver, folder, RATE)
    (arrived,) = (folder / "to").iterdir()
    assert arrived.read_bytes()[:SIZE] == content, name
    return crossing


@pytest.mark.slow
def test_real_programs_take_what_the_model_says(tmp_path: Path) -> None:
    """Within 5 % each, and the bytes of the sender within 0.2 %. Source: lrzsz's programs over the cable."""
    for names in COMMANDS.values():
        for words in names:
            program(words[0], "lrzsz")
    with ThreadPoolExecutor(len(COMMANDS)) as pool:
        crossings = dict(zip(COMMANDS, pool.map(lambda name: send(name, tmp_path / name), COMMANDS), strict=True))
    for name, crossing in crossings.items():
        seconds = send_blocks(SIZE, BLOCK_PROTOCOLS[name], RATE, turnaround_s=TURNAROUND_S)
        if crossing.elapsed_s > seconds.expected * 1.05:  # five at once delay each other's replies: once more, alone
            crossing = send(name, tmp_path / f"{name}-alone")
        least_s = crossing.elapsed_s - crossing.queued_s  # what a busy computer adds is neither's
        assert least_s / 1.05 <= seconds.expected <= crossing.elapsed_s / 0.95, (name, crossing)
        assert seconds.best <= crossing.elapsed_s and least_s <= seconds.worst, (name, crossing)
        sent_bytes = sum(wire_parts(BLOCK_PROTOCOLS[name], SIZE).values())
        assert sent_bytes == pytest.approx(crossing.sent_bytes, rel=2e-3), name
