"""What takes longer than an evening's slice is offered in numbered, checked slices; what came whole is never pulled
again; the machine joins and checks them by a script in its own language."""

import re
import subprocess
import tomllib
import zlib
from dataclasses import replace
from pathlib import Path

import pytest
from support.clients import offer, random_bytes, shelf_file, wait_until
from support.command import run
from support.dos import dos_profile, run_dos
from support.programs import program
from support.shelf import served, waiting_room
from support.staging import manifest_of, opened_of, prepared

from discprep.link.pull import file_seconds
from discprep.manifest.load import load_profile
from discprep.model import Item, LinkSettings
from discprep.serve.script import fetch_script, join_script
from discprep.serve.shelf import Offer, Shelf, ShelfFile

LINK = LinkSettings(9600, mtu_bytes=576, window_bytes=4096, name_lookup=False, slice_s=60)
DATA = random_bytes(150_000)


def test_no_slice_takes_longer_than_asked() -> None:
    """9,600 8N1 carries 960 bytes/s: a minute is at most 57,600 bytes with headers and escapes among them."""
    times = file_seconds(LINK, None, None)
    slices = times.slices(150_000, None)
    assert [one.first_byte for one in slices] == [0, 52_000, 104_000]
    assert sum(one.size_bytes for one in slices) == 150_000
    assert all(one.expected_s <= 60 for one in slices) and slices[0].expected_s > 55
    assert times(150_000, None) == pytest.approx(sum(one.expected_s for one in slices), abs=1e-3)
    assert [one.size_bytes for one in times.slices(52_000, None)] == [52_000]
    assert len(file_seconds(replace(LINK, slice_s=None), None, None).slices(10**9, None)) == 1
    assert len(times.slices(10**9, None)) <= 999


def test_a_slice_ends_where_it_did_whatever_was_measured() -> None:
    slow, quick = (file_seconds(LINK, None, None, pace=pace).slices(150_000, None) for pace in (0.5, 2.0))
    assert [one.size_bytes for one in slow] == [one.size_bytes for one in quick]


def room(folder: Path, desk: str) -> Path:
    link = 'rate = 9600\nmtu = 576\nslice = "1 min"'
    return waiting_room(folder, desk, link, tools_bin=DATA, small_bin=DATA[:5000])


DESK = (Path(__file__).parents[2] / "manifests/machines/catalogue-desk.toml").read_text()
WITH_FETCH = DESK.replace("[shell.attributes]", 'fetch = "fetch {url} {path}"\n\n[shell.attributes]')


