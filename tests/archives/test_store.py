"""Archives at rest: decoded once, found again by hash, damage noticed, archives inside archives."""

import gzip
import hashlib
import io
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from support.lha import BOMB, BOMB_BYTES, HELLO, LEVEL_1, Made, archive

from discprep.archives import OpenTask, open_all, pool, read_content
from discprep.errors import IntegrityError
from discprep.job import inspect as inspecting
from discprep.model import Limits, Opened


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "store"


def put(folder: Path, name: str, data: bytes, nested: int = 0, charset: str | None = None) -> OpenTask:
    path = folder / name
    path.write_bytes(data)
    return OpenTask(path, hashlib.sha256(data).hexdigest(), charset, nested, name)


def open_here(store: Path, *tasks: OpenTask, limits: Limits | None = None) -> list[Opened]:
    return list(open_all(tasks, store=store, limits=limits or Limits(), workers=1))


@pytest.fixture
def no_worker(monkeypatch: pytest.MonkeyPatch) -> Iterator[pytest.MonkeyPatch]:
    """Fails whatever tries to start a worker, from `.setattr` on."""
    yield monkeypatch


def forbid(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(scratch: Path) -> None:
        raise AssertionError("a worker was started although the listing is there")

    monkeypatch.setattr(pool, "start_worker", refuse)


def test_decoded_once(tmp_path: Path, store: Path, no_worker: pytest.MonkeyPatch) -> None:
    """The second call reads the listing and starts no worker; both give the same."""
    task = put(tmp_path, "x.lha", archive(Made(name=b"a"), Made(name=b"b", data=b"other"), Made(name=b"bad", crc=1)))
    first = open_here(store, task)
    forbid(no_worker)
    assert open_here(store, task) == first
    assert [b"".join(read_content(e.content)) for e in first[0].members if e.content] == [HELLO, b"other"]


def test_contents_and_hashes(tmp_path: Path, store: Path) -> None:
    """Each content's place and SHA-256 are right, by Python's own hash of the bytes there."""
    datas = [b"", b"x", HELLO * 1000, bytes(range(256))]
    made = [Made(name=b"%d" % n, data=data) for n, data in enumerate(datas)]
    (result,) = open_here(store, put(tmp_path, "x.lha", archive(*made)))
    assert result.whole
    for data, entry in zip(datas, result.members, strict=True):
        content = entry.content
        assert content is not None
        assert content.path.read_bytes()[content.offset_bytes :][: content.size_bytes] == data
        assert content.sha256 == hashlib.sha256(data).hexdigest()


def test_order_of_tasks(tmp_path: Path, store: Path) -> None:
    """Large and small archives, known and new ones, come back in the order asked."""
    tasks = [put(tmp_path, f"{n}", archive(Made(name=b"%d" % n, data=HELLO * (n % 5) ** 6))) for n in range(30)]
    open_here(store, *tasks[::3])
    names = [result.members[0].member.name for result in open_all(tasks, store=store, limits=Limits(), workers=3)]
    assert names == [str(n) for n in range(30)]


@pytest.mark.parametrize("damage", ["listing", "footer", "cut", "longer", "empty", "gone"])
def test_damaged_listing_is_made_again(tmp_path: Path, store: Path, damage: str) -> None:
    """Whatever happens to a listing, its own checksum notices."""
    task = put(tmp_path, "x.lha", LEVEL_1)
    first = open_here(store, task)
    (file,) = store.iterdir()
    data = file.read_bytes()
    spoiled = {
        "listing": data[:40] + b"?" + data[41:], "footer": data[:-1] + b"x", "cut": data[:-90], "longer": data + b"\n",
        "empty": b"",
    }  # fmt: skip
    file.unlink() if damage == "gone" else file.write_bytes(spoiled[damage])
    assert open_here(store, task) == first
    assert file.read_bytes() == data


def test_damaged_data_is_noticed_and_made_again(tmp_path: Path, store: Path) -> None:
    """A changed byte shows when it is read; the run after that decodes anew. The other contents stay readable."""
    task = put(tmp_path, "x.lha", archive(Made(name=b"a"), Made(name=b"b", data=b"other")))
    first, other = [entry.content for entry in open_here(store, task)[0].members]
    assert first is not None and other is not None
    data = first.path.read_bytes()
    first.path.write_bytes(b"H" + data[1:])
    with pytest.raises(IntegrityError, match="copy on this host is damaged"):
        list(read_content(first))
    assert b"".join(read_content(other)) == b"other"
    again = open_here(store, task)[0].members[0].content
    assert again == first
    assert b"".join(read_content(first)) == HELLO


def test_changed_archive_is_not_decoded(tmp_path: Path, store: Path) -> None:
    """The bytes are compared with the hash they were fetched under before anything else."""
    path = tmp_path / "x.lha"
    path.write_bytes(LEVEL_1)
    (result,) = open_here(store, OpenTask(path, "0" * 64))
    assert not result.whole
    assert f"expected sha256 {'0' * 64}, got {hashlib.sha256(LEVEL_1).hexdigest()}" in result.problems[0]
    assert result.members == ()


def test_options_have_listings_of_their_own(tmp_path: Path, store: Path) -> None:
    """Another charset or other limits give another answer for the same bytes."""
    data = archive(Made(level=2, name=b"caf\x82", os_id=b"M"))
    names = [open_here(store, put(tmp_path, "x", data, charset=c))[0].members[0].member.name for c in (None, "latin-1")]
    assert names == ["caf\xe9", "caf\\x82"]
    assert not open_here(store, put(tmp_path, "x", data), limits=Limits(member_bytes=3))[0].whole


def test_a_plain_file_is_its_own_content(tmp_path: Path, store: Path) -> None:
    """No copy is made of what is no archive."""
    task = put(tmp_path, "readme.txt", HELLO)
    for _ in range(2):
        (result,) = open_here(store, task)
        assert (result.format, result.whole) == ("file", True)
        assert result.members[0].content is not None
        assert result.members[0].content.path == task.path
        assert b"".join(read_content(result.members[0].content)) == HELLO


def test_nothing_half_made_stays(tmp_path: Path, store: Path) -> None:
    """One file an archive stands in the store."""
    open_here(store, *[put(tmp_path, f"{n}", archive(Made(name=b"%d" % n))) for n in range(5)])
    assert [path.suffix for path in store.iterdir()] == [".unpacked"] * 5


# ---------------------------------------------------------------------------------------------- nested


def zipped(**files: bytes) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as file:
        for name, data in files.items():
            file.writestr(name, data)
    return made.getvalue()


def test_archives_inside_archives(tmp_path: Path, store: Path, no_worker: pytest.MonkeyPatch) -> None:
    """A member that is an archive becomes a folder, to the depth asked for and no deeper."""
    inner = archive(Made(name=b"c.txt"), Made(name=b"d.txt", data=b"d"))
    data = zipped(**{"a.txt": b"a", "deep.lha": archive(Made(name=b"e.lha", data=inner)), "z.txt": b"z"})
    names = {}
    for nested in (0, 1, 2):
        (result,) = open_here(store, put(tmp_path, "x.zip", data, nested))
        assert result.whole
        names[nested] = [(entry.member.name, entry.member.kind) for entry in result.members]
        assert [entry.member.index for entry in result.members] == list(range(len(result.members)))
    assert names[0] == [("a.txt", "file"), ("deep.lha", "file"), ("z.txt", "file")]
    assert names[1][1:3] == [("deep.lha", "folder"), ("deep.lha/e.lha", "file")]
    assert [name for name, _ in names[2]][2:5] == ["deep.lha/e.lha", "deep.lha/e.lha/c.txt", "deep.lha/e.lha/d.txt"]
    forbid(no_worker)
    (again,) = open_here(store, put(tmp_path, "x.zip", data, 2))
    contents = [b"".join(read_content(entry.content)) for entry in again.members if entry.content]
    assert contents == [b"a", HELLO, b"d", b"z"]


def test_damage_inside_is_named_with_its_path(tmp_path: Path, store: Path) -> None:
    """A damaged member two levels down is reported there; what is around it stays whole."""
    inner = archive(Made(name=b"good"), Made(name=b"bad", crc=1)) + b"junk"
    (result,) = open_here(store, put(tmp_path, "x.zip", zipped(**{"in.lha": inner, "z": b"z"}), 1))
    assert [(entry.member.name, entry.reads) for entry in result.members] == [
        ("in.lha", True),
        ("in.lha/good", True),
        ("in.lha/bad", False),
        ("z", True),
    ]
    assert result.notices == ("in.lha: 4 bytes stand after the end mark",)


def test_limits_hold_over_all_levels(tmp_path: Path, store: Path) -> None:
    """Archives inside share the outer one's limits: many small bombs are one large one."""
    bomb = archive(Made(name=b"bomb", packed=BOMB, method=b"-lh5-", size=BOMB_BYTES, crc=0x8CD5))
    data = zipped(**{f"{n}.lha": bomb for n in range(5)})
    (result,) = open_here(store, put(tmp_path, "x.zip", data, 1), limits=Limits(total_bytes=70_000_000))
    whole = [entry for entry in result.members if entry.content and entry.member.name.endswith("/bomb")]
    assert len(whole) == 2
    assert any("more than" in entry.problem for entry in result.members)


def test_depth_is_limited(tmp_path: Path, store: Path) -> None:
    """Whatever is asked, nesting ends at the limit."""
    data = HELLO
    for _ in range(6):
        data = archive(Made(name=b"x.lha", data=data))
    (result,) = open_here(store, put(tmp_path, "x.lha", data, 9))
    assert max(entry.member.name.count("/") for entry in result.members) == Limits().depth


def test_image_in_a_compressed_file_in_an_archive(tmp_path: Path, store: Path) -> None:
    """A gz inside is opened like any other container."""
    data = zipped(**{"note.txt.gz": gzip.compress(HELLO)})
    (result,) = open_here(store, put(tmp_path, "x.zip", data, 1))
    assert [entry.member.name for entry in result.members] == ["note.txt.gz", "note.txt.gz/note.txt"]
    assert result.members[1].content is not None
    assert b"".join(read_content(result.members[1].content)) == HELLO


def test_all_levels_together_are_bounded_on_the_disk(tmp_path: Path, store: Path) -> None:
    """Ten archives in each of ten, three deep: what lies on the disk at once, of all levels together, is bounded by the
    total of the outermost, and by its ratio, which no single member exceeds."""
    data = bytes(400_000)
    for level in range(4):
        data = zipped(**{f"{level}-{n}{'.zip' if level else ''}": data for n in range(10)})
    total, room = 2 * 2**20, 600_000  # room: a hundred listings
    for limits in (Limits(total_bytes=total, depth=5), Limits(ratio=400, ratio_bytes=total, depth=5)):
        (result,) = open_here(store, put(tmp_path, "x.zip", data, 5), limits=limits)
        assert any("limits of all" in problem or "would be more" in problem for problem in words_of(result))
        assert sum(path.stat().st_size for path in store.rglob("*") if path.is_file()) < total + room
        for path in store.iterdir():
            path.unlink()


def words_of(result: Opened) -> list[str]:
    return [*result.problems, *(entry.problem or entry.member.problem for entry in result.members)]


def test_looking_into_archives_inside_has_the_usual_limits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a store each level still goes to the disk: `inspect --nested` must not fill it."""
    asked: list[Limits] = []
    real = inspecting.open_tasks

    def noted(tasks: Any, store: Any, limits: Limits, *more: Any) -> Any:
        asked.append(limits)
        return real(tasks, store, limits, *more)

    monkeypatch.setattr(inspecting, "open_tasks", noted)
    path = put(tmp_path, "x.zip", zipped(**{"a.zip": zipped(b=b"b")})).path
    for nested in (0, 5):
        inspecting.inspect(path, nested=nested)
    assert asked[1].total_bytes == Limits().total_bytes <= 4 * 2**30 and asked[1].ratio
