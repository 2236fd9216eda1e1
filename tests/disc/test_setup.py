"""Setup scripts on a machine with a 68k-family shell of its profile's own wording (`support/shell68k.py`, written from
the profile alone). What must be there is computed from the archives' members, not from the scripts."""

import random
import re
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from support.dos import dos_profile
from support.programs import program
from support.shell68k import MapTable
from support.staging import manifest_of, opened_of, prepared
from support.trees import Shelf, write

from discprep.disc.contents import content_checksum, read_content
from discprep.disc.image import write_image
from discprep.disc.layout.options import ImageOptions
from discprep.disc.setup import setup_scripts
from discprep.disc.setup.flow import THEN, Do, If, in_turn, write_out
from discprep.disc.setup.language import Language
from discprep.disc.setup.script import copied
from discprep.disc.setup.site import disc_parts
from discprep.errors import NameRuleError
from discprep.machine import MachinePath
from discprep.manifest.load import load_profile
from discprep.manifest.substitute import RATE_MARKER
from discprep.model import Edit, Item, Medium, Profile, Shell, Staged, Step, Volume

PROFILE = load_profile(Path(__file__).parents[2] / "manifests/machines/map-table.toml")
SETTINGS = b"rate=9600\n"
NET = {
    "line settings": SETTINGS,
    "line settings.card": b"card",
    "Tools": None,
    "Tools/dial": bytes(range(256)) * 9,
    "Tools/empty": b"",
    'odd *name;"': b"odd",
    "a name that is far too long for this volume": b"long",
}
DOCS = {"Guide": b"guide\n", "maps/hall": b"hall", "maps/attic": b"attic"}
EDIT = Edit("line settings", "9600", "57600", 1, "m:1", template=RATE_MARKER)
ITEMS = (Item("net", to="Net", gives=("ip-stack",), edits=(EDIT,)), Item("docs", to="Docs"))
STEP = Step("machine", 'Open "Tools" and start dial.', ("net",), caution="It restarts the machine.")
WIPING = Step("machine", "Run the installer.", ("net",), ("s/startup", "prefs/"))
EDITED = SETTINGS.replace(b"9600", b"57600")


def disc(tmp_path, items=ITEMS, profile=PROFILE, members=None, **options):
    """The prepared disc of two items, and the machine's view of it."""
    extra = {
        "attributes": {"Tools/dial": 0x42, "line settings": 0},
        "attribute_system": {"Tools/dial": "68k", "line settings": "68k"},
        "comment": {"Tools/dial": 'dials "out" * ' + "x" * 100},
    }
    manifest = manifest_of(items, profile, steps=options.pop("steps", (STEP,)))
    opened = {item.id: opened_of((members or {"net": NET, "docs": DOCS})[item.id], tmp_path, **extra) for item in items}
    result = prepared(manifest, opened, tmp_path, rates=options.pop("rates", (19200, 57600)), **options)
    assert result.errors == ()
    return result, on_disc(result)


def on_disc(result):
    """The disc as the machine sees it: Rock Ridge paths and second copies."""
    seen = {}
    for entry in result.named:
        data = None if entry.staged.content is None else read_content(entry.staged.content)
        seen["/".join(entry.rock_ridge)] = data
        if entry.second:
            seen["/".join(entry.second).removesuffix(".")] = data  # as isoinfo -R lists them on our image
    return seen


def wanted(result, members=None):
    """Path on the machine -> bytes of the member, the edit done by hand."""
    members = members or {"net": {**NET, "line settings": EDITED}, "docs": DOCS}
    return {
        "/".join(n.target): members[n.staged.item][n.staged.member]
        for n in result.named
        if n.target and members[n.staged.item][n.staged.member] is not None
    }


def installed(machine):
    """What stands on the machine besides the saved copies."""
    return {name: data for name, data in machine.tree().items() if not name.startswith("saved/")}


def spoken(machine):
    """All that was said, without the ends of lines."""
    return " ".join(machine.said)


def test_two_parts(tmp_path):
    """Parts split at the hand step; the tree is byte-identical under its original names where they fit."""
    result, seen = disc(tmp_path)
    machine = MapTable(seen)
    assert machine.perform("DISC0:setup/part1") == 0
    assert {name.split("/")[0] for name in installed(machine)} == {"Net"}
    assert [line for line in machine.said if line.startswith(("Now", "Caution", "Then"))] == [
        'Now, by hand: Open "Tools" and start dial.',
        "Caution: It restarts the machine.",
        "Then start part 2: perform DISC0:setup/part2",
    ]
    assert machine.perform("DISC0:setup/part2") == 0
    assert "This was the last part." in machine.said
    assert installed(machine) == wanted(result)
    assert {"Net/line settings", "Net/line settings.card", "Net/Tools/dial", "Docs/maps/hall"} <= set(
        installed(machine)
    )


def test_no_script_is_empty_and_none_is_for_nothing(tmp_path):
    """Every file of the tool's own on the disc has its lines; without line settings there is no script for a rate."""
    _, seen = disc(tmp_path)
    assert all(data for path, data in seen.items() if path.startswith("setup/") and "/" in path)
    assert "setup/rate19200" in seen
    still = replace(PROFILE, shell=replace(PROFILE.shell, line_settings=()))
    _, seen = disc(tmp_path, items=ITEMS[1:], profile=still, steps=())
    assert {path for path in seen if path.startswith("setup/rate")} == set()


