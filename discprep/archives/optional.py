"""7z and RAR through maintained libraries that are installed on demand: `discprep[sevenzip]`, `discprep[rar]`.

py7zr lists and unpacks 7z. rarfile lists RAR and unpacks what is stored; for packed members it drives a program of
the host (unrar, unar, 7z or bsdtar). Both are seen through `base.Reader`, their errors as ours.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Literal

from discprep.archives.base import CHUNK_BYTES, Again, Format, MemberError, Options, Remarking, Source, enforced
from discprep.archives.times import filetime
from discprep.errors import ArchiveError, ToolError
from discprep.members import Member, MemberKind

SEVENZIP_MARK = b"7z\xbc\xaf\x27\x1c"
RAR_MARKS = (b"Rar!\x1a\x07\x00", b"Rar!\x1a\x07\x01\x00")
RETRIES = 16  # a 7z archive is gone through again for the members behind a damaged one
UNIX_EXTENSION = 0x8000  # 7z: the high half of the attributes is a unix mode


def _missing(what: str, library: str, extra: str) -> ToolError:
    return ToolError(
        f"{what} archives are read through the library {library}, which is not installed",
        hint=f"pip install 'discprep[{extra}]', then run it again.",
    )


# ---------------------------------------------------------------------------------------------------- 7z


class SevenZipReader(Remarking):
    """An open 7z archive. Members of a solid archive are unpacked together, into files of the scratch folder."""

    format = "7z"

    def __init__(self, source: Source, options: Options) -> None:
        try:
            import py7zr
        except ImportError:
            raise _missing("7z", "py7zr", "sevenzip") from None
        super().__init__()
        self._options = options
        self._scratch: Path | None = None
        self._faults: dict[int, str] = {}
        source.file.seek(0)
        try:
            self._archive = py7zr.SevenZipFile(source.file, max_extract_size=options.limits.total_bytes)
            self._encrypted = self._archive.needs_password()
            self._infos = [entry.file_properties() for entry in self._archive.files]
            self._entries = list(self._archive.files)
            self._names = [str(entry.filename) for entry in self._entries]
        except Exception as error:  # the library raises whatever a damaged header leads it to
            raise ArchiveError(f"the header of the 7z archive cannot be read ({_said(error)})") from error

    def members(self) -> Iterator[Member]:
        for index, entry in enumerate(self._entries):
            name = self._names[index]
            attributes, system = _bits(self._infos[index].get("attributes"))
            kind: MemberKind = "folder" if entry.is_directory else "link" if entry.is_symlink else "file"
            crc = entry.crc32
            yield Member(
                index, name.replace("\\", "/"), name.encode("utf-8", "surrogateescape"), kind,
                0 if kind == "folder" else int(entry.uncompressed or 0), method="7z",
                time_s=filetime(int(entry.lastwritetime)) if entry.lastwritetime else None,
                attributes=attributes, attribute_system=system,
                checksum=f"crc32 {crc:08x}" if crc is not None else "",
                problem="encrypted: neither checked nor unpacked without its password" if self._encrypted else "",
            )  # fmt: skip

    def read(self, member: Member) -> Iterator[bytes]:
        folder = self._unpacked()
        if member.index in self._faults:
            raise MemberError(self._faults[member.index])
        place = folder / str(member.index)
        return enforced(_file_chunks(place), member.size_bytes, member.checksum)

    def close(self) -> None:
        with contextlib.suppress(Exception):
            self._archive.close()

    def _unpacked(self) -> Path:
        """The folder with all members, each under its index; what could not be unpacked is in `_faults`."""
        if self._scratch is None:
            import tempfile

            self._scratch = Path(tempfile.mkdtemp(dir=self._options.scratch))
            wanted = {i for i, entry in enumerate(self._entries) if not entry.is_directory}
            # Under their own names, hostile ones would stop the library: an index is always a fine name.
            for index, info in enumerate(self._infos):
                info["filename"] = str(index)
            for _ in range(RETRIES):
                wanted = self._unpack(self._scratch, wanted)
                if not wanted:
                    break
            self._faults.update(dict.fromkeys(wanted, "too many damaged members in front of it; it was not unpacked"))
        return self._scratch

    def _unpack(self, folder: Path, wanted: set[int]) -> set[int]:
        """Unpacks the wanted members; those behind the first damaged one are given back."""
        factory = _writers(folder, self._entries, self._options)
        try:
            self._archive.reset()
            self._archive.extract(targets=[str(index) for index in wanted], factory=factory)
        except Exception as error:  # as above
            left = wanted - set(factory.begun)
            failed = factory.begun[-1] if factory.begun else min(wanted)
            self._faults[failed] = f"its packed bytes do not decode ({_said(error)})"
            return left - {failed}
        finally:
            factory.close()
        return set()


def _writers(folder: Path, entries: Sequence[Any], options: Options) -> Any:
    """A factory, as py7zr wants it, of files in `folder` that hold no more than their members' sizes."""
    from py7zr import Py7zIO, WriterFactory
    from py7zr.io import NullIO

    class Bounded(NullIO):  # type: ignore[misc, unused-ignore]
        def __init__(self, path: Path, most: int) -> None:
            self._file = path.open("wb")
            self._left = most

        def write(self, data: bytes | bytearray) -> int:
            options.alive()
            self._file.write(data[: max(self._left + 1, 0)])
            self._left -= len(data)
            return len(data)

        def flush(self) -> None:
            self._file.flush()

        def close(self) -> None:
            self._file.close()

    class Factory(WriterFactory):  # type: ignore[misc, unused-ignore]
        def __init__(self) -> None:
            self.begun: list[int] = []
            self._open: Bounded | None = None

        def create(self, filename: str) -> Py7zIO:
            index = int(Path(filename).name)
            self.begun.append(index)
            self._open = Bounded(folder / str(index), int(entries[index].uncompressed or 0))
            return self._open

        def close(self) -> None:
            if self._open:
                self._open.close()  # the library leaves the file open that it failed on

    return Factory()


