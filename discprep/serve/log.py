"""The log of transfers: JSON lines beside the manifest, one written whole for each transfer.

A torn last line, which a kill leaves, is passed over (`fetch/lines.py` has how they are written).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from heapq import nlargest
from pathlib import Path

from discprep.fetch import lines
from discprep.model import Notice

FORMAT = 1
MOST_APART = 1000  # stretches of one file: of who asks for it in more bits the smallest are forgotten
ENOUGH_BYTES = 10_000  # below it, connecting weighs more than the line: no measure of a rate (link reference, part 0)


@dataclass(frozen=True, slots=True)
class Transfer:
    """One transfer as far as it came.

    Attributes:
        at_s: when it began, seconds since 1970 UTC
        first_byte, bytes: what was sent and acknowledged by the other side: `bytes` from `first_byte` of `size_bytes`
        seconds: from the connection's first packet to the acknowledgement of the last byte [s]
        rate_bytes_s: bytes / seconds
        resumed: whether the client asked for a part
        complete: whether all that was asked for arrived
        fresh: whether it was the first on its connection
    """

    at_s: int
    item: str
    file: str
    sha256: str
    size_bytes: int
    first_byte: int
    bytes: int
    seconds: float
    rate_bytes_s: float
    resumed: bool
    complete: bool
    fresh: bool
    client: str
    protocol: str = "1.0"
    archive_sha256: str = ""  # of the item as it was fetched then, whatever the shape; "": not noted


def log_path(manifest: Path) -> Path:
    """`first.toml` has its log in `first.pulls.jsonl` beside it."""
    return manifest.with_suffix(".pulls.jsonl")


def append(path: Path, transfer: Transfer) -> None:
    """Adds one line. Raises OSError."""
    lines.append(path, {"pull": FORMAT, **asdict(transfer)})


def read(path: Path) -> tuple[Transfer, ...]:
    """Every whole line, in order; none when there is no log yet. Torn and foreign lines are passed over.

    Raises:
        OSError: it cannot be read
    """
    return look(path)[0]


def look(path: Path) -> tuple[tuple[Transfer, ...], tuple[Notice, ...]]:
    """The same, with a remark where lines were passed over."""
    found, odd = lines.records(path, "pull", FORMAT, Transfer, _sound)
    remark = Notice(
        f"{_lines(odd)} half-written or no transfer: passed over, all others count",
        where=str(path),
        hint="A kill or a full disk leaves that. What it told of may be offered once more.",
    )
    return found, (remark,) if odd else ()


def _lines(numbers: Sequence[int]) -> str:
    if len(numbers) == 1:
        return f"line {numbers[0]} is"
    more = f" and {len(numbers) - 5} more" if len(numbers) > 5 else ""
    return f"lines {', '.join(map(str, numbers[:5]))}{more} are"


def _sound(transfer: Transfer) -> bool:
    numbers = (transfer.bytes, transfer.seconds, transfer.size_bytes, transfer.first_byte, transfer.rate_bytes_s)
    texts = (transfer.item, transfer.file, transfer.sha256, transfer.client, transfer.archive_sha256)
    return all(isinstance(n, int | float) and n >= 0 for n in numbers) and all(isinstance(t, str) for t in texts)


Spans = dict[str, list[tuple[int, int]]]
"""Half-open stretches of bytes that arrived, in order and apart, by the SHA-256 of the file that they are of."""


def note(spans: Spans, transfers: Iterable[Transfer]) -> set[str]:
    """Adds what arrived. Returns the SHA-256 of the files that it is of.

    A part that went to one client and a part that went to another count together: behind a bridge all look alike.
    """
    new: Spans = {}
    for transfer in transfers:
        new.setdefault(transfer.sha256, []).append((transfer.first_byte, transfer.first_byte + transfer.bytes))
    for sha256, stretches in new.items():
        spans[sha256] = apart([*spans.get(sha256, ()), *stretches])
    return set(new)


def apart(spans: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """What some half-open spans cover together, in stretches that do not touch; of very many the longest.

    >>> apart([(20, 21), (5, 12), (0, 10)])
    [(0, 12), (20, 21)]
    """
    found: list[tuple[int, int]] = []
    for start, end in sorted(spans):
        if found and start <= found[-1][1]:
            found[-1] = found[-1][0], max(end, found[-1][1])
        else:
            found.append((start, end))
    return found if len(found) <= MOST_APART else sorted(nlargest(MOST_APART, found, lambda one: one[1] - one[0]))


def covered(spans: Iterable[tuple[int, int]], first_byte: int, size_bytes: int) -> int:
    """How much of a stretch some spans, apart from each other, cover.

    >>> covered([(0, 10), (15, 30)], 5, 20)
    15
    """
    last = first_byte + size_bytes
    return sum(max(0, min(end, last) - max(start, first_byte)) for start, end in spans)


def had_bytes(transfers: Iterable[Transfer]) -> dict[str, int]:
    """Bytes that the machine has of each file, by SHA-256: the union of the parts that arrived."""
    spans: Spans = {}
    note(spans, transfers)
    return {sha256: sum(end - start for start, end in parts) for sha256, parts in spans.items()}


def measured(transfers: Iterable[Transfer]) -> tuple[tuple[int, float], ...]:
    """(bytes, seconds) of the transfers that say something about the line: complete, new on their connection, not
    small, and not to the serving computer itself unless nothing else was served. Oldest first."""
    useful = [t for t in transfers if t.complete and t.fresh and t.bytes >= ENOUGH_BYTES and t.seconds > 0]
    outside = [t for t in useful if not t.client.startswith("127.") and t.client != "::1"]
    return tuple((t.bytes, t.seconds) for t in outside or useful)