def test_the_room_file_ends_with_its_answer(tmp_path):
    """Cut short by a full volume it does not answer: 8 KiB of remarks (the tool's own choice) stand before the lines
    that do."""
    profile = dos_profile()
    result = prepared(manifest_of(ITEMS[1:], profile), {"docs": opened_of(DOCS, tmp_path)}, tmp_path)
    (room,) = [n.staged.content for n in result.named if n.staged.name[-1] == "ROOM.BAT"]
    *remarks, _ = lines = read_content(room).decode("ascii").split("\r\n")
    answer = [r"rem >C:\SAVED\ROOM.YES"]
    assert lines[-1 - len(answer) : -1] == answer
    remarks = remarks[: -len(answer)]
    assert all(line.startswith("rem ") for line in remarks)
    assert 8192 - 128 < sum(len(line) + 2 for line in remarks) < 8192 + 512


def test_copies_in_the_order_of_the_extents(tmp_path):
    """One sweep: each file of the items is read once, in the order of the disc, the setup's own files before."""
    result, seen = disc(tmp_path)
    machine = MapTable(seen)
    machine.perform("DISC0:setup/part1")
    machine.perform("DISC0:setup/part2")
    order = ["/".join(n.rock_ridge) for n in result.named if n.staged.item and n.staged.content and n.staged.copied]
    assert [path for path in machine.reads if not path.startswith("setup/")] == order


def test_attribute_bits_and_comments(tmp_path):
    """Bits in the machine's words, comments cut to what it holds; none for a plain file."""
    _, seen = disc(tmp_path)
    machine = MapTable(seen)
    machine.perform("DISC0:setup/part1")
    dial = machine.files["net/tools/dial"]
    assert dial.stamp == "s--rw-d"  # 0x42: script, and execute forbidden
    assert dial.caption == ('dials "out" * ' + "x" * 100)[:79]
    assert machine.files["net/line settings"].stamp == ""


def test_another_systems_attribute_bits_are_not_given():
    """The same number says other things there."""
    language, path = Language(PROFILE.shell, PROFILE), MachinePath("Maps:", ("dial",))
    own, other = (Staged(("dial",), "net", None, attributes=0x42, attribute_system=of) for of in ("68k", "dos"))
    assert language.attributes(own, path) and not language.attributes(other, path)


OWNERS = {"Net/line settings": b"owner's", "s/startup": b"startup", "prefs/a/b": b"deep"}


def test_the_owners_files_are_saved_once(tmp_path):
    """What a copy or a hand step would lose is saved first; later runs keep the first copies; undo brings them back."""
    result, seen = disc(tmp_path, steps=(WIPING,))
    machine = MapTable(seen)
    for path, data in OWNERS.items():
        machine.put(path, data)
    machine.perform("DISC0:setup/part1")
    saved = {name: data for name, data in machine.tree().items() if name.startswith("saved/")}
    assert set(OWNERS.values()) <= set(saved.values())
    copies = {name.split("/")[1] for name, data in saved.items() if data in OWNERS.values()}
    assert all(re.fullmatch(r"[0-9A-F]{8}\.[0-9A-F]{3}", name) for name in copies)  # 8.3: any volume takes it
    machine.files["s/startup"].data = b"the installer's"
    del machine.files["prefs/a/b"]
    machine.files["net/line settings"].data = b"changed since"
    assert machine.perform("DISC0:setup/part1") == 0
    assert {name: machine.tree()[name] for name in saved} == saved
    assert machine.perform("DISC0:setup/undo") == 0
    assert installed(machine) == {**wanted(result), **OWNERS}


# ------------------------------------------------------------------------------ done is said of what is there


def proven(result, machine, part):
    """Whether a part that said it is done has all that is needed on the machine, as the record has it."""
    needed = [n for n in copied(result.named, result.parts[part - 1].items) if n.staged.important]
    here = {path.lower(): data for path, data in machine.tree().items()}
    right = all(here.get("/".join(n.target).lower()) == read_content(n.staged.content)
                for n in needed if n.staged.content)  # fmt: skip
    return right or f"Part {part} is done." not in machine.said


def test_protected_files_twice(tmp_path):
    """Old files that may not be read, written over or discarded are freed, saved, replaced; the scripts' own bits are
    no hindrance to a second run; undo puts the old ones back."""
    result, seen = disc(tmp_path, steps=(WIPING,))
    machine = MapTable(seen)
    owners = {**OWNERS, "Net/Tools/dial": b"the owner's dial", "Docs/Guide": b"the owner's guide"}
    for path, data in owners.items():
        machine.put(path, data)
        machine.files[path.lower()].stamp = "-------"
    for _ in range(2):
        machine.said.clear()
        assert machine.perform("DISC0:setup/part1") == 0
        assert "Part 1 is done." in machine.said and proven(result, machine, 1)
        assert wanted(result).items() <= installed(machine).items()
        assert machine.files["net/tools/dial"].stamp == "s--rw-d"
    assert machine.perform("DISC0:setup/undo") == 0
    assert installed(machine) == {**wanted(result), **owners}