def _bits(stored: int | None) -> tuple[int | None, Literal["", "dos", "unix"]]:
    """Attribute bits and their system from 7z's attributes."""
    if stored is None:
        return None, ""
    return (stored >> 16, "unix") if stored & UNIX_EXTENSION else (stored & 0xFF, "dos")


def _file_chunks(path: Path) -> Iterator[bytes]:
    """The file's bytes; it is taken away when they are read."""
    if path.exists():
        with path.open("rb") as file:
            while chunk := file.read(CHUNK_BYTES):
                yield chunk
        path.unlink()


# --------------------------------------------------------------------------------------------------- RAR


class RarReader(Remarking):
    """An open RAR archive."""

    format = "rar"

    def __init__(self, source: Source, options: Options) -> None:
        try:
            import rarfile
        except ImportError:
            raise _missing("RAR", "rarfile", "rar") from None
        super().__init__()
        self._library = rarfile
        self._options = options
        self._programs: list[Any] | None = None  # looked for when a packed member asks for one
        self._tried = 0  # programs that failed on the member at hand
        rarfile.HACK_TMP_DIR = str(options.scratch)  # where it copies an archive for a program to read
        try:
            self._archive = self._opened(source, "strict")
        except Exception as error:  # the library raises whatever a damaged header leads it to
            self.problems.append(f"its headers are damaged ({_said(error)}); members behind the damage are missing")
            try:
                self._archive = self._opened(source, "stop")
            except Exception as again:
                raise ArchiveError(f"the headers of the RAR archive cannot be read ({_said(again)})") from again
        self._infos = self._archive.infolist()
        if _is_volume(source.head):
            self.problems.append("one volume of several: what goes on in the others is not read")
        if self._archive.needs_password() and not self._infos:
            self.problems.append("even its list of members is encrypted")
        if self._archive.comment:
            self.notices.append(f"the archive's comment: {self._archive.comment.strip()}")

    def _opened(self, source: Source, errors: str) -> Any:
        """The library's archive. It is given a file object, not a path, so that it looks for no volumes beside it."""
        source.file.seek(0)
        return self._library.RarFile(source.file, charset=self._options.charset, errors=errors, part_only=True)

    def members(self) -> Iterator[Member]:
        import calendar

        for index, info in enumerate(self._infos):
            kind: MemberKind = "folder" if info.is_dir() else "link" if info.is_symlink() else "file"
            name = str(info.filename)
            raw = info.orig_filename if isinstance(info.orig_filename, bytes) else name.encode("utf-8", "replace")
            moment = calendar.timegm(info.date_time) if info.date_time else None
            system: Literal["dos", "unix"] = "unix" if info.host_os == self._library.RAR_OS_UNIX else "dos"
            crc = info.CRC if kind == "file" and not info.file_redir else None  # a copy's own record has none
            yield Member(
                index, name.replace("\\", "/"), raw, kind, 0 if kind == "folder" else info.file_size,
                info.compress_size, f"rar-m{info.compress_type - 0x30}", moment, info.mode, system, info.comment or "",
                f"crc32 {crc:08x}" if crc is not None else "",
                self._problem(info), info.file_redir[2] if info.file_redir else "",
            )  # fmt: skip

    def _problem(self, info: Any) -> str:
        if info.needs_password():
            return "encrypted: neither checked nor unpacked without its password"
        if info.volume or info.flags & (self._library.RAR_FILE_SPLIT_BEFORE | self._library.RAR_FILE_SPLIT_AFTER):
            return "it goes on in another volume, which is not read"
        return ""

    def read(self, member: Member) -> Iterator[bytes]:
        if self._infos[member.index].compress_type == self._library.RAR_M0:
            yield from enforced(self._chunks(member), member.size_bytes, member.checksum)
            return
        if self._programs is None:
            self._programs = _rar_programs(self._library)
        if not self._programs:
            raise ToolError(
                "its members are packed, and no program that unpacks RAR was found",
                hint="Install unrar, unar or bsdtar (Debian: apt-get install libarchive-tools), then run it again.",
            )
        self._library.CURRENT_SETUP = self._programs[self._tried]
        try:
            yield from enforced(self._chunks(member), member.size_bytes, member.checksum)
        except MemberError as error:
            # No program knows every version of the format: the member is damaged only when none reproduces it.
            self._tried += 1
            if self._tried < len(self._programs):
                raise Again from None
            self._tried = 0
            names = ", ".join(program.get_cmdline("check_cmd", None)[0] for program in self._programs)
            raise MemberError(f"{error.message}; unpacked by {names}", computed=error.computed) from error
        self._programs.insert(0, self._programs.pop(self._tried))
        self._tried = 0

    def _chunks(self, member: Member) -> Iterator[bytes]:
        try:
            with self._archive.open(self._infos[member.index]) as file:
                while chunk := file.read(CHUNK_BYTES):
                    yield chunk
        except (self._library.Error, EOFError, ValueError) as error:
            raise MemberError(f"its packed bytes do not decode ({_said(error)})") from error

    def close(self) -> None:
        self._archive.close()


