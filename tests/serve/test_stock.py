"""The shelf filled from archives: shapes, names that the volumes hold, and the script that fetches it all."""

import hashlib
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from support.clients import serving, wait_until
from support.programs import program
from support.staging import manifest_of, opened_of

from discprep.link.pull import FileTimes
from discprep.manifest.substitute import secret_marker
from discprep.model import Edit, Fetched, Item, Manifest, Opened, Pin, Profile, Pulled, Secret, Shell, Volume
from discprep.serve.keeper import Keeper
from discprep.serve.names import root_names, strictest, tree_names
from discprep.serve.script import fetch_script, script_name
from discprep.serve.stock import Order, Stock

NOON = 1_772_600_768
DESK = Volume("C:", stem_max=8, extension_max=3, forbidden='+,;=[]:"', reserved=("CON", "NUL"))


def sh_shell() -> Shell:
    """A machine whose command language is the POSIX shell and whose fetcher is curl: its scripts run here for real."""
    return Shell(
        script_name="PART{part}.sh",
        make_folder=("mkdir {path}",),
        copy=("cp {source} {target}",),
        message=("echo '{text}'",),
        stop=("exit 1",),
        if_exists=("if [ -e {path} ]; then", "{then}", "fi"),
        if_missing=("if [ ! -e {path} ]; then", "{then}", "fi"),
        if_folder=("if [ -d {path} ]; then", "{then}", "fi"),
        if_no_folder=("if [ ! -d {path} ]; then", "{then}", "fi"),
        if_failed=("if [ $? -ne 0 ]; then", "{then}", "fi"),
        delete=("rm {path}",),
        check_size=("[ $(wc -c < {path}) -eq {size} ]",),
        tells=("check_size",),
        quote="'",
        quote_when=" &%",
        fetch=("curl -sS -0 --noproxy '*' -o {path} {url}",),
    )


def desk(folder: Path, **more: object) -> Profile:
    volume = replace(DESK, path=str(folder / "machine"))
    return Profile("desk", volumes=(volume,), charset="cp437", newline="\n", shell=sh_shell(), **more)


TOOLS = {"READ.ME": b"Reading room\n", "net/line.config": b"rate=19200\n", "a long name.picture": b"\xc0\xdb" * 3000}


class Room:
    """A manifest with three later items, two of them at hand."""

    def __init__(self, folder: Path, order: Order | None = None, **profile: object) -> None:
        self.folder = folder
        items = [
            Item("tools", "Tools", "1.2", sources=("http://files.example/tools-and-more.lha",), to="NET/STACK",
                 edits=(Edit("net/line.config", "19200", "57600"),)),
            Item("maps", "Maps", sources=("http://files.example/maps.zip",), needs=("tools",)),
            Item("later", "Later", sources=("http://files.example/later.zip",), size_bytes=500),
        ]  # fmt: skip
        self.manifest: Manifest = manifest_of(items, desk(folder, **profile))
        (folder / "bytes").mkdir(exist_ok=True)
        self.opened = {
            "tools": self._opened("tools", TOOLS, "lha"),
            "maps": self._opened("maps", {"GROUND.MAP": b"g" * 700}, "zip"),
            "later": self._opened("later", {"LATER.TXT": b"later"}, "zip"),
        }
        order = order or Order(("tools", "maps", "later"))
        self.stock = Stock(self.manifest, order, lambda item, _: self.opened[item.id], self.seconds, folder / "work")

    def _opened(self, item: str, files: dict[str, bytes], form: str) -> Opened:
        (self.folder / item).mkdir(exist_ok=True)
        return opened_of(files, self.folder / item, form=form)

    seconds = FileTimes(lambda size, escapes: size / 1000, 1.0, None)

    def fetched(self, item: str) -> Fetched:
        opened = self.opened[item]
        pin = Pin(item, opened.path.stat().st_size, opened.sha256, NOON)
        return Fetched(item, "cached", opened.path, pin)

    def shelf(self, *items: str, **more: object) -> object:
        return self.stock.shelf([self.fetched(item) for item in items], **more)


# ---------------------------------------------------------------------------------------------------- names


def test_names_fit_every_volume(tmp_path: Path) -> None:
    long = Volume("Maps:", name_max=30, forbidden=":/")
    profile = Profile("two", volumes=(DESK, long), charset="cp437")
    assert strictest(profile.volumes).stem_max == 8
    wanted = {"a": "tools-and-more.lha", "b": "tools-and-rest.lha", "c": "NUL.zip", "d": "x:y.tar.gz"}
    names = root_names(wanted, profile)
    assert len({name.casefold() for name in names.values()}) == 4
    for name in names.values():
        stem, _, extension = name.partition(".")
        assert len(stem) <= 8 and len(extension) <= 3 and ":" not in name
        assert stem.upper() not in ("CON", "NUL")


