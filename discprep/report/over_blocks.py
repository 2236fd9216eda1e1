"""What `send` and `take` say of files that went over a line by a block protocol."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from discprep.report.faces import plain
from discprep.units import format_bytes, format_seconds


@dataclass(frozen=True, slots=True)
class CarriedFile:
    """One file, whole by the checks of its blocks."""

    path: Path
    size_bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Carried:
    """What went over the line. `expected_s`: as `estimate` tells it; `again`: blocks that went more than once."""

    command: str
    protocol: str
    files: tuple[CarriedFile, ...]
    elapsed_s: float
    expected_s: float
    again: int


def document(result: Carried) -> dict[str, Any]:
    return {
        "protocol": result.protocol,
        "files": plain(result.files),
        "elapsed_s": round(result.elapsed_s, 3),
        "expected_s": round(result.expected_s, 3),
        "blocks_again": result.again,
    }


def text(result: Carried) -> str:
    """What a block protocol promises is said as that: checked block by block, with the hash to compare where it can
    be."""
    done = "sent and acknowledged" if result.command == "send" else "taken"
    lines = [f"{f.path}: {format_bytes(f.size_bytes)} {done}, SHA-256 {f.sha256}" for f in result.files]
    again = f", {result.again} blocks went again" if result.again else ""
    lines.append(
        f"{result.protocol}, each block checked by the receiver: {format_seconds(result.elapsed_s)}, "
        f"{format_seconds(result.expected_s)} were expected{again}"
    )
    if result.protocol != "ymodem":
        lines.append("It fills the last block: the file at the other end can be longer by up to 1,023 bytes.")
    return "\n".join(lines)
