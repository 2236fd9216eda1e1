"""What hints say, done: faults of a manifest or profile with the change that their hint names, and calls with the call
that their hint names. `tests/robust/test_hints.py` walks them.

In what a hint says, a group of the pattern is what the change takes from it, as `<1>`.
"""

from __future__ import annotations

from dataclasses import dataclass

Change = tuple[str, str]
"""Old text to new, in the manifest or else the profile; to "" is added at the manifest's end."""

CHECK, PLAN = ("check",), ("plan",)
MAPS = 'id = "maps"'
OTHER = '[[item]]\nid = "list"\nsources = ["maps.zip"]\nto = "LIST"\n'
EDIT = '[[item.edit]]\nfile = "LINE.CFG"\nfind = "rate=9600"\nreplace = "rate=1"\n'
LINK = "[link]\nrate = 9600\n"
VOLUME = '[[volume]]\npath = "C:"\n'
LANGUAGE = (
    '[shell]\nscript_name = "P{part}"\nmake_folder = "md {path}"\ncopy = "cp {source} {target}"\n'
    'message = "echo {text}"\nstop = "end"\nif_exists = ["if {path}", "{then}", "fi"]\n'
    'if_missing = ["ifnot {path}", "{then}", "fi"]\n'
)


@dataclass(frozen=True)
class Walk:
    """`wrong` makes the fault, `says` is in its hint, `cure` is what that says; then `call` tells it no more."""

    wrong: tuple[Change, ...]
    says: str
    cure: Change
    call: tuple[str, ...] = CHECK


def of_item(line: str) -> Change:
    return MAPS, f"{MAPS}\n{line}"


def of_disc(lines: str) -> Change:
    return 'kind = "cd-74"\n', lines


def of_profile(lines: str) -> Change:
    return 'name_rules = "iso-level-2"\n', f'name_rules = "iso-level-2"\n{lines}'


def step(wipes: str, where: str = "machine") -> Change:
    return "", f'[[step]]\nwhere = "{where}"\nafter = ["maps"]\ntext = "Install."\nwipes = ["{wipes}"]\n'


BIG = ("", '[[item]]\nid = "big"\nsources = ["big.zip"]\nto = "BIG"\nplace = "burn"\n')
BIGGER = ("", '[[item]]\nid = "bigger"\nsources = ["bigger.zip"]\nto = "BIGGER"\nplace = "burn"\n')
"""270 and 540 KB, which the bench has."""

