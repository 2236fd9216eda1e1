"""`check` judges by what the later steps do: it makes a disc's own files, and asks the scripts what they can save."""

from pathlib import Path

import pytest

from discprep.errors import DiscprepError, flatten, raise_all
from discprep.fetch.files import scratch
from discprep.job.check import check
from discprep.job.tree import Trees
from discprep.manifest import load_manifest

READY = Path(__file__).parents[2] / "manifests"
SHELL = r"""
name = "Desk"
[disc]
path = "D:"
[[volume]]
path = "C:"
[text]
charset = "ascii"
[shell]
script_name  = "{name}"
line_max     = 127
separator    = "\\"
after_volume = "\\"
make_folder  = "md {{path}}"
copy         = "copy {{source}} {{target}}"
message      = "echo {text}"
stop         = "goto end"
closing      = ":end"
goto         = "goto {{label}}"
label        = ":{{label}}"
if_exists    = "if exist {{path}} {{then}}"
if_missing   = "if not exist {{path}} {{then}}"
"""
ITEM = '[[item]]\nid = "a"\nsources = ["http://files.example/a.lha"]\nsize = 9\n'
HEAD = 'format = 1\ntitle = "Room"\n[machine]\nprofile = "machine.toml"\n'


def manifest(folder: Path, text: str = "", *, name: str = "P{part}.BAT", said: str = "{text}") -> Path:
    profile = SHELL.replace("{name}", name).replace("{text}", said).replace("{{", "{").replace("}}", "}")
    (folder / "machine.toml").write_text(profile, encoding="utf-8")
    (folder / "m.toml").write_text(HEAD + ITEM + text)
    return folder / "m.toml"


def faults(path: Path) -> list[DiscprepError]:
    with pytest.raises(DiscprepError) as caught:
        check(path)
    return list(flatten([caught.value]))


@pytest.mark.parametrize("name", ["map-table.toml", "catalogue-desk.toml"])
def test_ready_manifests_hold_together(name: str) -> None:
    assert check(READY / name).manifest.items


def test_words_of_the_language_that_its_charset_lacks(tmp_path: Path) -> None:
    """The scripts could not be written: what a build would say of them, `check` says."""
    path = manifest(tmp_path, said="«{text}»")
    with pytest.raises(DiscprepError) as built, scratch() as work:
        raise_all(Trees(work).of(load_manifest(path), {}, {}).errors)
    assert "the machine's charset ascii cannot express" in str(built.value)
    assert [str(fault) for fault in faults(path)] == [str(fault) for fault in flatten([built.value])]
    assert check(manifest(tmp_path)).manifest.title == "Room"


def test_a_path_too_long_for_a_line_that_saves_it(tmp_path: Path) -> None:
    """127 bytes are all that a DOS-class line takes (common practice, no source); this language enters no folder."""
    deep = "/".join(["ABCDEFGH"] * 13)
    step = '[[step]]\nwhere = "machine"\ntext = "Run it."\nwipes = ["{}"]\n'
    (fault,) = faults(manifest(tmp_path, step.format(deep)))
    assert fault.where == f"{tmp_path}/m.toml:9" and "the machine's language takes 127" in fault.message
    assert "Leave it out of `wipes`" in fault.hint
    assert check(manifest(tmp_path, step.format("ABCDEFGH/LINE.CFG")))
    assert check(manifest(tmp_path, step.replace("wipes", "# wipes").format(deep)))


def test_an_edit_in_what_goes_on_the_disc_packed(tmp_path: Path) -> None:
    """Nothing can be changed inside an archive: refused, and the hint mends it."""
    edit = 'place = "burn"\nform = "{}"\n[[item.edit]]\nfile = "line.cfg"\nfind = "1"\nreplace = "2"\n'
    (fault,) = faults(manifest(tmp_path, edit.format("packed")))
    assert fault.where == f"{tmp_path}/m.toml:10" and fault.item == "a"
    assert fault.hint == 'Give the item form = "unpacked", or no edit.'
    assert check(manifest(tmp_path, edit.format("unpacked")))


def test_that_no_script_is_written_is_said(tmp_path: Path) -> None:
    path = manifest(tmp_path)
    (tmp_path / "machine.toml").write_text('name = "Desk"\n[[volume]]\npath = "C:"\n')
    assert any("no [shell] section" in notice.message for notice in check(path).notices)