@pytest.mark.parametrize(
    ("stuck", "done"), [("Net/Tools/dial", False), ("Net/line settings", False), ("Docs/Guide", True)]
)
def test_a_file_in_use(tmp_path, stuck, done):
    """Nothing frees it: where it is needed the part stops and is not done; else it is listed, and all others come."""
    result, seen = disc(tmp_path, steps=())
    machine = MapTable(seen, stuck={stuck.lower()})
    machine.put(stuck, b"old")
    assert (machine.perform("DISC0:setup/part1") == 0) == done
    assert ("Part 1 is done." in machine.said) == done and proven(result, machine, 1)
    assert machine.tree()[stuck] == b"old"
    if done:
        assert installed(machine) == {**wanted(result), stuck: b"old"}
        assert machine.tree()["saved/C0FFEH1.TXT"] == b"DISC0:Docs/Guide\n"
    else:
        assert f"Maps:{stuck}" in spoken(machine).split("in use)")[1]


@pytest.mark.parametrize(
    ("needs", "importance", "needed"),
    [((), None, False), (("docs",), None, True), ((), "needed", True), ((), "wanted", False)],
)
def test_a_folder_that_cannot_be_made(tmp_path, needs, importance, needed):
    """A file has its name: an item that is only wanted is left out and listed, one that is needed stops the part."""
    items = (replace(ITEMS[0], needs=needs), replace(ITEMS[1], importance=importance))
    result, seen = disc(tmp_path, items=items, steps=())
    machine = MapTable(seen)
    machine.put("Docs/maps", b"a file")
    assert (machine.perform("DISC0:setup/part1") == 0) != needed
    assert proven(result, machine, 1)
    if not needed:
        left = {k: v for k, v in wanted(result).items() if not k.startswith("Docs/maps/")}
        assert installed(machine) == {**left, "Docs/maps": b"a file"}
        listed = machine.tree()["saved/C0FFEH1.TXT"]
        assert listed == b"Maps:Docs/maps could not be made; what belongs there is left out\n"


@pytest.mark.parametrize("seed", range(24))
def test_done_is_said_of_what_is_there_only(tmp_path, seed):
    """Whatever is protected, in use, hurt, in the way or full, whichever item is needed, and however often the part is
    run."""
    chance = random.Random(seed)
    items = (ITEMS[0], replace(ITEMS[1], importance=chance.choice([None, "needed", "wanted"])))
    result, seen = disc(tmp_path, items=items, steps=())
    paths = sorted(wanted(result))
    machine = MapTable(seen, room_bytes=chance.choice([14_000, 20_000, 28_000, 10**9]))
    for path in chance.sample(paths, 3):
        if chance.random() < 0.2 and "/" in path:
            path = path.rpartition("/")[0]
        if path.lower() not in machine.files:
            machine.put(path, b"old")
            machine.files[path.lower()].stamp = chance.choice(["", "-------", "---r---", "---rw--"])
    machine.stuck = {path.lower() for path in chance.sample(paths, chance.choice([0, 0, 1]))}
    machine.unreadable = set(chance.sample([p for p, d in seen.items() if d and not p.startswith("setup")],
                                           chance.choice([0, 0, 1])))  # fmt: skip
    for _ in range(2):
        machine.said.clear()
        machine.perform("DISC0:setup/part1")
        assert proven(result, machine, 1)
        machine.stuck, machine.unreadable = set(), set()


def test_undo_over_two_discs_with_the_drive_gone(tmp_path):
    """The machine's own undo puts back what both discs replaced, and says which it could not; so does any disc's."""
    first, second = disc(tmp_path, items=ITEMS[:1])[1], disc(tmp_path, items=ITEMS[1:], build_id="beef0001")[1]
    machine = MapTable(first)
    owners = {"Net/line settings": b"owner's", "Docs/Guide": b"owner's guide"}
    for path, data in owners.items():
        machine.put(path, data)
    assert machine.perform("DISC0:setup/part1") == 0
    machine.disc = second
    assert machine.perform("DISC0:setup/part1") == 0
    assert machine.tree()["Net/line settings"] == EDITED and machine.tree()["Docs/Guide"] == DOCS["Guide"]
    machine.disc, machine.stuck = {}, {"docs/guide"}
    assert machine.perform("Maps:saved/undo") == 20
    assert machine.tree()["Net/line settings"] == b"owner's"
    assert "Could not be put back: Maps:Docs/Guide" in machine.said
    assert not any("are back. Restart" in line for line in machine.said)
    machine.stuck = set()
    for disc_there in ({}, first, second):
        machine.disc = disc_there
        machine.files["net/line settings"].data = machine.files["docs/guide"].data = b"again"
        machine.said.clear()
        assert machine.perform("DISC0:setup/undo" if disc_there else "Maps:saved/undo") == 0
        assert owners.items() <= machine.tree().items() and "are back. Restart" in spoken(machine)


