"""What follows from manifest and profile has one answer each."""

from dataclasses import replace
from pathlib import Path

import pytest

from discprep import machine
from discprep.machine import MachinePath, machine_path, path_text, wiped
from discprep.members import kind_by_name, without_layer
from discprep.model import Item, Manifest, Medium, Pin, Profile, Shell, Step, Volume

DOS = Shell(
    "P{part}.BAT",
    make_folder=("md {path}",),
    copy=("copy {source} {target}",),
    message=("echo {text}",),
    stop=("exit",),
    if_exists=("if exist {path} {then}",),
    if_missing=("if not exist {path} {then}",),
    separator="\\",
    after_volume="\\",
)
WITH_FOLDERS = replace(DOS, separator="/", after_volume="", copy_folder=("copy all {source} {target}",))
HOME = Profile("m", volumes=(Volume("C:"), Volume("D:")), shell=DOS)


def manifest(*items: Item, profile: Profile = HOME, has: tuple[str, ...] = (), speed: float | None = None) -> Manifest:
    return Manifest(Path("m.toml"), "", items, profile, Medium("cd-74", 333_000, drive_speed=speed), has=has)


# ------------------------------------------------------------------------------------------------------ names


@pytest.mark.parametrize(
    ("source", "name"),
    [
        ("http://files.example/old%20tools/disk%20tools.lha", "disk tools.lha"),  # RFC 3986 2.1
        ("http://files.example/get.lha?mirror=/a/b.zip#c", "get.lha"),  # 3.4, 3.5: query and fragment are no path
        ("http://files.example/tools/", "tools"),
        ("http://files.example", ""),
        ("ftp://files.example/pub/disk%2Ftools.lha", "disk/tools.lha"),
        ("http://[files.example/tools.lha", ""),  # no address at all
        ("/shelf/100%25 free.lha", "100%25 free.lha"),  # a path on this host has no coding
        ("", ""),
    ],
)
def test_the_name_that_a_source_gives(source: str, name: str) -> None:
    """The last part of a URL's path, decoded; of a path on this host, as it is."""
    assert machine.source_name(source) == name


def test_the_name_under_which_an_item_is_published() -> None:
    """The first source with a name that can be one; else the id, with its format's ending where it is an archive."""
    sources = ("http://a.example/", "http://b.example/x%2Fy.lha", "http://c.example/..", "http://d.example/my%20x.lha")
    assert machine.published_name(Item("x", sources=sources)) == "my x.lha"
    assert machine.published_name(Item("x"), "tar.gz") == "x.tar.gz"
    assert machine.published_name(Item("x"), "file") == machine.published_name(Item("x")) == "x"


def test_titles() -> None:
    assert machine.title_of(Item("x")) == "x"
    assert machine.full_title(Item("x", title="The tools", version="1.2")) == "The tools 1.2"
    assert machine.disc_title(manifest()) == "FIRSTDISC"


def test_the_kind_that_a_name_speaks_of() -> None:
    """One table for all who ask; the first source whose name tells decides."""
    assert machine.kind_of(Item("x", sources=("http://a.example/get?id=3", "http://b.example/old%2Elzh?x"))) == "lha"
    assert machine.kind_of(Item("x", sources=("http://a.example/x.txt",))) == ""
    names = {"a.zip": "zip", "A.TAR": "tar", "a.tgz": "tar.gz", "a.tar.gz": "tar.gz", "a.gz": "gz", "a.tbz": "tar.bz2"}
    assert {name: kind_by_name(name) for name in names} == names
    assert kind_by_name("a.tar.xz") == "tar.xz" and kind_by_name("a.7z") == "7z" and kind_by_name("gz") == ""
    assert without_layer(".gz", "gz") == ""  # nothing would be left


# ------------------------------------------------------------------------------------------------- is it there


def test_who_may_be_missing() -> None:
    """What waits for the link, once its size is known from manifest or pin; nothing else."""
    pin = Pin("x", 0, "0" * 64, 0)
    assert machine.may_be_missing(Item("x", place="later", size_bytes=0), None)
    assert machine.may_be_missing(Item("x", place="later"), pin)
    assert not machine.may_be_missing(Item("x", place="later"), None)
    assert not machine.may_be_missing(Item("x", place="either", size_bytes=5), pin)
    assert machine.size_of(Item("x", size_bytes=5), pin) == 0


def test_roles_in_the_order_of_work() -> None:
    """An item finds the roles of the machine and of what comes before it, never its own."""
    items = (Item("a", gives=("unpack-lha",)), Item("b", gives=("unpack-zip",)), Item("c", gives=("browser",)))
    profile = Profile("m", provides=("editor",))
    set_up = manifest(*items, profile=profile, has=("terminal",))
    before = machine.roles_before(set_up, ("b", "a"), ("c", "checksum"))
    assert before["b"] == {"editor", "terminal", "browser", "checksum"}
    assert before["a"] == before["b"] | {"unpack-zip"}
    assert machine.given_roles(set_up) == {"editor", "terminal", "unpack-lha", "unpack-zip", "browser"}


def test_the_drive_reads_a_medium_at_its_own_speed_first() -> None:
    assert (machine.drive_speed(manifest()), machine.drive_speed(manifest(speed=2.0))) == (4.0, 2.0)


# -------------------------------------------------------------------------------------------------- where it goes