WALKS: dict[str, Walk] = {
    # a manifest's own text
    "brace": Walk((("", EDIT.replace("rate=1", "{")),), "Write {{ or }} for a brace", ('"{"', '"{{"')),
    "known name": Walk(
        (("", EDIT.replace("rate=1", "{link.rat}")),), r"Did you mean ({link\.rate})\?", ("{link.rat}", "<1>")
    ),
    "near key": Walk((of_item('plcae = "burn"'),), "Did you mean '(place)'", ("plcae", "<1>")),
    "missing key": Walk(((LINK, '[link]\nprotocol = "slip"\n'),), "Add (rate) = … there", ("[link]",
                    "[link]\n<1> = 9600")),
    "twice": Walk((("", OTHER.replace("list", "maps")),), "Rename one of them", (MAPS, 'id = "plans"')),
    "near item": Walk((("", OTHER + 'needs = ["mapz"]\n'),), "Did you mean '(maps)'", ("mapz", "<1>")),
    "near role": Walk((("bring_up = []", 'bring_up = ["fecher"]'), ("", OTHER + 'gives = ["fetcher"]\n')),
                      "Did you mean '(fetcher)'", ("fecher", "<1>")),
    "role": Walk((of_item('needs = ["editor"]'),), r'Add (gives = \["editor"\]) to an item', ("", f"{OTHER}<1>\n")),
    "for another": Walk((of_item('needs = ["list"]'), ("", OTHER + 'for = ["hut"]\n')), "Widen its `for`",
                        ('for = ["hut"]', 'for = ["hut", "desk"]')),
    "circle": Walk((of_item('needs = ["list"]'), ("", OTHER + 'needs = ["maps"]\n')), "Drop one of these needs",
                   ('needs = ["list"]\n', "")),
    "wanted": Walk(
        (of_item('importance = "wanted"'), ("", OTHER + 'importance = "needed"\nneeds = ["maps"]\n')),
        'Give it (importance = "needed")', ('importance = "wanted"', "<1>"),
    ),
    "bring-up": Walk((("bring_up = []", 'bring_up = ["fetcher"]'),), r'Add (gives = \["fetcher"\])', ("",
                    f"{OTHER}<1>\n")),
    "remarked role": Walk((), r'Add gives = \["terminal"\] to an item, or (provides = \["terminal"\])',
                          ('name = "desk"\n', 'name = "desk"\n<1>\n')),
    "packed for nobody": Walk((of_item('form = "packed"'),), r'Add an item with (gives = \["unpack-zip"\]), or set',
                              ("", f"{OTHER}<1>\n")),
    "waits for nobody": Walk((), r'Add an item with (gives = \["unpack-zip"\])\.', ("",
                    f"{OTHER}place = \"burn\"\n<1>\n")),
    "closed": Walk((of_item('form = "packed"\nstrip = 1'),), 'Give the item (form = "unpacked")',
                   ('form = "packed"', "<1>")),
    "seven bits": Walk(((LINK, f'{LINK}framing = "7E1"\n'),), 'Use (framing = "8N1")', ('framing = "7E1"', "<1>")),
    "framings": Walk((("", '[bridge]\nrate = 9600\nframing = "8E1"\n'),), "Set both alike", ("8E1", "8N1")),
    "rates": Walk((("", "[bridge]\nrate = 19200\n"),), "Set both to one rate", ("rate = 19200", "rate = 9600")),
    "fewest": Walk((of_disc('kind = "cd-74"\ndiscs = "fewest"\n'),), 'Add (link_budget = "2 h") under (\\[plan\\])',
                   ("", "<2>\n<1>\n")),
    "no volume": Walk((of_item('volume = "D:"'), of_profile(VOLUME)), "Leave `volume` out", ('volume = "D:"\n', "")),
    "unknown volume wiped": Walk((step("D:NET.CFG"), of_profile(VOLUME + LANGUAGE)),
                                 "Begin the path as the profile does: (C:)…", ("D:NET", "<1>NET")),
    "run into the volume": Walk((step("/usr/localNET.CFG"), of_profile('[[volume]]\npath = "/usr/local"\n')),
                                "Begin the path as the profile does: (/usr/local/)…", ("/usr/local", "<1>")),
    "no volume wiped": Walk((step("D:NET.CFG"),), "Add a (\\[\\[volume\\]\\]) to the profile",
                            of_profile('<1>\npath = "D:"\n')),
    "wiped elsewhere": Walk((step("C:NET.CFG", "desk"), of_profile(VOLUME + LANGUAGE)),
                    'Give the step (where = "machine")',
                            ('where = "desk"', "<1>")),
    "volume wiped": Walk((step("C:"), of_profile(VOLUME + LANGUAGE)), "Name the files and folders that are lost",
                         ('["C:"]', '["C:NET.CFG"]')),
    "saved wiped": Walk((step("C:SAVED/A"), of_profile(VOLUME + LANGUAGE)), "rename the shell's (save_folder)",
                        ("[shell]\n", '[shell]\n<1> = "KEPT"\n')),
    "folder wiped": Walk((step("C:NET/"), of_profile(VOLUME + LANGUAGE)),
                    "give the profile's \\[shell\\] a (copy_folder)",
                         ("[shell]\n", '[shell]\n<1> = "cp -r {source} {target}"\n')),
    "long wipes": Walk((step(f"C:{'DEEP/' * 30}A"), of_profile(VOLUME + LANGUAGE.replace("[shell]\n",
                    "[shell]\nline_max = 80\n"))),
                       "Leave it out of `wipes`", ("wipes", "# wipes")),
    "include": Walk((("bring_up", 'include = ["nowhere.toml"]\nbring_up'),), "Check the path: it begins at the folder",
                    ("nowhere.toml", "more.toml")),
    "profile": Walk((('"desk.toml"', '"desk.tmol"'),), "Check the profile's path", ("desk.tmol", "desk.toml")),
    "key twice": Walk((of_item(MAPS),), "The key stands there twice: keep one", (f"{MAPS}\n{MAPS}", MAPS)),
    "table twice": Walk((("", LINK),), "put its keys together under one head", (LINK, "")),
    "no quotes": Walk((of_item("place = burn"),), "A text stands in quotes", ("place = burn", 'place = "burn"')),
    "backslash": Walk((of_item('hint = "A\\B"'),), r"Write (\\\\) for a backslash", ('"A\\B"', '"A<1>B"')),
    "charset": Walk((of_item('charset = "cp999"'),), "(cp437)", ("cp999", "<1>")),
    "charset of texts": Walk((of_profile('[text]\ncharset = "cp999"\n'),), "(cp437)", ("cp999", "<1>")),
    "no source": Walk((('sources = ["maps.zip"]\n', ""),), r"Add sources = \[…\], (page) = …",
                      of_item('<1> = "http://files.example/"')),
    "boot image": Walk((of_disc('kind = "cd-74"\nboot_image = "boot.img"\nboot_media = "1.44M"\n'),),
                       'set (boot_media = "1.2M")', ('boot_media = "1.44M"', "<1>")),
    "two volumes": Walk((of_profile(VOLUME + VOLUME),), "Give one of them another path, or drop it",
                    (VOLUME + VOLUME, VOLUME)),
    "no join": Walk(((LINK, LINK + 'slice = "20 min"\n'), of_profile(VOLUME + LANGUAGE)),
                    r"`join` under \[shell\] .* needs `(delete)` there: (join = .*)\.",
                    ("[shell]\n", '[shell]\n<1> = "del {path}"\n<2>\n')),
    "hard to read": Walk((of_disc('kind = "dvd-r"\n'),), 'Take (kind = "cd-74")', ('kind = "dvd-r"', "<1>")),
    "secret at hand": Walk((("", '[secrets.key]\nenv = "HINTS_PATH"\n'),), "Set HINTS_PATH in the environment",
                           ("HINTS_PATH", "PATH")),
    # the plan
    "too large": Walk((of_disc("sectors = 300\n"), BIG), "Take a larger medium, leave members out",
                      ("sectors = 300", "sectors = 900"), PLAN),
    "too large together": Walk((of_disc("sectors = 500\n"), BIG, BIGGER), "Take a larger medium, allow more discs",
                               ("sectors = 500", "sectors = 1200"), PLAN),
    "no room at all": Walk((of_disc("sectors = 24\n"), of_item('place = "burn"')), "Take a larger medium",
                           ("sectors = 24", "sectors = 900"), PLAN),
    "chain": Walk((("", OTHER + 'place = "later"\n'), of_item('place = "burn"\nneeds = ["list"]')),
                  "Change one place or one need in this chain", ('place = "later"', 'place = "burn"'), PLAN),
    "volume full": Walk((BIG, of_profile(VOLUME + 'free = "100 KB"\n')), r'use them from the disc \((use = "disc")\)',
                        ('place = "burn"', 'place = "burn"\n<1>'), PLAN),
    "no line": Walk(((LINK, ""),), r"Add (\[link\]) with (rate), protocol, mtu and window, or give --baud",
                    ("", "<1>\n<2> = 9600\n"), ("estimate",)),
    "budget": Walk((("", "[plan]\nlink_budget = 1\n"), of_item('place = "later"')), "Raise plan.link_budget",
                   ("link_budget = 1", 'link_budget = "3 h"'), PLAN),
}  # fmt: skip