def test_what_is_needed_with_the_drive_gone(tmp_path):
    """After a step that wipes, the machine has undo, every rate and says where; a rate is set without the disc."""
    _, seen = disc(tmp_path, steps=(WIPING,))
    machine = MapTable(seen)
    machine.perform("DISC0:setup/part1")
    told = "Should the drive not be seen afterwards: perform Maps:saved/undo puts the old files back."
    assert told in spoken(machine)
    machine.disc = {}
    machine.said.clear()
    assert machine.perform("Maps:saved/rate19200") == 0
    assert machine.tree()["Net/line settings"] == SETTINGS.replace(b"9600", b"19200")


@pytest.mark.parametrize("discs", [1, 2])
def test_another_disc_after_a_step_that_wipes(tmp_path, discs):
    """The script points to what the sheet says of it, where the set has another disc."""
    manifest = manifest_of(ITEMS, PROFILE, steps=(WIPING,), medium=Medium("cd-74", 333_000, discs=discs))
    opened = {"net": opened_of(NET, tmp_path), "docs": opened_of(DOCS, tmp_path)}
    machine = MapTable(on_disc(prepared(manifest, opened, tmp_path)))
    assert machine.perform("DISC0:setup/part1") == 0
    assert ("another disc of this set is still to come" in spoken(machine)) == (discs == 2)


def test_a_rate_is_set_only_where_its_settings_stand(tmp_path):
    """Where the old settings cannot be replaced, nothing says that the rate is set."""
    _, seen = disc(tmp_path)
    machine = MapTable(seen)
    machine.perform("DISC0:setup/part1")
    machine.stuck = {"net/line settings"}
    machine.said.clear()
    assert machine.perform("DISC0:setup/rate19200") == 20
    assert not any("is set to" in line for line in machine.said)


def test_what_is_wiped_may_name_its_volume(tmp_path):
    """A path with the volume before it is the same file, whatever its capitals."""
    _, seen = disc(tmp_path, steps=(replace(STEP, wipes=("Maps:s/startup", "MAPS:prefs/")),))
    machine = MapTable(seen)
    for path, data in OWNERS.items():
        machine.put(path, data)
    assert machine.perform("DISC0:setup/part1") == 0
    saved = {data for name, data in machine.tree().items() if name.startswith("saved/")}
    assert set(OWNERS.values()) <= saved


def test_another_build_keeps_the_first_copies_too(tmp_path):
    """A disc made later finds the copies of an earlier one, by path, and never writes over them."""
    _, seen = disc(tmp_path)
    machine = MapTable(seen)
    machine.put("Net/line settings", b"owner's")
    machine.perform("DISC0:setup/part1")
    _, machine.disc = disc(tmp_path, build_id="beef0001")
    machine.perform("DISC0:setup/part1")
    machine.perform("DISC0:setup/undo")
    assert machine.tree()["Net/line settings"] == b"owner's"


def test_what_an_earlier_build_put_there_is_not_saved(tmp_path):
    """A new build of the same files does not fill the volume with copies of the old one's; the owner's changed settings
    are saved all the same."""
    _, seen = disc(tmp_path)
    machine = MapTable(seen)
    for part in ("part1", "part2"):
        machine.perform(f"DISC0:setup/{part}")
    machine.files["net/line settings"].data = b"changed by the owner"
    before = set(machine.tree())
    _, machine.disc = disc(tmp_path, build_id="beef0001")
    for part in ("part1", "part2"):
        assert machine.perform(f"DISC0:setup/{part}") == 0
    copies = [data for name, data in machine.tree().items() if name not in before and not name.startswith("saved/BEEF")]
    assert copies.count(b"changed by the owner") == 1
    assert len(copies) <= 2  # the settings, and the list that names them
    machine.perform("DISC0:setup/undo")
    assert machine.tree()["Net/line settings"] == b"changed by the owner"


def test_other_files_of_an_item_are_saved_again(tmp_path):
    """Where a new build brings other files, what stands in their place is saved."""
    _, seen = disc(tmp_path)
    machine = MapTable(seen)
    machine.perform("DISC0:setup/part1")
    machine.put("Docs/New", b"the owner's own")
    members = {"net": NET, "docs": {**DOCS, "New": b"new"}}
    _, machine.disc = disc(tmp_path, members=members, build_id="beef0001")
    for part in ("part1", "part2"):
        assert machine.perform(f"DISC0:setup/{part}") == 0
    assert machine.tree()["Docs/New"] == b"new"
    machine.perform("DISC0:setup/undo")
    assert machine.tree()["Docs/New"] == b"the owner's own"


@pytest.mark.parametrize("second_copies", [False, True])
def test_a_hurt_file_that_is_needed(tmp_path, second_copies):
    """It is taken from its second copy, else the part stops with a message and is not done."""
    result, seen = disc(tmp_path, second_copies=second_copies)
    machine = MapTable(seen, unreadable={"Net/Tools/dial"})
    trouble = machine.perform("DISC0:setup/part1")
    if second_copies:
        assert trouble == 0
        assert machine.tree()["Net/Tools/dial"] == NET["Tools/dial"]
    else:
        assert trouble == 20
        assert "Could not be copied: Maps:Net/Tools/dial" in machine.said
        assert not any("is done" in line for line in machine.said)
        assert machine.perform("DISC0:setup/part2") == 20
        assert "Part 1 of this disc is not done" in spoken(machine)
    assert result.notices == ()