def test_over_two_evenings(tmp_path: Path) -> None:
    """Two slices the first evening, the third the next; the list, the script and the lists of checksums tell so, plan
    and shelf the same bytes and seconds, and `status` says whole only when all is there."""
    path = room(tmp_path, WITH_FETCH)
    cache = ("--cache", tmp_path / "cache")
    plan = run("plan", path, *cache, "--json").document
    assert run("build", path, "--out", tmp_path / "out", *cache, "-q").code == 0
    sheet = " ".join((tmp_path / "out/bench-sheet.txt").read_text().split())
    assert "no more than a slice of 1 min 00 s is pulled again" in sheet
    assert "JOIN.BAT from the shelf joins them and says what to compare" in sheet
    with served(path, tmp_path / "cache") as shelf:
        offers = {one["id"]: one for one in shelf.listening["items"]}
        names = offers["tools"]["files"]
        assert names == ["SLICES/TOOL000.001", "SLICES/TOOL000.002", "SLICES/TOOL000.003"]
        assert offers["tools"]["size_bytes"] == 150_000 and offers["small"]["files"] == ["small.bin"]
        assert sum(one["expected_s"] for one in offers.values()) == pytest.approx(plan["seconds_at_link"], abs=0.01)
        came = [shelf.get(name) for name in names[:2]]
        wait_until(lambda: len(re.findall(rb" had .*SLICES", shelf.get("LIST.TXT"))) == 2)
        script = shelf.get("PULL.BAT").decode("cp437")
        assert "TOOL000.003" in script and "TOOL000.002" not in script and "JOIN.BAT" in script
        page = shelf.get("").decode("latin-1")
        assert f"150,000 bytes, CRC-32 {zlib.crc32(DATA):08x}, in 3 slices" in page
        assert b"TOOL000.002" in shelf.get("tools.bin/")
        state = {item["id"]: item["pulled"] for item in run("status", path, *cache, "--json").document["items"]}
        assert state["tools"] == "in part"
    with served(path, tmp_path / "cache") as shelf:
        listed = shelf.get("LIST.TXT").decode()
        assert [re.search(rf"(had|pull) .*{name}", listed)[1] for name in names] == ["had", "had", "pull"]
        came.append(shelf.get(names[2]))
        folder = tmp_path / "came"
        (folder / "SLICES").mkdir(parents=True)
        for name, data in zip(names, came, strict=True):
            (folder / name).write_bytes(data)
        (folder / "tools.bin").write_bytes(b"".join(came))
        (folder / "small.bin").write_bytes(shelf.get("small.bin"))
        sums = shelf.get("SHA256SUMS")
        wait_until(lambda: len(re.findall(rb" had .*SLICES", shelf.get("LIST.TXT"))) == 3)
        state = {item["id"]: item["pulled"] for item in run("status", path, *cache, "--json").document["items"]}
        assert state["tools"] == "whole"
        assert shelf.get("tools.bin") == DATA, "whoever asks for the whole gets it"
    (folder / "SHA256SUMS").write_bytes(sums)
    done = subprocess.run([program("sha256sum", "coreutils"), "-c", "SHA256SUMS"], cwd=folder, capture_output=True)
    assert done.returncode == 0 and done.stdout.count(b"OK") == 5
    assert b"".join(came) == DATA


def sliced(folder: Path, data: bytes, step: int, name: str = "TOOLS.LHA") -> Offer:
    """An item in slices as the stock makes them."""
    whole = shelf_file(folder, name, data, target=("NET", name), crc32=f"{zlib.crc32(data):08x}")
    whole = replace(whole, checksum=whole.crc32)
    files = []
    for number, at in enumerate(range(0, len(data), step), 1):
        piece = data[at : at + step]
        one = f"{name[:4]}000.{number:03}"
        made: ShelfFile = shelf_file(folder, f"SLICES/{one}", piece, item=whole.item, target=("SLICES", one))
        crc = f"{zlib.crc32(piece):08x}"
        files.append(replace(made, whole=whole, first_byte=at, crc32=crc, checksum=crc))
    return replace(offer(whole), files=tuple(files), volume="C:")


@pytest.mark.slow
def test_joined_in_the_emulated_machine(tmp_path: Path) -> None:
    """The script runs in a DOS emulator, in the language of the ready profile: a slice that is missing stops it with
    its name, then all are joined to the byte, and a file that is there is left alone."""
    data = random_bytes(70_001, 9)
    offers = (sliced(tmp_path, data, 10_000), sliced(tmp_path, data[:3000], 1000, "MAPS.ZIP"))
    shelf = Shelf("Reading room", offers, charset="cp437", script_name="PULL.BAT", join_name="JOIN.BAT")
    target = tmp_path / "c"
    (target / "SLICES").mkdir(parents=True)
    script = join_script(shelf, dos_profile())
    assert max(map(len, script.splitlines())) <= 127
    (target / "JOIN.BAT").write_bytes(script.encode("cp437"))
    for one in offers[0].files + offers[1].files:
        content = one.content
        (target / one.name).write_bytes(content.path.read_bytes())
    missing = target / offers[0].files[4].name
    kept = missing.read_bytes()
    missing.unlink()
    said = " ".join(run_dos(None, target, [r"call c:\JOIN.BAT"]))
    assert r"C:\SLICES\TOOL000.005 is not here yet." in said and "joined" not in said.lower().replace("joining", "")
    assert not (target / "NET/TOOLS.LHA").exists()
    missing.write_bytes(kept)
    said = " ".join(run_dos(None, target, [r"call c:\JOIN.BAT"]))
    assert (target / "NET/TOOLS.LHA").read_bytes() == data
    assert (target / "NET/MAPS.ZIP").read_bytes() == data[:3000]
    assert f"70,001 bytes, CRC-32 {zlib.crc32(data):08x}" in said
    assert not list((target / "SLICES").glob("*.A")) + list((target / "SLICES").glob("*.B"))
    said = " ".join(run_dos(None, target, [r"call c:\JOIN.BAT"]))
    assert r"C:\NET\TOOLS.LHA is there already" in said