BUILT: dict[str, Walk] = {
    # what only making the disc shows
    "edit overlaps": Walk((("", EDIT.replace("rate=9600", "aa")), ("maps.zip", "zeros.zip")), "Make `find` longer",
                         ('find = "aa"', 'find = "aaa"')),
    "edit times": Walk((("", EDIT.replace('"rate=9600"', '"0"')),), "Set (times = 2) if all are meant",
                       ('replace = "rate=1"', 'replace = "1"\n<1>')),
    "edit near": Walk((("", EDIT.replace("rate=9600", "RATE=9600")),), "is near: '(rate=9600)'", ("RATE=9600", "<1>")),
    "two edits": Walk((("", EDIT + EDIT.replace("rate=9600", "9600")),), "Make one edit of the two",
                      (EDIT.replace("rate=9600", "9600"), "")),
    "edit charset": Walk((("", EDIT.replace("rate=1", "Ж")), ("maps.zip", "latin.zip")),
                    "Use a character the charset has",
                         ("Ж", "ü")),
    "mentioned": Walk((of_item('rename = { "LINE.CFG" = "L.CFG" }'), ("maps.zip", "told.zip"),
                       ("", EDIT.replace("LINE.CFG", "READ.ME").replace("rate=9600", "see"))),
                    "change it with an \\[\\[item.edit\\]\\]",
                      ("", '[[item.edit]]\nfile = "READ.ME"\nfind = "LINE.CFG"\nreplace = "L.CFG"\n')),
    "clash": Walk((of_item('to = "LIST"'), ("", OTHER)), "Give one item another `to`", ('to = "LIST"', 'to = "MORE"')),
    "long path": Walk((of_item(f'to = "{"/".join(["FOLDER"] * 3)}"'), of_profile(f"{VOLUME}path_max = 20\n")),
                      "Give the item a shorter `to`", ("FOLDER/FOLDER/FOLDER", "F")),
    "deep": Walk((of_item(f'to = "{"/".join("ABCDEFGHI")}"'),), "Give the item a shorter `to`", ("A/B/C/D/E/F/G/H/I",
                    "A")),
    "no text": Walk((of_item('text = ["LINE.CFG"]'), ("maps.zip", "zeros.zip")), "Leave it out of the item's `text`",
                    ('text = ["LINE.CFG"]\n', "")),
    "text charset": Walk((of_item('text = ["LINE.CFG"]'), ("maps.zip", "latin.zip")),
                         "leave the file out of the item's `text`", ('text = ["LINE.CFG"]\n', "")),
    "tar name": Walk((of_disc('kind = "cd-74"\nlayout = "tar"\n'), of_item(f'to = "{"/".join(["A" * 90] * 3)}"'),
                      ('"iso-level-2"', '["iso-level-2", "rock-ridge"]')), "give the item a shorter `to`",
                    ("A" * 90, "A")),
}  # fmt: skip

