"""The lists on the disc. The checksum list is judged by sha256sum (coreutils) over the files that bsdtar (libarchive)
extracts from the image."""

import os
import subprocess
from dataclasses import replace

import pytest
from support.dos import dos_profile, plain_image
from support.programs import program
from support.staging import manifest_of, opened_of, prepared
from support.trees import Shelf, options

from discprep.disc.contents import read_content
from discprep.disc.image import write_image
from discprep.disc.lists import CHECKSUMS, CONTENTS, checksums_text, fill_lists, list_files
from discprep.disc.names import map_names
from discprep.model import Item, Named

FILES = {
    "Read Me First.txt": b"read me\n",
    "a": None,
    "a/line.cfg": b"rate=9600\n",
    "empty": b"",
    "Übersicht.txt": b"1",
}


def filled(tmp_path, profile=None):
    """A disc with its lists."""
    profile = profile or dos_profile()
    manifest = manifest_of([Item("net", title="Tools for the line", version="1.2", to="NET")], profile)
    result = prepared(manifest, {"net": opened_of(FILES, tmp_path)}, tmp_path)
    staged = [*(n.staged for n in result.named), *list_files(tmp_path / "work")]
    named, faults = map_names(staged, profile)
    assert faults == ()
    return fill_lists(named, manifest, "c0ffee12", tmp_path / "work")


def text_of(named, name):
    (entry,) = (n for n in named if n.staged.name == (name,))
    return read_content(entry.staged.content)


def test_checksums_hold_on_the_disc(tmp_path):
    """Every file of the disc is in the list, and sha256sum -c finds each one right."""
    named = filled(tmp_path)
    image = plain_image(named, tmp_path)
    out = tmp_path / "out"
    out.mkdir()
    subprocess.run([program("bsdtar", "libarchive-tools"), "-xf", str(image), "-C", str(out)], check=True)
    text = text_of(named, CHECKSUMS)
    assert text.endswith(b"\r\n")
    check = [program("sha256sum", "coreutils"), "--check", "--strict", "--quiet", "-"]
    subprocess.run(check, input=text, cwd=out, check=True)
    listed = {line.split(b"  ", 1)[1].decode() for line in text.splitlines()}
    assert listed == {p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file()} - {CHECKSUMS}


def test_a_changed_file_is_found(tmp_path):
    """The list is of use: one other byte, and the program says so."""
    named = filled(tmp_path)
    out = tmp_path / "disc-tree"
    plain_image(named, tmp_path)
    (out / "NET/A/LINE.CFG").write_bytes(b"rate=9601\n")
    text = text_of(named, CHECKSUMS)
    check = [program("sha256sum", "coreutils"), "--check", "--quiet", "-"]
    done = subprocess.run(check, input=text, cwd=out, check=False, capture_output=True)
    assert done.returncode == 1
    assert done.stdout == b"NET/A/LINE.CFG: FAILED\n"


def test_contents_with_both_names(tmp_path):
    """The mapping of names can be read on the machine, in its own charset (code page 437: 0x9A is Ü)."""
    lines = text_of(filled(tmp_path), CONTENTS).split(b"\r\n")
    assert lines[:2] == [b"first: what is on this disc", b"Volume FIRSTDISC, build c0ffee12; sizes in bytes"]
    assert b"Tools for the line 1.2" in lines
    assert any(line.split() == [b"NET/READ_ME_.TXT", b"8", b"Read", b"Me", b"First.txt"] for line in lines)
    assert any(line.split() == [b"NET/A/LINE.CFG", b"10"] for line in lines)
    assert any(line.endswith(b"  \x9abersicht.txt") for line in lines)
    assert any(line.split() == [b"SHA256.TXT", b"-"] for line in lines)


def test_names_outside_the_charset_are_shown_plainer(tmp_path):
    """A list is for reading: what the charset lacks is said without accents."""
    profile = replace(dos_profile(), charset="ascii")
    assert b"  Ubersicht.txt\r\n" in text_of(filled(tmp_path, profile), CONTENTS)


def joliet_disc(tmp_path, shell):
    """A disc whose long names are Joliet's alone, of a machine that writes ASCII, with or without scripts."""
    profile = replace(dos_profile(), charset="ascii", name_rules=("iso-level-1", "joliet"))
    profile = profile if shell else replace(profile, shell=None)
    shelf = Shelf(tmp_path)
    staged = [shelf.file("目録/読み.txt", b"1"), shelf.file("smile \U0001f600 é", b"2"), *list_files(tmp_path)]
    named, faults = map_names(staged, profile)
    assert faults == ()
    manifest = manifest_of([Item("i", title="Index")], profile)
    return fill_lists(named, manifest, "c0ffee12", tmp_path)


def test_a_joliet_disc_has_all_names_that_it_can_hold(tmp_path):
    """Without scripts nothing of the machine's must write them; sha256sum takes the list over what bsdtar extracts."""
    named = joliet_disc(tmp_path, shell=False)
    # UCS-2 (Joliet specification) lacks what lies beyond U+FFFF.
    assert [n.joliet for n in named[:2]] == [("目録", "読み.txt"), ("smile _ é",)]
    written = write_image(named, tmp_path / "x.iso", options("1j"))
    out = tmp_path / "out"
    out.mkdir()
    environment = {**os.environ, "LC_ALL": "C.UTF-8"}
    subprocess.run(
        [program("bsdtar", "libarchive-tools"), "-xf", str(written.path), "-C", str(out)], check=True, env=environment
    )
    check = [program("sha256sum", "coreutils"), "--check", "--strict", "--quiet", CHECKSUMS]
    subprocess.run(check, cwd=out, check=True)
    assert len(text_of(named, CHECKSUMS).decode().splitlines()) == 3


def test_scripts_write_the_names_of_a_joliet_disc(tmp_path):
    """Where they must, a name has no character that the machine's charset lacks; the lists are in that charset then."""
    named = joliet_disc(tmp_path, shell=True)
    assert [n.joliet for n in named[:2]] == [("__", "__.txt"), ("smile _ e",)]
    assert text_of(named, CHECKSUMS).isascii()


def test_second_copies_are_listed(tmp_path):
    """A second copy has the same checksum under its own path."""
    entry = filled(tmp_path)[-3]
    twice = replace(entry, second=("SECOND", "00000001.TXT"))
    lines = checksums_text([twice]).splitlines()
    assert [line.split("  ")[1] for line in lines] == sorted(
        ["/".join(entry.iso).removesuffix("."), "SECOND/00000001.TXT"]
    )
    assert len({line.split("  ")[0] for line in lines}) == 1


@pytest.mark.parametrize("name", ["plain", "back\\slash"])
def test_names_are_escaped_as_the_program_does(tmp_path, name):
    """sha256sum's own output for the same file (its manual: a backslash is escaped)."""
    (tmp_path / name).write_bytes(b"x")
    expected = subprocess.run([program("sha256sum", "coreutils"), name], cwd=tmp_path, check=True, capture_output=True)
    (member,) = opened_of({name: b"x"}, tmp_path).members
    named = Named(replace(filled(tmp_path)[0].staged, content=member.content, name=(name,)), ("X",), rock_ridge=(name,))
    assert checksums_text([named]).encode() == expected.stdout