def test_second_copies_stand_where_the_scripts_look(tmp_path):
    """isoinfo (genisoimage) lists each second copy on the written image under the name that the scripts have."""
    result, seen = disc(tmp_path, second_copies=True)
    image = tmp_path / "own.iso"
    write_image(result.named, image, ImageOptions("FIRSTDISC", 0, PROFILE.name_rules, charset=PROFILE.charset))
    command = [program("isoinfo", "genisoimage"), "-R", "-f", "-i", str(image)]
    listed = subprocess.run(command, check=True, capture_output=True).stdout.decode("latin-1").splitlines()
    seconds = {f"/{path}" for path in seen if path.startswith("SECOND/")}
    assert seconds and seconds <= set(listed)
    scripts = b"".join(data for path, data in seen.items() if path.startswith("setup/") and data)
    assert {path for path in seconds if f"carry DISC0:{path[1:]} to ".encode() not in scripts} == set()


@pytest.mark.parametrize(("rules", "option"), [("1", ()), ("1j", ("-J",)), ("2jr", ("-R",))])
def test_scripts_name_files_as_the_richest_tree_does(tmp_path, rules, option):
    """isoinfo (genisoimage) lists the written image's tree under the names that the scripts use."""
    written = write(Shelf(tmp_path).tree({"Docs/Read Me.text": b"r", "Bare": b"b"}), tmp_path / "own.iso", rules)
    command = [program("isoinfo", "genisoimage"), *option, "-f", "-i", str(written.path)]
    listed = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split("\n")
    shown = {line.removesuffix(";1").removesuffix(".") for line in listed}
    assert {"/" + "/".join(disc_parts(placed.named)) for placed in written.placed} <= shown


def test_a_hurt_file_that_nothing_needs(tmp_path):
    """It is listed and passed over; a later run without the fault forgets it."""
    result, seen = disc(tmp_path)
    machine = MapTable(seen, unreadable={"Docs/maps/hall"})
    machine.perform("DISC0:setup/part1")
    assert machine.perform("DISC0:setup/part2") == 0
    assert machine.tree()["saved/C0FFEH2.TXT"] == b"DISC0:Docs/maps/hall\n"
    assert "Could not be copied: DISC0:Docs/maps/hall" in machine.said
    assert "is listed in Maps:saved/C0FFEH2.TXT" in spoken(machine)
    assert installed(machine) == {k: v for k, v in wanted(result).items() if k != "Docs/maps/hall"}
    machine.unreadable.clear()
    machine.perform("DISC0:setup/part2")
    assert installed(machine) == wanted(result)
    assert "saved/C0FFEH2.TXT" not in machine.tree()


@pytest.mark.parametrize("change", [b"hAll", b"hall and more"])
def test_bytes_that_change_on_the_way(tmp_path, change):
    """The machine's own size and checksum commands notice, and the bad copy does not stay."""
    _, seen = disc(tmp_path)
    seen["Docs/maps/hall"] = change
    machine = MapTable(seen)
    machine.perform("DISC0:setup/part1")
    machine.perform("DISC0:setup/part2")
    assert "Docs/maps/hall" not in machine.tree()
    assert b"Docs/maps/hall" in machine.tree()["saved/C0FFEH2.TXT"]


def test_a_full_volume_stops(tmp_path):
    """Nothing of the owner's is lost where there is no room to save it; with more room, the part stops at the copy."""
    _, seen = disc(tmp_path)
    for room in (20_000, 20_900):
        machine = MapTable(seen, room_bytes=room)
        machine.put("Net/line settings", b"o" * 3000)
        machine.put("filler", b"f" * 12_000)
        assert machine.perform("DISC0:setup/part1") == 20
        whole = [data for name, data in machine.tree().items() if data == b"o" * 3000]
        assert whole, "the owner's file is nowhere"
        assert not any("is done" in line for line in machine.said)


@pytest.mark.parametrize("room", range(0, 24_000, 977))
def test_at_no_size_is_the_owners_file_lost(tmp_path, room):
    """Whatever room there is: the owner's file stands whole in its place or among the saved."""
    _, seen = disc(tmp_path)
    machine = MapTable(seen, room_bytes=room + 3000)
    machine.put("Net/line settings", b"o" * 3000)
    trouble = machine.perform("DISC0:setup/part1")
    assert b"o" * 3000 in machine.tree().values()
    assert (trouble == 0) == any("Part 1 is done." in line for line in machine.said)


def test_line_rates(tmp_path):
    """One script for each rate puts that rate's settings in place; the owner's are saved first. It wants what part 1
    brings."""
    _, seen = disc(tmp_path)
    machine = MapTable(seen)
    machine.put("Net/line settings", b"owner's")
    assert machine.perform("DISC0:setup/rate19200") == 20
    assert "Run part 1 of this disc first" in spoken(machine)
    assert machine.tree() == {"Net/line settings": b"owner's"}
    machine.perform("DISC0:setup/part1")
    for rate in ("19200", "57600"):
        assert machine.perform(f"DISC0:setup/rate{rate}") == 0
        assert machine.tree()["Net/line settings"] == SETTINGS.replace(b"9600", rate.encode())
    machine.perform("DISC0:setup/undo")
    assert machine.tree()["Net/line settings"] == b"owner's"