def _is_volume(head: bytes) -> bool:
    """Whether the main header's flags say so: the word behind CRC and type, or in the newer format the last of its
    four or five numbers (the format's published technical notes)."""
    if head.startswith(RAR_MARKS[0]):
        return bool(head[10:11]) and bool(head[10] & 1)
    numbers, at = list[int](), 12
    while len(numbers) < 5 and at < len(head):
        number, shift = 0, 0
        while at < len(head) and head[at] & 0x80 and shift < 63:
            number, shift, at = number | (head[at] & 0x7F) << shift, shift + 7, at + 1
        numbers.append(number | (head[at : at + 1] or b"\0")[0] << shift)
        at += 1
    if len(numbers) < 5 or numbers[1] != 1:
        return False
    return bool(numbers[4 if numbers[2] & 1 else 3] & 1)


def _rar_programs(library: Any) -> list[Any]:
    """The library's settings for each program of this host that may unpack RAR."""

    class Bsdtar(library.ToolSetup):  # type: ignore[misc]
        def open_cmdline(self, password: Any, archive: str, name: str | None = None) -> list[str]:
            # The library (4.5) puts the `--` between -f and its value.
            return [library.BSDTAR_TOOL, "-xOf", archive, "--", *([name] if name else [])]

    plain = (library.UNRAR_CONFIG, library.UNAR_CONFIG, library.SEVENZIP_CONFIG, library.SEVENZIP2_CONFIG)
    setups = [*map(library.ToolSetup, plain), Bsdtar(library.BSDTAR_CONFIG)]
    return [setup for setup in setups if setup.check()]


def _said(error: Exception) -> str:
    """A library's own words, or at least the kind of its error."""
    return str(error).strip().split("\n")[0] or type(error).__name__


FORMATS = (
    Format("7z", 0, lambda source: source.head.startswith(SEVENZIP_MARK), SevenZipReader),
    Format("rar", 0, lambda source: source.head.startswith(RAR_MARKS), RarReader),
)
