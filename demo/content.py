"""The demonstration's invented software: a museum reading room's packages, made from a fixed seed.

Everything here is made up: texts from a small vocabulary, pictures as plain bitmaps, programs as bytes that do
nothing. Names, rates and settings belong to the demonstration alone.
"""

from __future__ import annotations

import random
import struct

WORDS = (  # noqa: SIM905  the words read better so
    "reading room shelf lamp index drawer card folio map plate margin binding ledger catalogue visitor guard "
    "window northern gallery early print copper engraving curator label ribbon key notebook harbour chart "
    "season opening closing quiet desk inkwell paper fold corner worn restored gift donor number entry"
).split()


def text(seed: str, size_bytes: int, newline: str = "\r\n") -> bytes:
    """Sentences in short lines, about `size_bytes` in all."""
    source = random.Random(seed)
    lines, total = [], 0
    while total < size_bytes:
        words = [source.choice(WORDS) for _ in range(source.randint(6, 11))]
        line = " ".join(words).capitalize() + "."
        lines.append(line)
        total += len(line) + len(newline)
    return (newline.join(lines) + newline).encode("ascii")


def program(seed: str, size_bytes: int) -> bytes:
    """Bytes with the texture of a program: short patterns, tables, runs of zeros."""
    source = random.Random(seed)
    patterns = [source.randbytes(source.randint(2, 6)) for _ in range(40)]
    out = bytearray(b"\x4d\x5a" + struct.pack("<HH", size_bytes & 511, size_bytes // 512 + 1))
    while len(out) < size_bytes:
        out += source.choice(patterns)
        if source.random() < 0.04:
            out += bytes(source.randint(4, 40))
        if source.random() < 0.25:
            out += source.randbytes(3)
    return bytes(out[:size_bytes])


def picture(seed: str, width: int, height: int) -> bytes:
    """A grey bitmap (Netpbm P5): overlapping soft discs."""
    source = random.Random(seed)
    discs = [(source.randrange(width), source.randrange(height), source.randint(10, 60)) for _ in range(6)]
    rows = bytearray()
    for y in range(height):
        for x in range(width):
            shade = sum(max(0, r * r - (x - cx) ** 2 - (y - cy) ** 2) for cx, cy, r in discs)
            rows.append(min(255, 40 + shade // 24) & 0xF8)
    return b"P5 %d %d 255\n" % (width, height) + bytes(rows)


def packages() -> dict[str, dict[str, bytes]]:
    """Each invented package: its file name without an ending, and its members."""
    line_config = b"; line settings of the reading-room machine\r\nport=1\r\nrate=19200\r\nframing=8N1\r\nmtu=1500\r\n"
    hosts = b"; names the machine should know\r\nresolver=0.0.0.0\r\nbridge=0.0.0.0\r\nmachine=0.0.0.0\r\n"
    return {
        "linedrv": {
            "LINEDRV.SYS": program("linedrv", 9_400),
            "LINETEST.COM": program("linetest", 3_100),
            "READ.ME": text("linedrv", 1_900),
        },
        "iptools": {
            "net/IPSTACK.COM": program("ipstack", 38_000),
            "net/PING.COM": program("ping", 6_200),
            "net/setup/line.config": line_config,
            "net/setup/hosts.config": hosts,
            "net/Read me first.text": text("iptools", 4_500),
        },
        "puller": {
            "PULL.EXE": program("puller", 21_500),
            "PULL.TXT": text("puller", 3_000),
            "SITES.LST": b"shelf\r\n",
        },
        "untie": {"UNTIE.EXE": program("untie", 24_800), "UNTIE.TXT": text("untie", 2_200)},
        "sumcheck": {"SUMCHECK.COM": program("sumcheck", 4_800), "SUMCHECK.TXT": text("sumcheck", 900)},
        "wardedit": {
            "WARDEDIT.EXE": program("wardedit", 46_000),
            "HELP/KEYS.TXT": text("keys", 5_000),
            "HELP/first-steps.text": text("steps", 7_000),
        },
        "leafview": {
            "leafview/LEAFVIEW.EXE": program("leafview", 118_000),
            "leafview/HOME.HTM": b"<html><head><title>Reading room</title></head>\r\n"
            b"<body><h1>Reading room</h1></body></html>\r\n",
            "leafview/fonts/ROOM08.FNT": program("room08", 9_000),
            "leafview/fonts/ROOM12.FNT": program("room12", 14_000),
        },
        "catalog": {
            f"catalog/shelf{n:02d}.text": text(f"shelf{n}", 16_000 + 700 * n) for n in range(1, 15)
        },
        "plates": {f"plates/plate{n:02d}.pgm": picture(f"plate{n}", 200, 140) for n in range(1, 11)},
        "floormap": {f"floors/floor{n}.pgm": picture(f"floor{n}", 220, 160) for n in range(1, 4)},
        "manuals": {
            f"manuals/chapter {n}.text": text(f"manual{n}", 22_000) for n in range(1, 7)
        },
        "notices": {"NOTICES.TXT": text("notices", 60_000), "HOURS.TXT": text("hours", 2_000)},
        "pastimes": {
            "pastimes/TILES.EXE": program("tiles", 64_000),
            "pastimes/PATIENCE.EXE": program("patience", 71_000),
            "pastimes/SCORES.DAT": bytes(4_096),
        },
    }
