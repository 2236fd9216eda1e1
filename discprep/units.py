"""Parse and format bytes, seconds and rates. Decimal units (MB) are powers of 1000, binary (MiB) of 1024."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime

SECTOR_BYTES = 2048  # a logical sector of a data disc (ECMA-119 §6.1.2)

_SIZE_UNITS = {
    "b": 1, "byte": 1, "bytes": 1,
    "kb": 10**3, "mb": 10**6, "gb": 10**9,
    "kib": 2**10, "mib": 2**20, "gib": 2**30,
}  # fmt: skip
_TIME_UNITS = {
    "ms": 0.001, "s": 1, "sec": 1, "second": 1, "seconds": 1, "min": 60, "minute": 60, "minutes": 60,
    "h": 3600, "hour": 3600, "hours": 3600, "d": 86400, "day": 86400, "days": 86400,
}  # fmt: skip
NUMBER = r"(?:[0-9]{1,3}(?:,[0-9]{3})+|[0-9][0-9_]*)(?:\.[0-9]+)?"  # a comma groups thousands, or is none of it


def parse_size(text: str | int) -> int:
    """Bytes [B] from an integer or a text with an optional unit: `"650 MB"`, `"640 KiB"`, `"1_440_000"`.

    Raises:
        ValueError: not a number with a known unit, or not a whole number of bytes
    """
    if isinstance(text, int):
        return text
    number, unit = _split(text, _SIZE_UNITS, "B, KB, MB, GB, KiB, MiB, GiB", default="b")
    size_bytes = number * _SIZE_UNITS[unit]
    if math.isinf(size_bytes):
        raise ValueError(f"{text[:20]!r}… is larger than any file")
    if size_bytes != int(size_bytes):
        raise ValueError(f"{text!r} is not a whole number of bytes")
    return int(size_bytes)


def parse_duration(text: str | int | float) -> float:
    """Seconds [s] from a number or a text: `"2 h"`, `"90 min"`, `"1 h 30 min"`.

    Raises:
        ValueError: not numbers with known units
    """
    if isinstance(text, int | float):
        return float(text)
    if re.fullmatch(rf"\s*{NUMBER}\s*", text):
        return _product(text, _TIME_UNITS, "s", default="s")
    if not re.fullmatch(rf"\s*(?:{NUMBER}\s*[A-Za-z]+[\s,]*)+", text):
        raise ValueError(f'{text!r} is not a duration such as "2 h" or "90 min"{comma_hint(text)}')
    parts = re.findall(rf"{NUMBER}\s*[A-Za-z]+", text)
    return sum(_product(part, _TIME_UNITS, "ms, s, min, h, d", default="s") for part in parts)


def _product(text: str, units: dict[str, float] | dict[str, int], known: str, *, default: str) -> float:
    number, unit = _split(text, units, known, default=default)
    return number * units[unit]


def _split(text: str, units: object, known: str, *, default: str) -> tuple[float, str]:
    match = re.fullmatch(rf"\s*({NUMBER})\s*([A-Za-z]*)\s*", text)
    unit = (match[2].lower() or default) if match else ""
    if not match or unit not in units:  # type: ignore[operator]
        raise ValueError(f"{text!r} is not a number with one of the units {known}{comma_hint(text)}")
    return float(match[1].replace("_", "").replace(",", "")), unit


def comma_hint(text: str) -> str:
    """What is said besides of a text that is no number and has a comma in it."""
    return "; a comma groups thousands here: write 1.5, not 1,5" if re.search("[0-9],[0-9]", text) else ""


def format_bytes(size_bytes: int) -> str:
    """A size for people, three figures, decimal units: 412331 is `412 KB`, 3100000 is `3.10 MB`."""
    if size_bytes < 1000:
        return f"{size_bytes} B"
    value = float(size_bytes)
    for unit in ("KB", "MB", "GB", "TB"):
        value /= 1000
        if value < 999.5 or unit == "TB":
            break
    decimals = 2 if value < 9.995 else 1 if value < 99.95 else 0
    return f"{value:.{decimals}f} {unit}"


def format_memory(size_bytes: int) -> str:
    """A memory in the units that it is sold in, powers of 1024: 8388608 is `8 MB`, 524288 `512 KB`.

    >>> format_memory(8 * 2**20), format_memory(3 * 2**19), format_memory(640 * 1024), format_memory(500)
    ('8 MB', '1.5 MB', '640 KB', '500 B')
    """
    for unit, bits in (("GB", 30), ("MB", 20), ("KB", 10)):
        if size_bytes >= 1 << bits:
            return f"{size_bytes / (1 << bits):.4g} {unit}"
    return f"{size_bytes} B"


def format_seconds(elapsed_s: float) -> str:
    """A time for people: `0.06 s`, `18.6 s`, `4 min 03 s`, `2 h 30 min`, `3 d 4 h`. Negative times keep their sign."""
    if elapsed_s < 0:
        return f"-{format_seconds(-elapsed_s)}"
    if elapsed_s < 9.995:
        return f"{elapsed_s:.2f} s"
    if elapsed_s < 59.95:
        return f"{elapsed_s:.1f} s"
    whole = round(elapsed_s)
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    minutes = round(elapsed_s / 60)
    if minutes < 2880:
        return f"{minutes // 60} h {minutes % 60:02d} min"
    hours = round(elapsed_s / 3600)
    return f"{hours // 24} d {hours % 24} h"


def format_day(time_s: int) -> str:
    """The day of a moment [s since 1970 UTC].

    >>> format_day(1_772_600_768)
    '2026-03-04'
    """
    return datetime.fromtimestamp(time_s, UTC).date().isoformat()


def format_rate(rate_bytes_s: float) -> str:
    """A rate for people: `5.23 KB/s`."""
    return f"{format_bytes(round(rate_bytes_s))}/s"