def test_the_volume_of_an_item() -> None:
    """The one it names, else the first; one without a path where the profile has none."""
    items = (Item("a"), Item("b", volume="D:"), Item("c", volume="E:"))
    assert [v.path for v in machine.volumes_of(manifest(*items)).values()] == ["C:", "D:", "C:"]
    assert machine.volume_of(Profile("bare"), items[0]) == Volume("")
    assert machine.folders_of(Item("a", to="/NET//STACK/")) == ("NET", "STACK")


def test_whole_blocks() -> None:
    """The least multiple of the block that holds the bytes."""
    volume = Volume("C:", block_bytes=512)
    assert [machine.block_bytes(size, volume) for size in (0, 1, 512, 513)] == [0, 512, 512, 1024]


def test_paths_as_the_machine_writes_them() -> None:
    """The separator and what follows a volume are the language's; without one `/` stands for both."""
    path = MachinePath("C:", ("NET", "LINE.CFG"))
    assert path_text(path, DOS) == "C:\\NET\\LINE.CFG"
    assert path_text(path, WITH_FOLDERS) == "C:NET/LINE.CFG"
    assert path_text(path, None) == "C:/NET/LINE.CFG"
    assert path_text(MachinePath("", ("NET",)), None) == "NET"
    assert path_text(MachinePath("/disc/"), None) == "/disc"


@pytest.mark.parametrize(
    ("text", "base", "parts"),
    [
        ("NET/LINE.CFG", "C:", ("NET", "LINE.CFG")),
        ("\\NET\\LINE.CFG", "C:", ("NET", "LINE.CFG")),
        ("C:F.INI", "C:", ("F.INI",)),
        ("d:\\NET", "D:", ("NET",)),
        ("c:/room/F.INI", "C:/ROOM", ("F.INI",)),
        ("C:/ROOM", "C:/ROOM", ()),
        ("C:/ROOMY/F.INI", "C:", ("ROOMY", "F.INI")),
        ("ROOM/F.INI", "C:", ("ROOM", "F.INI")),
        ("Disc/F.INI", "Disc", ("F.INI",)),
        ("Discs/F.INI", "C:", ("Discs", "F.INI")),
    ],
)
def test_the_volume_that_a_path_lies_on(text: str, base: str, parts: tuple[str, ...]) -> None:
    """One volume's name may begin another's, and a folder's name may begin with a volume's (arithmetic)."""
    profile = Profile("m", volumes=(*HOME.volumes, Volume("C:/ROOM"), Volume("Disc")), shell=DOS)
    assert machine_path(profile, text) == MachinePath(base, parts)


def test_a_path_on_no_volume() -> None:
    """Another drive, or another branch of a tree with one root."""
    assert machine_path(HOME, "E:\\NET") is None
    assert machine_path(Profile("m", volumes=(Volume("/home"),)), "/etc/line") is None
    assert machine_path(Profile("m", volumes=(Volume("C:/ROOM"),)), "C:/ROOMY/A") is None


# ------------------------------------------------------------------------------------------------ saved, then wiped


def problems(shell: Shell | None, *paths: str, at: str = "machine") -> list[str]:
    profile = Profile("m", volumes=HOME.volumes, shell=shell)
    return [one.problem for one in wiped(profile, Step(at, "Run it.", wipes=paths))]  # type: ignore[arg-type]


def test_what_a_script_can_save() -> None:
    """Files always; folders where the language has a command for them. A backslash ends a folder too."""
    assert problems(DOS, "NET\\LINE.CFG") == [""]
    assert problems(WITH_FOLDERS, "NET/", "D:NET/STACK/") == ["", ""]
    step = Step("machine", "Run it.", wipes=("NET\\", "NET"))
    assert [one.folder for one in wiped(HOME, step)] == [True, False]


@pytest.mark.parametrize("path", ["NET/", "NET\\", "D:/NET/"])
def test_a_folder_needs_a_command_that_copies_one(path: str) -> None:
    (problem,) = problems(DOS, path)
    assert "copy_folder" in problem


@pytest.mark.parametrize(
    ("path", "word"), [("E:/NET", "'C:', 'D:'"), ("D:/", "whole volume"), ("saved/LIST.TXT", "saved copies")]
)
def test_what_no_script_can_save(path: str, word: str) -> None:
    (problem,) = problems(WITH_FOLDERS, path)
    assert word in problem


def test_no_script_runs_at_the_bridge() -> None:
    (problem,) = problems(WITH_FOLDERS, "NET", at="bridge")
    assert "bridge" in problem


def test_without_scripts_a_person_saves() -> None:
    """There is no language that could lack a command; a volume that does not exist is a fault all the same."""
    assert problems(None, "NET/") == [""]
    assert problems(None, "E:/NET") != [""]


@pytest.mark.parametrize(
    ("charset", "fit"),
    [("ascii", True), ("cp437", True), ("latin-1", True), ("utf-8", True), ("cp037", True), ("idna", False),
     ("utf-16", False), ("utf-8-sig", False), ("punycode", False), ("rot13", False), ("nothing", False)],
)  # fmt: skip
def test_charsets_that_carry_scripts(charset: str, fit: bool) -> None:
    """Those of Python's table of standard encodings that write a sign as a byte; no mark, no coding of its own."""
    assert machine.carries_scripts(charset) == fit