Words = tuple[str, ...]
CALLS: dict[str, tuple[Words, str, Words]] = {
    # what was typed, what the hint says, what it says to type: M the manifest, F its folder
    "two schemas": (("schema", "--profile", "--include"), "Ask for one at a time", ("schema", "--profile")),
    "a word too many": (("plan", "M", "maps"), "(--explain) ITEM", ("plan", "M", "<1>", "maps")),
    "nobody to explain": (("plan", "M", "--explain", "mapz"), "(--json) lists the ids", ("plan", "M", "<1>")),
    "over nothing": (("plan", "M", "--over", "link.rate"), "For example: (--over) (\\S+)", ("plan", "M", "<1>", "<2>")),
    "assume nothing": (("plan", "M", "--assume", "link"), "For example: (--assume) (\\S+)", ("plan", "M", "<1>",
                    "<2>")),
    "assume nobody": (("plan", "M", "--assume", "item.mapz.place=later"), "Write (item).ID.key=value",
                      ("plan", "M", "--assume", "<1>.maps.place=later")),
    "estimate two": (("estimate", "--size-bytes", "9", "--file", "F/maps.zip"), "Give one of them",
                     ("estimate", "--size-bytes", "9")),
    "estimate nothing": (("estimate",), "Give a manifest, or (--size-bytes) N", ("estimate", "<1>", "9")),
    "estimate over": (("estimate", "--size-bytes", "9", "--over", "baud"), "KEY is one of (baud)",
                      ("estimate", "--size-bytes", "9", "--over", "<1>=9600,19200")),
    "inspect charset": (("inspect", "F/maps.zip", "--charset", "cp999"), "Examples: (latin-1)",
                        ("inspect", "F/maps.zip", "--charset", "<1>")),
    "probe nothing": (("probe", "M"), "Start with (--out) DIR", ("probe", "M", "<1>", "F/probe")),
    "probe what": (("probe", "F/more.toml", "--out", "F/probe"), "Name the profile with (--machine)",
                   ("probe", "F/more.toml", "--out", "F/probe", "<1>", "F/desk.toml")),
    "hand over as": (("hand-over", "M", "F/recipe.rar"), "Name a (\\.zip)", ("hand-over", "M", "F/recipe<1>")),
    "hand over onto": (("hand-over", "M", "F/maps.zip"), "Name a new folder or archive", ("hand-over", "M",
                    "F/new.zip")),
    "no such profile": (("new", "F/second.toml", "--profile", "nowhere"), "Ready ones: ([^,. ]+)",
                        ("new", "F/second.toml", "--profile", "<1>")),
    "new what": (("new", "--title", "Hut"), "discprep (new first.toml)", ("new", "F/third.toml", "--title", "Hut")),
    "command": (("plan", "M", "--ovr", "a"), "discprep plan (--help)", ("plan", "<1>")),
    "no record": (("readback", "F", "F/maps.zip"), "Name the (record.json)", ("readback", "F/out/<1>", "IMAGE")),
    "read back what": (("readback", "F/out"), "with (--sums) FILE", ("readback", "F/out", "<1>", "F/sums.txt")),
    "a file there": (("burn", "F/out", "--device", "stdio:F/maps.zip", "--burner", "cp {image} {device}"),
                     "Name a new file", ("burn", "F/out", "--device", "stdio:F/x.iso", "--burner",
                    "true {image} {device}",
                                         "--dry-run")),
    "no burner": (("burn", "F/out", "--device", "stdio:F/x.iso"), "Give (--burner)",
                  ("burn", "F/out", "--device", "stdio:F/x.iso", "<1>", "cp {image} {device}", "--dry-run")),
    "no image": (("burn", "F/out", "--device", "stdio:F/x.iso", "--burner", "cp {image} {device}", "--image",
                    "F/maps.zip"),
                 "Name it with (--image)", ("burn", "F/out", "--device", "stdio:F/x.iso", "--burner",
                                            "cp {image} {device}", "<1>", "IMAGE", "--dry-run")),
    "burner words": (("burn", "F/out", "--device", "stdio:F/x.iso", "--burner", "cp {img} {device}"),
                     "Use ({device}), ({image})", ("burn", "F/out", "--device", "stdio:F/x.iso", "--burner",
                                                   "cp <2> <1>", "--dry-run")),
    "nobody asked": (("burn", "F/out", "--device", "stdio:F/x.iso", "--burner", "PY F/burner.py {image} {device}"),
                     "Give (--yes-device)", ("burn", "F/out", "--device", "stdio:F/x.iso", "--burner",
                                             "PY F/burner.py {image} {device}", "<1>", "stdio:F/x.iso")),
    "in the way": (("unpack", "F/maps.zip", "F/there"), "Unpack into an empty folder",
                   ("unpack", "F/maps.zip", "F/empty")),
    "date": (("prepare", "M", "--out", "F/more"), "(Unset) it, or give a number", ("prepare", "M", "--out", "F/more")),
}  # fmt: skip