def test_a_wrong_disc(tmp_path):
    """With another disc in the drive nothing is changed."""
    _, seen = disc(tmp_path)
    machine = MapTable(dict(seen))
    machine.put("part1", seen["setup/part1"])
    machine.disc = {"other": b"1"}
    assert machine.perform("Maps:part1") == 20
    assert "Nothing was changed." in spoken(machine)
    assert set(machine.tree()) == {"part1"}


def test_steps_before_anything_is_copied(tmp_path):
    """A step at the start is shown in part 1, which waits; desk and bridge steps are not the script's."""
    steps = (
        Step("desk", "not here"),
        Step("machine", "Prepare the volume.", caution="It is wiped."),
        Step("bridge", "nor here"),
    )
    _, seen = disc(tmp_path, steps=steps)
    machine = MapTable(seen)
    assert machine.perform("DISC0:setup/part1") == 0
    order = [machine.said.index(line) for line in ("Prepare the volume.", "Caution: It is wiped.", "(waits for a key)")]
    assert order == sorted(order)
    assert not any("not here" in line or "nor here" in line for line in machine.said)
    assert "setup/part2" not in seen


NEEDED = ("script_name", "make_folder", "copy", "message", "stop", "if_exists", "if_missing", "quote", "quote_when",
          "path_escapes", "text_escapes", "separator", "after_volume", "opening", "folder")  # fmt: skip


def test_without_optional_words(tmp_path):
    """A language with nothing but the needed words still installs; what it cannot say is left out."""
    few = Shell(**{key: getattr(PROFILE.shell, key) for key in NEEDED})
    profile = replace(PROFILE, shell=few)
    result, seen = disc(tmp_path, profile=profile, steps=(replace(STEP, wipes=("s/startup",)),))
    machine = MapTable(seen)
    machine.put("Net/line settings", b"owner's")
    assert machine.perform("DISC0:setup/part1") == 0
    assert b"owner's" in machine.tree().values()
    assert [n.message for n in result.notices] == [
        "the machine's language cannot give back attribute bits of a 68k system and comments"
    ]


def test_no_shell_no_scripts(tmp_path):
    """A profile without a command language gets no scripts, and a remark."""
    manifest = manifest_of(ITEMS, replace(PROFILE, shell=None))
    result = prepared(manifest, {"docs": opened_of(DOCS, tmp_path)}, tmp_path)
    assert {n.staged.item for n in result.named} == {"docs"}
    assert "no [shell] section" in result.notices[0].message


def test_messages_lose_what_the_screen_lacks(tmp_path):
    """A step's text with characters outside the charset is shown without them, and said."""
    result, seen = disc(tmp_path, steps=(replace(STEP, text="Wählen “Start” 日"),))
    machine = MapTable(seen)
    machine.perform("DISC0:setup/part1")
    assert 'Now, by hand: Wählen "Start" ?' in machine.said
    assert any("lacks characters" in notice.message for notice in result.notices)


@pytest.mark.parametrize(
    ("base", "parts", "text"),
    [
        ("C:", ("NET", "A.TXT"), r"C:\NET\A.TXT"),
        ("C:", (), "C:"),
        ("C:\\ROOM", ("A",), r"C:\ROOM\A"),
        ("C:\\", ("A",), r"C:\A"),
    ],
)
def test_paths_with_backslashes(base, parts, text):
    """How a volume, a folder on it and what lies below become one path."""
    profile = dos_profile()
    assert Language(profile.shell, profile).path(MachinePath(base, parts)) == text


def test_a_line_too_long_is_given_from_inside_the_folder():
    """The language's limit is kept by going into the target's folder; where that is not enough, it is a fault."""
    profile = dos_profile()
    language = Language(profile.shell, profile)
    deep = MachinePath("C:", ("ABCDEFGH",) * 6 + ("FILE.TXT",))
    (node,) = language.copy(MachinePath("D:", deep.parts), deep)
    assert node.lines[0] == "C:"
    assert node.lines[1] == "cd C:" + r"\ABCDEFGH" * 6
    assert node.lines[2] == "copy /b D:" + r"\ABCDEFGH" * 6 + r"\FILE.TXT FILE.TXT >NUL"
    deeper = MachinePath("C:", ("ABCDEFGH",) * 13 + ("FILE.TXT",))
    asked = language.when("exists", deeper, [Do(("x",))])
    assert list(write_out(asked, profile.shell, language.fits)) == [
        "C:", "cd C:" + r"\ABCDEFGH" * 13, "if exist FILE.TXT x",
    ]  # fmt: skip
    with pytest.raises(NameRuleError, match="takes 127"):
        language.copy(MachinePath("D:", ("ABCDEFGH",) * 14), deep)