@pytest.mark.slow
@pytest.mark.parametrize("size_kb", [100, 180])
def test_joined_onto_a_full_volume(tmp_path: Path, size_kb: int) -> None:
    """A floppy of 360 KB (mkfs.fat) with the slices on it: where the whole file does not fit beside them, COPY cuts it
    short and says nothing; the script sees it, takes it away, and tells of no file to compare."""
    profile = replace(dos_profile(), volumes=(replace(dos_profile().volumes[0], path="A:"),))
    data = random_bytes(size_kb * 1000, 9)
    offers = (replace(sliced(tmp_path, data, size_kb * 500), volume="A:"),)
    shelf = Shelf("Reading room", offers, charset="cp437", script_name="PULL.BAT", join_name="JOIN.BAT")
    setup = prepared(manifest_of([Item("net")], profile), {"net": opened_of({"a": b"a"}, tmp_path)}, tmp_path)
    room = next(n.staged.content for n in setup.named if n.staged.name[-1] == "ROOM.BAT")
    floppy, target = tmp_path / "target.img", tmp_path / "c"
    subprocess.run([program("mkfs.fat", "dosfstools"), "-C", str(floppy), "360"], check=True, stdout=subprocess.DEVNULL)
    for folder in ("SAVED", "SLICES", "NET"):
        subprocess.run([program("mmd", "mtools"), "-i", str(floppy), f"::{folder}"], check=True)
    files = [(one.content.path, one.name) for one in offers[0].files] + [(room.path, "SAVED/ROOM.BAT")]
    for source, name in files:
        subprocess.run([program("mcopy", "mtools"), "-i", str(floppy), str(source), f"::{name}"], check=True)
    target.mkdir()
    (target / "JOIN.BAT").write_bytes(join_script(shelf, profile).encode("cp437"))
    said = " ".join(run_dos(None, target, [r"call c:\JOIN.BAT"], mounts=[f"imgmount a {floppy} -t floppy"]))
    assert ("The volume is full" in said) == (size_kb == 180) != ("Compare it" in said), said
    joined = subprocess.run([program("mtype", "mtools"), "-i", str(floppy), "::NET/TOOLS.LHA"],
                            check=False, capture_output=True)  # fmt: skip
    assert joined.stdout == (data if size_kb == 100 else b"")


def test_a_language_that_compares(tmp_path: Path) -> None:
    """With a checksum command the script proves the whole before it says so and deletes the slices; without, it tells
    what to compare, and deletes none."""
    data = random_bytes(2500, 9)
    able = load_profile(Path(__file__).parents[2] / "manifests/machines/map-table.toml")
    shelf = Shelf("Reading room", (replace(sliced(tmp_path, data, 1000), volume="Work:"),), script_name="pull")
    script = join_script(shelf, able)
    crc = f"{zlib.crc32(data):08x}"
    lines = [line.strip() for line in script.splitlines()]
    proves = next(n for n, line in enumerate(lines) if line.startswith("prove ") and crc in line)
    assert "2500" in next(line for line in lines if line.startswith("weigh "))
    assert f"It is whole: 2,500 bytes, CRC-32 {crc}." in " ".join(lines[proves:])
    assert next(n for n, line in enumerate(lines) if line.startswith("discard ") and ".001" in line) > proves
    other = join_script(replace(shelf, charset="cp437"), dos_profile())
    assert "Compare it before you use it" in " ".join(other.split()) and "del C:\\SLICES\\TOOL000.001" not in other