def test_one_wanted_name_twice_is_told_apart() -> None:
    profile = Profile("two", volumes=(DESK,), charset="cp437")
    names = root_names({"one": "disk.zip", "two": "disk.zip"}, profile, taken=["LIST.TXT"])
    assert len(set(names.values())) == 2
    assert "LIST.TXT" not in root_names({"one": "list.txt"}, profile, taken=["LIST.TXT"]).values()


def test_trees_are_named_folder_by_folder() -> None:
    profile = Profile("two", volumes=(DESK,), charset="cp437")
    paths = [("a long folder", "one long name.text"), ("a long folder", "one long name.texture"), ("A LONG FILE",)]
    found = tree_names(paths, DESK, profile)
    assert len(set(found.values())) == 3
    assert found[paths[0]][0] == found[paths[1]][0]


# ---------------------------------------------------------------------------------------------------- shelf


def test_an_item_the_machine_cannot_open_is_unpacked_and_edited(tmp_path: Path) -> None:
    """Nothing opens LHA there: its files lie open, with the edit done, under names the volume holds."""
    shelf = Room(tmp_path).shelf("tools", "maps")
    tools, maps, later = shelf.offers
    assert (tools.shape, maps.shape, later.state) == ("unpacked", "unpacked", "wanted")
    by_end = {file.target[-1]: file for file in tools.files}
    config = by_end["line.con"]
    assert config.content.path.read_bytes()[config.content.offset_bytes :][:11] == b"rate=57600\n"
    assert config.target == ("NET", "STACK", "net", "line.con")
    assert all(len(part.split(".")[0]) <= 8 for file in tools.files for part in file.name.split("/"))
    assert tools.title == "Tools 1.2"


def test_the_user_chooses_the_shape(tmp_path: Path) -> None:
    order = Order(("tools", "maps"), shapes=(("maps", "lha"),), default="zip")
    shelf = Room(tmp_path, order).shelf("tools", "maps")
    tools, maps = shelf.offers
    assert [offer.shape for offer in shelf.offers] == ["zip", "lha"]
    out = tmp_path / "out"
    subprocess.run([program("unzip"), "-q", tools.files[0].content.path, "-d", out], check=True)
    assert (out / "net" / "line.con").read_bytes() == b"rate=57600\n"
    subprocess.run([program("lhasa"), "tq", maps.files[0].content.path], check=True)
    assert tools.files[0].name.endswith(".zip")
    with maps.files[0].content.path.open("rb") as file:
        assert hashlib.file_digest(file, "sha256").hexdigest() == maps.files[0].content.sha256


def test_the_plan_s_shape_is_obeyed_and_its_figures_stand_until_the_files_are_known(tmp_path: Path) -> None:
    """A ZIP that the machine would be given unpacked, of which the plan decided otherwise."""
    decided = {"maps": Pulled("zip-stored", (814,)), "later": Pulled("lha", (321,))}
    provides = {"provides": ("unpack-zip", "unpack-lha")}
    maps, later = Room(tmp_path, Order(("maps", "later"), decided=decided), **provides).shelf("maps").offers
    assert (maps.shape, maps.names, later.names) == ("zip-stored", ("maps.zip",), ("later.lha",))
    assert (later.state, later.bytes_to_send, later.file_count, later.seconds) == ("wanted", 321, 1, 0.321)


def test_what_would_open_it_is_held_back_from_the_shelf(tmp_path: Path) -> None:
    """The plan counts on an opener that comes before; where that is not offered, the item comes as it can be used."""
    room = Room(tmp_path, Order(("maps",), decided={"maps": Pulled("archive", (1,))}))
    items = (*room.manifest.items, Item("opener", gives=("unpack-zip",)))
    manifest = replace(room.manifest, items=items)
    shapes = []
    for order in (("opener", "maps"), ("maps",)):
        stock = replace(room.stock, manifest=manifest, order=replace(room.stock.order, items=order), _there={})
        shapes.append(stock.shelf([room.fetched("maps")]).offers[-1].shape)
    assert shapes == ["archive", "unpacked"]


