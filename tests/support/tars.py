"""tar headers byte by byte, so that each field can be wrong (POSIX.1-2017 pax, "ustar Interchange Format")."""

from typing import Any

BLOCK = 512
END = bytes(2 * BLOCK)
USTAR, GNU, V7 = b"ustar\x0000", b"ustar  \0", bytes(8)


def octal(value: int, width: int) -> bytes:
    """Digits with a NUL behind them."""
    return b"%0*o\0" % (width - 1, value)


def header(
    name: bytes, size: int = 0, kind: bytes = b"0", magic: bytes = USTAR, signed: bool = False, **fields: Any
) -> bytes:
    """One header with its sum right, unless `chksum` says otherwise. Fields are bytes, by their standard names."""
    values = {
        "mode": octal(0o644, 8), "uid": octal(0, 8), "gid": octal(0, 8), "size": octal(size, 12), "mtime": octal(0, 12),
        "linkname": b"", "uname": b"", "gname": b"", "devmajor": b"", "devminor": b"", "prefix": b"",
    }  # fmt: skip
    values.update(fields)
    front = name.ljust(100, b"\0") + values["mode"] + values["uid"] + values["gid"] + values["size"] + values["mtime"]
    back = (
        kind + values["linkname"].ljust(100, b"\0") + magic + values["uname"].ljust(32, b"\0")
        + values["gname"].ljust(32, b"\0") + values["devmajor"].ljust(8, b"\0") + values["devminor"].ljust(8, b"\0")
        + values["prefix"].ljust(155, b"\0")
    ).ljust(BLOCK - 156, b"\0")  # fmt: skip
    total = sum(front) + 8 * 0x20 + sum(back)
    if signed:
        total -= 256 * sum(byte > 127 for byte in front + back)
    return front + fields.get("chksum", b"%06o\0 " % total) + back


def padded(data: bytes) -> bytes:
    return data.ljust(-(-len(data) // BLOCK) * BLOCK, b"\0")


def member(name: bytes, data: bytes = b"", **fields: Any) -> bytes:
    """A header with its data."""
    return header(name, len(data), **fields) + padded(data)


def long_name(name: bytes, kind: bytes = b"L") -> bytes:
    """GNU's pseudo-member in front of one with a long name (L) or a long link (K)."""
    return member(b"././@LongLink", name + b"\0", kind=kind, magic=GNU)


def pax(records: dict[str, bytes], kind: bytes = b"x") -> bytes:
    """An extended header; each record counts its own length."""
    return member(b"PaxHeaders/0", b"".join(record(key.encode(), value) for key, value in records.items()), kind=kind)


def record(key: bytes, value: bytes) -> bytes:
    rest = b" " + key + b"=" + value + b"\n"
    length = len(rest) + 1
    while len(b"%d" % length) + len(rest) != length:
        length += 1
    return b"%d" % length + rest