@pytest.mark.parametrize(("charset", "bytes_each"), [("latin-1", 1), ("shift_jis", 2), ("utf-8", 3)])
def test_a_line_is_as_long_as_its_bytes(charset, bytes_each):
    """The language counts bytes: a katakana takes two in JIS X 0208, three in UTF-8 (RFC 3629 §3); é one in ISO 8859-1.
    Messages are cut to fit, a command that does not is a fault that tells its bytes."""
    sign = "é" if charset == "latin-1" else "ミ"
    shell = replace(dos_profile().shell, line_max=60, change_folder=(), message=("echo {text}",))
    language = Language(shell, replace(dos_profile(), charset=charset, shell=shell))
    template = "del " + "C:" + "\\"
    fitting = (60 - len(template)) // bytes_each
    (node,) = language.command("delete", MachinePath("C:", (sign * fitting,)))
    assert len(node.lines[0].encode(charset)) <= 60 < len(node.lines[0].encode(charset)) + bytes_each
    over = len(template) + (fitting + 1) * bytes_each
    with pytest.raises(NameRuleError, match=f"has {over} bytes, the machine's language takes 60"):
        language.command("delete", MachinePath("C:", (sign * (fitting + 1),)))
    said = [line for node in language.say(f"{sign * 9} " * 30) for line in node.lines]
    assert max(len(line.encode(charset)) for line in said) <= 60
    assert "".join(said).count(sign) == 9 * 30


def test_a_rename_in_a_language_that_enters_no_folders():
    """The old name is a whole path, the new one a bare name (common practice of `ren`, no source)."""
    profile = dos_profile()
    language = Language(replace(profile.shell, change_folder=()), profile)
    (node,) = language.rename(MachinePath("C:", ("SAVED", "SAVING.TMP")), "0A1B2C3D.4E5")
    assert node.lines == (r"ren C:\SAVED\SAVING.TMP 0A1B2C3D.4E5",)


def test_jumps_and_blocks():
    """The same tree in both families of languages, worked out by hand."""
    tree = [
        If(("if a " + THEN,), (If(("if b " + THEN,), (Do(("x",)), Do(("y",)))),), opposite=("if not a " + THEN,)),
        Do(("z",)),
    ]
    dos = dos_profile().shell
    assert list(write_out(tree, dos, lambda lines: True)) == [
        "if a if b goto L1",
        ":L2",
        "z",
        "goto L3",
        ":L1",
        "x",
        "y",
        "goto L2",
        ":L3",
    ]
    assert list(write_out(tree, dos, lambda lines: max(map(len, lines)) < 15)) == [
        "if not a goto L1", "if b goto L2", ":L3", ":L1", "z", "goto L4", ":L2", "x", "y", "goto L3", ":L4",
    ]  # fmt: skip
    block = If(("if a", "  " + THEN, "end"), (If(("if b", "  " + THEN, "end"), (Do(("x",)),)),))
    assert list(write_out([block], PROFILE.shell, lambda lines: True)) == ["if a", "  if b", "    x", "  end", "end"]


@pytest.mark.parametrize("shell", [PROFILE.shell, dos_profile().shell], ids=["blocks", "jumps"])
def test_many_nodes_are_made_as_they_are_written(shell):
    """The lines are those of nodes that are held, and nothing is made before it is asked for."""
    made = []

    def nodes_of(number):
        made.append(number)
        lines = (f"if {number} " + THEN,), (f"if not {number} " + THEN,)
        return [If(lines[0], (Do((f"do {number}",)), Do(("too",))), opposite=lines[1])]

    held = [node for number in range(200) for node in nodes_of(number)]
    made.clear()
    lines = write_out(in_turn(range(200), nodes_of), shell, lambda lines: True)
    next(lines)
    assert made == [0]
    assert [*write_out(in_turn(range(200), nodes_of), shell, lambda lines: True)] == [
        *write_out(held, shell, lambda lines: True)
    ]


def test_jumps_around_what_may_not_stand_in_a_condition():
    """A redirection acts in some shells though its condition fails, so it stands alone; two stops share their end."""
    dos = dos_profile().shell
    write = If(("if a " + THEN,), (Do(("x >f",), inline=False),), opposite=("if not a " + THEN,))
    assert list(write_out([write], dos, lambda lines: True)) == ["if not a goto L1", "x >f", ":L1"]
    stop = (Do(("say",)), Do(("quit",), ends=True))
    tree = [If(("if a " + THEN,), stop), If(("if b " + THEN,), stop), Do(("z",))]
    assert list(write_out(tree, dos, lambda lines: True)) == [
        "if a goto L1", "if b goto L1", "z", "goto L2", ":L1", "say", "quit", ":L2",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "digits"),
    [
        ("crc16", "bb3d"),  # CRC-16/ARC of "123456789": the catalogue of parametrised CRC algorithms
        ("crc32", "cbf43926"),  # the same catalogue, CRC-32/ISO-HDLC
        ("md5", "25f9e794323b453885f5181f1b624d0b"),  # md5sum of coreutils
        ("sha1", "f7c3bc1d808e04732adf679965ccc34ca7ae3441"),  # sha1sum of coreutils
    ],
)
def test_checksums_for_the_machines_command(tmp_path, kind, digits):
    """What the machine's own checksum command is asked to find."""
    (member,) = opened_of({"a": b"123456789"}, tmp_path).members
    assert content_checksum(member.content, kind) == digits