_NOT_HERE = "not here: "
_AGAIN = f"{_NOT_HERE}says what was done, or what holds besides"
_DISK, _DRIVE, _PORT = (f"{_NOT_HERE}a full or failing disk, or a file that changes meanwhile",
                        f"{_NOT_HERE}an optical drive, and a disc in it",
                    f"{_NOT_HERE}a serial port, and what is on it")  # fmt: skip
_PROGRAM = f"{_NOT_HERE}a computer without a program or a library; `tests/archives/test_lacking.py` has one"
_OURS = f"{_NOT_HERE}a fault of discprep itself"
_LINE = f"{_NOT_HERE}`tests/link/test_advice.py` and `tests/job/test_line.py` do what is said of 500 links"
_SERVED = f"{_NOT_HERE}serves until it is ended; `tests/serve/test_job.py` has it"
_READ_BACK = f"{_NOT_HERE}asks for another disc"
_PERSON = f"{_NOT_HERE}asks a person, or somebody else"
TOLD: dict[str, str] = {
    "archives/pool.py: hint": _DISK, "archives/__init__.py: hint": _PROGRAM,
    "Join the parts into one archive first.": _PERSON, "archives/oldzip.py: Install": _PROGRAM,
    "Run the same command again": f"{_NOT_HERE}a disk that rots; `tests/robust/test_damage.py` has it",
    "pip install 'discprep[{}]'": _PROGRAM, "Install unrar": _PROGRAM, "--help shows": "command",
    "Please report it": _OURS, "Close other programs": f"{_NOT_HERE}a computer whose memory is full",
    "Ask for one at a time": "two schemas", "--explain ITEM": "a word too many", "discprep new first.toml": "new what",
    "Ready ones": "no such profile", "--yes-device": "nobody asked", "Start with --out DIR": "probe nothing",
    "ask for a list with --sums": "read back what", "Serve over one of them.": _SERVED,
    "Over a serial port the shelf is HTTP.": _SERVED, "`discprep take PORT FOLDER` takes": _PORT,
    "Leave the cache and the stage alone": _DISK, "Make room there": _DISK,
    "Change `volume` under [medium].": f"{_NOT_HERE}the manifest refuses such a name before",
    "disc/image.py: hint": "boot image", "OUR_FAULT": _OURS, "Run your burner by hand": f"{_NOT_HERE}another system",
    "Optical drives are usually": _DRIVE, "Name a new file.": "a file there", "Unmount it first": _DRIVE,
    "Close what uses it": _DRIVE, "Set times = ": "edit times", "If it does, change it": "mentioned",
    "Make `find` longer, so": "edit overlaps", "Use a character": "edit charset", "Make one edit": "two edits",
    "Take an undamaged copy of record.json": f"{_NOT_HERE}a damaged record; `tests/robust/test_damage.py` has it",
    "Give one item another `to`": "clash", "disc/names.py: hint": "deep", "disc/names.py: Give the item": "long path",
    "Only images with sectors of 2048": _PERSON, "disc/media.py: hint": "hard to read",
    "disc/textform.py: Leave it": "no text", "Replace these characters": "text charset",
    "Rename it, or allow longer": f"{_NOT_HERE}thousands of names that are alike",
    "Give --burner or set": "no burner", "Use {device}, {image}": "burner words", "Put in a larger medium": _DRIVE,
    "disc/burn.py: hint": _DRIVE, "Use a CD-R.": _DRIVE, "Compare it with the blank's label.": _DRIVE,
    "Questions: {}.": _PERSON, "Change it by hand and probe again": _PERSON,
    "Keep the folders of the items' `to`": _PERSON,
    "disc/readback.py: hint": _DRIVE, "Install discprep's own packages anew": _OURS,
    "Give one of them another name with `rename`.": f"{_NOT_HERE}names are told apart before",
    "Keep items with many folders packed.": f"{_NOT_HERE}65,536 folders", "Burn fewer items.": f"{_NOT_HERE}8 TB",
    "If the machine reads it, set name_rules": f"{_NOT_HERE}a file of 4 GiB", "disc/layout/tape.py: hint": "tar name",
    "disc/setup/__init__.py: hint": "long wipes", "disc/setup/language.py": "long path",
    "script.py: one.hint": "passed on",
    "errors.py: hint": "passed on", "Nothing need be done.": _AGAIN, "Set {} in the environment.": "secret at hand",
    "_HINT": _DISK, "The discs are right.": _DISK, "job/line.py: one.hint": "passed on", "`join` under": "no join",
    "Look for the loop first": _PORT, "job/listen.py: hint": _PORT, "estimate.py: Give one of them.": "estimate two",
    "Give a manifest, or --size-bytes": "estimate nothing", "Fetch first, or declare": "fetch_to_estimate",
    "KEY is one of": "estimate over", "Add [link] with rate": "no line",
    "job/unpack.py: _hint(": _PERSON, "NO_INSIDE": _PERSON, "A well-made archive": _PERSON,
    "Unpack into an empty": "in the way",
    "job/far_end.py": _PORT, "Unset it, or": "date", "A program that loads the rest": _AGAIN,
    "job/tree.py: hint": "boot image", "job/inspect.py: hint": "inspect charset", "hand_over.py: hint": "hand over as",
    "Change it in the manifest: {secrets": _PERSON, "Name a new folder or": "hand over onto",
    "Run `discprep fetch` first, so": "fetch_to_hand_over", "The receiver adds it": _PERSON,
    "Name an address that others": _PERSON, "--json lists": "nobody to explain", "For example: --over": "over nothing",
    "For example: --assume": "assume nothing", "`serve` writes it as it serves.": _SERVED,
    'or let an item wait with place = "later"': f"{_NOT_HERE}the plan refuses it before", "Build into another": _AGAIN,
    "job/over_blocks.py": _PORT, "Name it with --image": "no image", "Start again.": _DRIVE,
    "The image was changed since": _DISK, "job/burn.py: hint": _DRIVE, "See what it said": _DRIVE,
    "Burn another blank": _DRIVE, "Install it, or name another with --burner": _PERSON,
    "Name the profile with": "probe what", "Is it ready": _DRIVE, "Is the right disc": _DRIVE,
    "Name the record.json": "no record", "job/readback.py: hint": _DRIVE, "Take a new blank": _READ_BACK,
    "ANOTHER": _READ_BACK, "_next(state)": _READ_BACK, "Old drives that read ahead": _READ_BACK,
    "job/serve.py": _SERVED, "item.hint": f"{_NOT_HERE}the item's own words to a person", "link/": _LINE,
    "substitute.py: known": "known name", "Write {{ or }}": "brace", "faults.py: hint": "near key",
    "Add {} = … there.": "missing key", "Give it importance": "wanted", "Set both alike.": "framings",
    "Set both to one rate.": "rates", "Add link_budget": "fewest", "`discprep probe` makes": _PERSON,
    "rules.py: Rename": "twice", "{near!r}": "near item", "rules.py: hint": "role", 'Use framing = "8N1"': "seven bits",
    "Leave `volume` out": "no volume", '{}, or set form = "unpacked".': "packed for nobody",
    "rules.py: {}.": "waits for nobody", "Add gives = [": "bring-up", "rules.py: one.hint": "volume wiped",
    "Drop one of these": "circle", "source.py: missing": "profile", "Save it as UTF-8.": "not_utf8",
    "source.py: hint": "no quotes", "Write item.ID": "assume nobody", "Add sources = ": "no source",
    "convert.py: hint": "closed", "CHARSETS": "charset", "Give one of them another path": "two volumes",
    "found[1]": "boot image", "peer/port.py": _PORT, "Change one place": "chain", "_SMALLER": "too large",
    "refuse.py: _hint(": "too large together",
    "Let one of them wait": f"{_NOT_HERE}needs several givers; `tests/plan/test_problem.py` has it",
    "Raise plan.link_budget": "budget", "plan/refuse.py: Take a larger": "no room at all",
    "Free room there": "volume full",
    "Offer it as a ZIP.": f"{_NOT_HERE}names of 230 bytes; `tests/serve/test_repack.py` has them",
    "`rename` the file.": f"{_NOT_HERE}served names fit the machine's charset before", "serve/log.py": _AGAIN,
    "plugged in, then start": _PORT, "For example {flag}": _SERVED,
}  # fmt: skip
"""A part of each hint, as found in its module, to the walk that follows it, or to why none does."""
