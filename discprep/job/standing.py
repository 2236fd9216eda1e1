"""What stands in a build's folder: its files, their checksums, and whether a build would change anything.

Speed matters here: it is the whole of a second run. The record is taken as plain JSON once SHA256SUMS vouches for
every byte of the folder; whoever works with a record loads it through `disc.record`, which checks its seal.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from discprep.disc.media import usable_sectors
from discprep.fetch.host import file_sha256
from discprep.model import Manifest
from discprep.report.build import Built, BuiltDisc

RECORD = "record.json"
SUMS = "SHA256SUMS"
IMAGE_PART = ".image.part"
SHEETS = ("bench-sheet.txt", "bench-sheet.html")
_IMAGE = re.compile(r"[A-Z0-9_]{1,32}-[0-9a-f]{10}\.(?:iso|tar)")


def disc_folder(out: Path, disc: int, discs: int) -> Path:
    """Where one of several discs goes; a single one goes into `out` itself."""
    return out if discs == 1 else out / f"disc-{disc}"


def image_name(volume: str, build_id: str, layout: str) -> str:
    """The final name of an image, which ends as `medium.layout` says."""
    return f"{volume}-{build_id}.{layout}"


def image_of(record: Mapping[str, Any]) -> str:
    """The same of a record's plain JSON. Raises KeyError: it is no record of ours."""
    return image_name(record["volume"], record["build_id"], record.get("layout", "iso"))


def is_image(name: str) -> bool:
    """Whether a file is called as a build calls its image."""
    return bool(_IMAGE.fullmatch(name))


def sums_text(sums: Mapping[str, str]) -> str:
    """Lines that `sha256sum -c` takes, from SHA-256 by name."""
    return "".join(f"{sha256}  {name}\n" for name, sha256 in sorted(sums.items()))


def sums_in(folder: Path, name: str = SUMS) -> dict[str, str]:
    """SHA-256 by name as a folder's list has them. Raises OSError, ValueError: there is none."""
    lines = (line.partition("  ") for line in (folder / name).read_text(encoding="ascii").splitlines())
    return {name: sha256 for sha256, _, name in lines}


def sums_of(folder: Path) -> dict[str, str]:
    """SHA-256 by name of the record and the sheets as they stand."""
    return {name: file_sha256(folder / name) for name in (RECORD, *SHEETS)}


def standing(out: Path, digest: str, manifest: Manifest) -> Built | None:
    """The build that stands in `out`, when it comes from the inputs of this digest and every byte is as written.

    Where a run was ended before an earlier build had given way, both of them stand there.
    """
    for first in (disc_folder(out, 1, 1), disc_folder(out, 1, 2)):
        try:
            records = tuple(_records(out, first, digest))
            if records and all(_sums_hold(folder, record) for folder, record in records):
                return _built(records, manifest)
        except (OSError, ValueError, KeyError, TypeError, RecursionError):
            continue  # damaged or no record of ours: the build is made anew
    return None


def _built(records: Sequence[tuple[Path, Mapping[str, Any]]], manifest: Manifest) -> Built:
    discs = tuple(_disc(folder, record, manifest) for folder, record in records)
    first = records[0][1]
    later = sum(item["place"] == "later" for item in first["items"])
    return Built(manifest.title, discs, None, float(settings_in(first)["build.seconds_at_link"]), later)


def _records(out: Path, first: Path, digest: str) -> Iterator[tuple[Path, Mapping[str, Any]]]:
    """Every disc of the build whose first one stands in `first`, with its record; none where it is another build."""
    record = record_in(first)
    discs = int(settings_in(record)["build.discs"])
    if first != disc_folder(out, 1, discs):
        return
    for number in range(1, discs + 1):
        folder = disc_folder(out, number, discs)
        record = record_in(folder) if number > 1 else record
        told = settings_in(record)
        if record["inputs_sha256"] != digest or (told["build.disc"], told["build.discs"]) != (str(number), str(discs)):
            raise ValueError("another build's")
        yield folder, record


def record_in(folder: Path) -> dict[str, Any]:
    """A folder's record as plain JSON, its files left out where they are a line each, and counted (`file_count`,
    without folders): read, thousands of them would be megabytes for nothing.

    Raises:
        OSError, ValueError, KeyError, TypeError: there is none, or it is not ours
    """
    kept, count, among_files = [], 0, False
    with (folder / RECORD).open("rb") as file:
        for line in file:
            among_files = among_files and line != b"],\n"
            if among_files:
                count += b'"sha256": ""' not in line
            else:
                kept.append(line)
            among_files = among_files or line == b'"files": [\n'
    record = dict(json.loads(b"".join(kept)))
    return record | {"file_count": count + sum(bool(file["sha256"]) for file in record["files"])}


def settings_in(record: Mapping[str, Any]) -> dict[str, str]:
    """Its settings. Raises KeyError, ValueError, TypeError: it is no record of ours."""
    return dict(record["settings"])


def _sums_hold(folder: Path, record: Mapping[str, Any]) -> bool:
    """Whether every file of the build is what SHA256SUMS says. Raises OSError where one is missing."""
    listed = sums_in(folder)
    own = {image_of(record), RECORD, *SHEETS}
    if not own <= set(listed) or not all(map(is_image, set(listed) - own)):
        return False
    return all(file_sha256(folder / name) == listed[name] for name in own)


def _disc(folder: Path, record: Mapping[str, Any], manifest: Manifest) -> BuiltDisc:
    return BuiltDisc(
        folder,
        folder / image_of(record),
        folder / RECORD,
        record["build_id"],
        record["image_sectors"],
        usable_sectors(manifest.medium),
        record["image_sha256"],
        record["file_count"],
        sum(item["place"] == "burn" for item in record["items"]),
        float(settings_in(record)["build.copy_s"]),
        unchanged=True,
    )
