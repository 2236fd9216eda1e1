"""What stands in a build's folder: its files, their checksums, and whether a build would change anything.

Speed matters here: it is the whole of a second run. The record is taken as plain JSON once SHA256SUMS vouches for
every byte of the folder; whoever works with a record loads it through `disc.record`, which checks its seal.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from discprep.disc.media import usable_sectors
from discprep.model import Manifest
from discprep.report.build import Built, BuiltDisc

RECORD = "record.json"
SUMS = "SHA256SUMS"
SHEETS = ("bench-sheet.txt", "bench-sheet.html")
_IMAGE = re.compile(r"[A-Z0-9_]{1,32}-[0-9a-f]{10}\.iso")


def disc_folder(out: Path, disc: int, discs: int) -> Path:
    """Where one of several discs goes; a single one goes into `out` itself."""
    return out if discs == 1 else out / f"disc-{disc}"


def image_name(volume: str, build_id: str) -> str:
    """The final name of an image."""
    return f"{volume}-{build_id}.iso"


def sums_text(folder: Path, known: Mapping[str, str]) -> str:
    """Lines that `sha256sum -c` takes, for the record, the sheets and what is `known` by name already."""
    sums = dict(known)
    for name in (RECORD, *SHEETS):
        sums[name] = hashlib.sha256((folder / name).read_bytes()).hexdigest()
    return "".join(f"{sha256}  {name}\n" for name, sha256 in sorted(sums.items()))


def old_image(folder: Path) -> str:
    """The name of the image of an earlier build in this folder, by its checksum list; empty without one."""
    try:
        text = (folder / SUMS).read_text(encoding="ascii")
    except (OSError, ValueError):
        return ""
    names = [line[66:] for line in text.splitlines() if _IMAGE.fullmatch(line[66:])]
    return names[0] if len(names) == 1 else ""


def standing(out: Path, digest: str, manifest: Manifest) -> Built | None:
    """The build that stands in `out`, when it comes from the inputs of this digest and every byte is as written."""
    folders = [out] if (out / RECORD).exists() else sorted(out.glob("disc-*"), key=lambda f: (len(f.name), f.name))
    try:
        records = [_record(folder) for folder in folders]
        if not records or not all(_made_from(record, digest, len(records)) for record in records):
            return None
        if not all(_sums_hold(folder, record) for folder, record in zip(folders, records, strict=True)):
            return None
        discs = tuple(_disc(folder, record, manifest) for folder, record in zip(folders, records, strict=True))
        waiting_s = float(_settings(records[0])["build.seconds_at_link"])
        later = sum(item["place"] == "later" for item in records[0]["items"])
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None  # damaged or no record of ours: the build is made anew
    return Built(manifest.title, discs, None, waiting_s, later)


def _record(folder: Path) -> dict[str, Any]:
    record = json.loads((folder / RECORD).read_bytes())
    if not isinstance(record, dict):
        raise TypeError("no record")
    return record


def _settings(record: Mapping[str, Any]) -> dict[str, str]:
    return dict(record["settings"])


def _made_from(record: Mapping[str, Any], digest: str, discs: int) -> bool:
    return record["inputs_sha256"] == digest and _settings(record)["build.discs"] == str(discs)


def _sums_hold(folder: Path, record: Mapping[str, Any]) -> bool:
    """Whether every file of the build is what SHA256SUMS says. Raises OSError where one is missing."""
    lines = (line.partition("  ") for line in (folder / SUMS).read_text(encoding="ascii").splitlines())
    listed = {name: sha256 for sha256, _, name in lines}
    if set(listed) != {image_name(record["volume"], record["build_id"]), RECORD, *SHEETS}:
        return False
    return all(_hash(folder / name) == sha256 for name, sha256 in listed.items())


def _hash(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _disc(folder: Path, record: Mapping[str, Any], manifest: Manifest) -> BuiltDisc:
    return BuiltDisc(
        folder,
        folder / image_name(record["volume"], record["build_id"]),
        folder / RECORD,
        record["build_id"],
        record["image_sectors"],
        usable_sectors(manifest.medium),
        record["image_sha256"],
        sum(bool(file["sha256"]) for file in record["files"]),
        sum(item["place"] == "burn" for item in record["items"]),
        float(_settings(record)["build.copy_s"]),
        unchanged=True,
    )