def test_packing_twice_gives_the_same_file(tmp_path: Path) -> None:
    """So that a transfer broken off one evening resumes on another."""
    order = Order(("tools",), default="zip")
    first = Room(tmp_path, order).shelf("tools").offers[0].files[0]
    first.content.path.unlink()
    again = Room(tmp_path, order).shelf("tools").offers[0].files[0]
    assert (again.tag, again.name, again.time_s) == (first.tag, first.name, first.time_s)


def test_a_damaged_item_is_named_and_keeps_none_back(tmp_path: Path) -> None:
    room = Room(tmp_path)
    room.opened["tools"] = replace(room.opened["tools"], problems=("cut short",))
    tools, maps, _ = room.shelf("tools", "maps").offers
    assert (tools.state, maps.state) == ("failed", "ready")
    assert "cut short" in tools.why


# --------------------------------------------------------------------------------------------------- script


def test_the_machine_runs_the_script_and_has_all(tmp_path: Path) -> None:
    """A POSIX shell as the machine: it fetches the script, runs it, and the tree stands, waiting items too."""
    program("curl")  # the script's own fetcher
    room = Room(tmp_path)
    shelf = room.shelf("tools", "maps", script=script_name(sh_shell()))

    def bring(item: str) -> object:
        offer = next(offer for offer in shelf.offers if offer.item == item)
        return room.stock.bring(offer, room.fetched(item))

    (tmp_path / "machine").mkdir()
    profile = room.manifest.profile
    pulls = tmp_path / "pulls.jsonl"
    with serving(shelf, bring=bring, script=lambda s, host: fetch_script(s, host, profile), log_file=pulls) as run:
        status, headers, script = run.ask("/PULL.sh")
        assert (status, headers["content-type"]) == (200, "text/plain")
        said = subprocess.run([program("sh")], input=script, capture_output=True, timeout=60)
        wait_until(lambda: run.keeper.stock.offers[2].files)
        again = run.ask("/PULL.sh")[2]
        subprocess.run([program("sh")], input=again, capture_output=True, timeout=60, check=True)
    machine = tmp_path / "machine"
    assert said.stderr == b""
    assert (machine / "NET/STACK/net/line.con").read_bytes() == b"rate=57600\n"
    assert (machine / "GROUND.MAP").read_bytes() == b"g" * 700
    assert b"1 of 3: Tools 1.2" in said.stdout
    assert said.stdout.index(b"Tools") < said.stdout.index(b"Maps") < said.stdout.index(b"Later")
    assert b"curl" not in said.stdout
    assert b"on its way to the PC" in said.stdout, "an item whose files are not known yet is for the next script"
    assert b"TOOLS" not in again and b"later" in again, "what the log says is there is left out"
    assert (machine / "LATER.TXT").read_bytes() == b"later"


def test_a_file_that_is_not_whole_is_said(tmp_path: Path) -> None:
    room = Room(tmp_path)
    text = fetch_script(room.shelf("maps"), "127.0.0.1:9", room.manifest.profile)
    (tmp_path / "machine").mkdir()
    said = subprocess.run([program("sh")], input=text.encode(), capture_output=True, timeout=60)
    assert b"GROUND.MAP is not whole: fetch it again." in said.stdout


def test_no_fetcher_no_script() -> None:
    assert script_name(replace(sh_shell(), fetch=())) == ""
    assert script_name(replace(sh_shell(), script_name="part{part}")) == "PULL"


def test_the_front_page_offers_the_script(tmp_path: Path) -> None:
    shelf = Room(tmp_path).shelf("tools", script="PULL.sh")
    keeper = Keeper(shelf, script=lambda s, host: "")
    with serving(shelf, script=lambda s, host: "") as run:
        assert b'HREF="/PULL.sh"' in run.ask("/")[2]
    assert keeper.stock.script_name == "PULL.sh"


def test_a_secret_is_never_served(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An edit with a secret is for a disc, by the user's word; over the line it keeps the item back, in words."""
    monkeypatch.setenv("WIFI_KEY", "correct-horse-battery")
    room = Room(tmp_path)
    secret = Edit("net/line.config", "19200", secret_marker("wifi"), secret=True)
    items = (replace(room.manifest.items[0], edits=(secret,)), *room.manifest.items[1:])
    room.manifest = replace(room.manifest, items=items, secrets=(Secret("wifi", "WIFI_KEY"),))
    room.stock = replace(room.stock, manifest=room.manifest)
    tools = room.shelf("tools", "maps").offers[0]
    assert (tools.state, tools.files) == ("failed", ())
    assert "secret" in tools.why
    written = b"".join(path.read_bytes() for path in (tmp_path / "work").rglob("*") if path.is_file())
    assert b"correct-horse-battery" not in written