def test_the_same_disc_gives_the_same_scripts(tmp_path):
    """Nothing of the run stands in a script."""
    first, _ = disc(tmp_path)
    second, _ = disc(tmp_path)
    assert first == second


def test_a_machine_without_volumes(tmp_path):
    """Without a [[volume]] nothing can be installed, so nothing is generated."""
    profile = Profile("bare", shell=PROFILE.shell)
    result = setup_scripts((), manifest_of(ITEMS, profile), "c0ffee12", (), tmp_path)
    assert "no [[volume]]" in result.notices[0].message
    assert Volume("X:").free_bytes is None


# --------------------------------------------------------------------------------------- machines that forget


@pytest.mark.parametrize("all_forget", [False, True])
def test_what_a_power_off_takes_comes_back_with_one_script(tmp_path, all_forget):
    """What goes to a volume that forgets; what is saved stands on one that stays, where there is one."""
    ram = Volume("Maps:ram", volatile=True)
    lasting = replace(PROFILE.volumes[0], volatile=all_forget)
    profile = replace(PROFILE, volumes=(ram, lasting))
    items = (replace(ITEMS[0], volume="Maps:ram"), replace(ITEMS[1], volume="Maps:"))
    result, seen = disc(tmp_path, items=items, profile=profile, steps=())
    machine = MapTable(seen)
    machine.put("ram/Net/line settings", b"owner's")
    assert machine.perform("DISC0:setup/part1") == 0
    home = "ram/saved/" if all_forget else "saved/"
    assert b"owner's" in {data for path, data in machine.tree().items() if path.startswith(home)}
    whole = {path: data for path, data in machine.tree().items() if path.startswith("ram/Net/")}
    assert whole == {f"ram/{path}": data for path, data in wanted(result).items() if path.startswith("Net/")}
    assert whole["ram/Net/line settings"] == EDITED
    machine.files = {key: file for key, file in machine.files.items() if not key.startswith("ram/")}
    machine.said.clear()
    assert machine.perform("DISC0:setup/START") == 0
    assert "What the power-off took is there again." in machine.said
    assert {path: data for path, data in machine.tree().items() if path.startswith("ram/Net/")} == whole
    machine.files = {key: file for key, file in machine.files.items() if not key.startswith("ram/")}
    machine.unreadable = {"Net/Tools/dial"}
    machine.said.clear()
    assert machine.perform("DISC0:setup/START") == 20
    assert "What the power-off took is there again." not in machine.said


def test_no_start_script_where_nothing_is_forgotten(tmp_path):
    _, seen = disc(tmp_path)
    assert "setup/START" not in seen


# --------------------------------------------------------------------------- a language that asks nothing


ASKS = ("if_exists", "if_missing", "if_folder", "if_no_folder", "if_failed")


def plain(**more):
    """The ready profile without a condition."""
    return replace(PROFILE, shell=replace(PROFILE.shell, **dict.fromkeys(ASKS, ()), tells=(), **more))


def test_a_plain_list_that_stops_at_the_first_error(tmp_path):
    """The interpreter ends a script at trouble 10 by itself: done is said where every command before it went well."""
    profile = plain(opening=(), stops_at_failure=True)
    result, seen = disc(tmp_path, profile=profile)
    assert {path for path in seen if path.startswith("setup/") and path.count("/") == 1 and seen[path]} == {
        "setup/part1", "setup/part2", "setup/FOLDERS", "setup/rate19200", "setup/rate57600"}  # fmt: skip
    machine = MapTable(seen)
    assert machine.perform("DISC0:setup/FOLDERS") == 0
    assert machine.perform("DISC0:setup/FOLDERS") == 10  # they are there
    for part in (1, 2):
        assert machine.perform(f"DISC0:setup/part{part}") == 0
        assert f"Part {part} is done." in machine.said and proven(result, machine, part)
    assert installed(machine) == wanted(result)
    assert [line for line in machine.said if line.startswith("2 of 6: ")]
    assert machine.perform("DISC0:setup/rate19200") == 0
    assert machine.tree()["Net/line settings"] == SETTINGS.replace(b"9600", b"19200")
    for fault in ("unreadable", "stamp", "bytes"):
        machine = MapTable(dict(seen))
        machine.perform("DISC0:setup/FOLDERS")
        if fault == "unreadable":
            machine.unreadable = {"Net/Tools/dial"}
        elif fault == "bytes":
            machine.disc["Net/Tools/dial"] = b"other" * 9
        else:
            machine.put("Net/Tools/dial", b"old")
            machine.files["net/tools/dial"].stamp = "-------"
        assert machine.perform("DISC0:setup/part1") == 10
        assert not any("is done" in line for line in machine.said)


def test_a_plain_list_that_goes_on(tmp_path):
    """Nothing proves it, so nothing says that it is done: the person is told to look at the numbers."""
    _, seen = disc(tmp_path, profile=plain(opening=("bear 20",)))
    machine = MapTable(seen, unreadable={"Net/Tools/dial"})
    assert machine.perform("DISC0:setup/part1") == 0
    assert not any("is done" in line for line in machine.said)
    assert "Nothing here can tell whether every file came" in spoken(machine)
    assert "Net/line settings" in machine.tree() and "Net/Tools/dial" not in machine.tree()