def test_a_wrong_slice_is_never_called_whole(tmp_path: Path) -> None:
    """The script of the ready UNIX profile in a real shell (POSIX sh), with `sha256sum` as its checksum command: whole
    slices make the file, one that is as long but wrong makes none, and success is said only of what was compared."""
    program("sha256sum", "coreutils")
    ready = load_profile(Path(__file__).parents[2] / "manifests/machines/print-room.toml")
    assert ready.shell
    shell = replace(
        ready.shell, checksum=('[ "$(sha256sum < {path} | cut -c1-64)" = {sum} ]',), checksum_kind="sha256",
        tells=(*ready.shell.tells, "checksum"),
    )  # fmt: skip
    profile = replace(ready, shell=shell, newline="\n")
    data, machine = random_bytes(2500, 9), tmp_path / "machine"
    made = sliced(tmp_path, data, 1000)
    whole = replace(made.files[0].whole, checksum=made.files[0].whole.content.sha256)
    made = replace(made, volume=str(machine), files=tuple(replace(file, whole=whole) for file in made.files))
    shelf = Shelf("Reading room", (made,), newline="\n", checksum_kind="sha256", join_name="join.sh")
    (machine / "SLICES").mkdir(parents=True)
    (machine / "join.sh").write_text(join_script(shelf, profile))

    def joined() -> str:
        done = subprocess.run(["sh", str(machine / "join.sh")], capture_output=True, text=True, timeout=30)
        return " ".join((done.stdout + done.stderr).split())

    def put() -> None:
        for file in made.files:
            (machine / file.name).write_bytes(file.content.path.read_bytes())

    put()
    wrong = machine / made.files[1].name
    wrong.write_bytes(bytes(1000))
    said = joined()
    assert "did not become whole" in said and "is whole" not in said
    assert not (machine / "NET/TOOLS.LHA").exists() and wrong.exists()
    put()
    said = joined()
    assert f"It is whole: 2,500 bytes, SHA-256 {whole.checksum}." in said
    assert (machine / "NET/TOOLS.LHA").read_bytes() == data
    assert list((machine / "SLICES").iterdir()) == []
    assert "is there already" in joined()


def test_the_fetching_script_leaves_out_what_came(tmp_path: Path) -> None:
    made = sliced(tmp_path, random_bytes(3000), 1000)
    shelf = Shelf("t", (made,), script_name="PULL.BAT", join_name="JOIN.BAT")
    sha256 = made.files[0].logged[0]
    shelf = shelf.with_had({sha256: [(0, 1999)]}, {sha256})
    assert [file.had for file in shelf.offers[0].files] == [True, False, False]
    shell = load_profile(Path(__file__).parents[2] / "manifests/machines/catalogue-desk.toml")
    assert shell.shell
    profile = replace(shell, shell=replace(shell.shell, fetch=("fetch {url} {path}",)))
    script = fetch_script(shelf, "192.0.2.1", profile)
    assert "TOOL000.001" not in script and "TOOL000.002" in script and "TOOL000.003" in script
    assert "fetch http://192.0.2.1/JOIN.BAT C:\\JOIN.BAT" in script


def test_the_key_is_a_time(tmp_path: Path) -> None:
    path = room(tmp_path, DESK)
    assert tomllib.loads(path.read_text())["link"]["slice"] == "1 min"
    assert "joined by hand" not in run("check", path).err
    (tmp_path / "desk.toml").write_text(DESK.replace("join ", "# join "))
    ran = run("check", path)
    assert "slices are joined by hand" in " ".join(ran.err.split()) and "copy /b {first}+{second}" in ran.err
    path.write_text(path.read_text().replace('"1 min"', '"soon"'))
    ran = run("check", path)
    assert ran.code == 2 and "slice" in ran.err
