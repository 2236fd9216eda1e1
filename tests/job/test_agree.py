"""One answer to "in which shape does it cross the link, and how long does that take": plan, estimate, record, bench
sheet and the running shelf tell the same, item by item."""

import io
import json
import random
import re
import tarfile
import zipfile
from pathlib import Path

import pytest
from support import lha
from support.command import run
from support.shelf import Served, served

from discprep.job import at_hand
from discprep.units import format_seconds

OPENERS = ("unpack-zip", "unpack-lha", "unpack-tar", "unpack-gz")
NEEDED = {"zip": {"unpack-zip"}, "lha": {"unpack-lha"}, "tar": {"unpack-tar"}, "tgz": {"unpack-tar", "unpack-gz"}}
"""What opens a container by its ending: `discprep schema` names the roles."""
WORDS = re.compile(rb"# (.+): [^;]*; (\d+) files?, (\d+) bytes, (\d+\.\d{3}) s")


def packed(kind: str, files: dict[str, bytes]) -> bytes:
    """An archive as general-purpose libraries write it; an LHA by hand."""
    out = io.BytesIO()
    if kind == "zip":
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made:
            for name, data in files.items():
                made.writestr(zipfile.ZipInfo(name), data, zipfile.ZIP_DEFLATED)
    elif kind in ("tar", "tgz"):
        with tarfile.open(fileobj=out, mode="w:gz" if kind == "tgz" else "w") as made:
            for name, data in files.items():
                member = tarfile.TarInfo(name)
                member.size = len(data)
                made.addfile(member, io.BytesIO(data))
    elif kind == "lha":
        return lha.archive(*(lha.Made(name.encode(), data, level=0) for name, data in files.items()))
    else:
        return next(iter(files.values()))
    return out.getvalue()


def random_recipe(number: int, folder: Path) -> Path:
    """Up to nine items: every container, openers that are archives themselves, edits, text, renames, members left out,
    needs, damaged and missing ones, on a machine that opens some of it, at some line."""
    r = random.Random(number)
    folder.mkdir()
    items = []
    for n in range(r.randint(3, 9)):
        kind = r.choice(["zip", "lha", "tar", "tgz", "bin"])
        files = {"SETUP.CFG": b"rate=19200\n" + b"# a line\n" * r.randint(0, 99)}
        for m in range(r.choice([0, 1, 3, 12])):
            name = r.choice([f"F{m}.DAT", f"a longer name {m}.document", f"readme.{m}"])
            files[name] = r.choice([b"", b"alike " * r.randint(1, 400), r.randbytes(r.randint(1, 2500))])
        data = packed(kind, files)
        missing, damaged = r.random() < 0.12, r.random() < 0.08
        if not missing:
            (folder / f"i{n}.{kind}").write_bytes(data[: len(data) // 2] if damaged else data)
        keys = {"id": f'"i{n}"', "title": f'"Item {n}"', "sources": f'["i{n}.{kind}"]', "worth": r.randint(1, 5)}
        keys["to"] = f'"{r.choice(["", "NET/", "A/B/"])}I{n}"'
        keys["place"] = '"later"' if missing or damaged or r.random() < 0.6 else '"either"'
        if missing:
            keys["size"] = r.randint(0, 90_000)
        if n and r.random() < 0.3:
            keys["needs"] = f'["i{r.randrange(n)}"]'
        if r.random() < 0.35:
            keys["gives"] = f"{r.sample(OPENERS, r.randint(1, 2))}".replace("'", '"')
        if r.random() < 0.2:
            keys["text"] = '["*.CFG"]'
        if kind != "bin" and len(files) > 2 and r.random() < 0.2:
            keys["leave"] = f'["{list(files)[1]}"]'
        if kind != "bin" and r.random() < 0.15:
            keys["rename"] = '{ "SETUP.CFG" = "LINE.CFG" }'
        edit = '[[item.edit]]\nfile = "SETUP.CFG"\nfind = "19200"\nreplace = "{link.rate}"\n'
        edited = kind != "bin" and not missing and not damaged and r.random() < 0.2
        lines = "\n".join(f"{key} = {value}" for key, value in keys.items())
        items.append(f"[[item]]\n{lines}\n{edit * edited}")
    provides = r.sample(OPENERS, r.choice([0, 0, 1, 1, 2]))
    volume = r.choice(["stem_max = 8\nextension_max = 3", "name_max = 30"])
    (folder / "desk.toml").write_text(
        f'format = 1\nname = "desk"\nprovides = {provides}\n[disc]\nname_rules = ["iso-level-2"]\n'
        f'[[volume]]\npath = "C:"\n{volume}\n[text]\ncharset = "cp437"\nnewline = "crlf"\n'.replace("'", '"')
    )
    rate, protocol, mtu = r.choice([(2400, "cslip", 296), (57_600, "slip", 576), (115_200, "ppp", 1500)])
    path = folder / "first.toml"
    path.write_text(
        'format = 1\ntitle = "Reading room"\nbring_up = []\n[machine]\nprofile = "desk.toml"\n'
        f"[medium]\nsectors = {r.choice([305, 320, 2000])}\n"
        f'[link]\nrate = {rate}\nprotocol = "{protocol}"\nmtu = {mtu}\nkeep_alive = {str(r.random() < 0.5).lower()}\n'
        + "\n".join(items)
    )
    return path


def told_by_list(shelf: Served) -> dict[str, tuple[int, int, float]]:
    """Title to files, bytes and seconds, as LIST.TXT has them; each file's line adds up to its item's."""
    found, lines = {}, shelf.get("LIST.TXT").splitlines()
    for line in lines[2:]:
        if head := WORDS.fullmatch(line):
            title = head[1].decode()
            found[title] = [int(head[2]), int(head[3]), float(head[4]), 0, 0, 0.0]
        else:
            size, seconds, state, _ = line.split(None, 3)
            one = found[title]
            one[3:] = one[3] + (one[0] if state == b"later" else 1), one[4] + int(size), one[5] + float(seconds)
    for files, size, seconds, *sums in found.values():
        assert [files, size, seconds] == [sums[0], sums[1], pytest.approx(sums[2], abs=5e-4)]
    return {title: tuple(one[:3]) for title, one in found.items()}


@pytest.mark.parametrize("block", range(4))
def test_the_shelf_hands_out_what_the_plan_reckoned_with(block: int, tmp_path: Path) -> None:
    """Random manifests: the plan's seconds at the link are the sum of the list of the running shelf, which agrees with
    the plan item by item in shape, bytes, files and seconds; the machine has what opens each item before it comes; the
    bytes that come are as many; sheet and record say the same."""
    seen: list[str] = []
    for number in range(block * 6, block * 6 + 6):
        folder, cache = tmp_path / str(number), ("--cache", tmp_path / "cache")
        path = random_recipe(number, folder)
        run("fetch", path, *cache)
        planned = run("plan", path, *cache, "--json")
        assert planned.code == 0, (number, planned.out)
        plan = planned.document
        if not plan["order"]:
            continue
        items = {item["id"]: item for item in plan["items"]}
        with served(path, tmp_path / "cache") as shelf:
            offers = shelf.listening["items"]
            listed = told_by_list(shelf)
            lengths = {offer["id"]: [len(shelf.get(name)) for name in map(quoted, offer["files"])] for offer in offers}
        assert [offer["id"] for offer in offers] == plan["order"], number
        for offer in offers:
            pulled, key = items[offer["id"]]["pulled"], (number, offer["id"])
            told = (offer["shape"], offer["size_bytes"], offer["file_count"], offer["expected_s"])
            assert told == (pulled["shape"], pulled["size_bytes"], pulled["files"], items[offer["id"]]["later_s"]), key
            assert listed[f"Item {offer['id'][1:]}"] == (offer["file_count"], offer["size_bytes"], offer["expected_s"])
            assert offer["state"] != "ready" or (sum(lengths[offer["id"]]), len(lengths[offer["id"]])) == told[1:3], key
        assert round(sum(one[2] for one in listed.values()), 3) == plan["seconds_at_link"], number
        assert_usable(path, plan, offers)
        if number % 2:
            assert_estimate(run("estimate", path, *cache, "--json").document, items, number)
        if number % 3 == 0:  # the sheet's curves are most of the time
            assert_sheet_and_record(path, folder / "out", cache, plan, number)
        seen += [offer["shape"] for offer in offers] + [offer["state"] for offer in offers]
    assert {"archive", "unpacked", "zip", "ready", "wanted"} <= set(seen)


def quoted(name: str) -> str:
    return name.replace(" ", "%20")


def assert_usable(path: Path, plan: dict, offers: list[dict]) -> None:
    """No item comes before what opens it: reckoned from the files alone."""
    text = path.read_text()
    gives = {f"i{n}": set(re.findall(r"unpack-\w+", part)) for n, part in enumerate(text.split("[[item]]")[1:])}
    kinds = dict(re.findall(r'sources = \["(i\d+)\.(\w+)"\]', text))
    there = [set(re.findall(r"unpack-\w+", (path.parent / "desk.toml").read_text()))]
    there += [gives[item["id"]] for item in plan["items"] if item["place"] == "burn"]
    for offer in offers:
        shape = offer["shape"]
        wanted = NEEDED.get(kinds[offer["id"]] if shape == "archive" else shape, set())
        assert wanted <= set().union(*there), (path, offer["id"], shape)
        there.append(gives[offer["id"]])


def assert_estimate(told: dict, items: dict[str, dict], number: int) -> None:
    """Every item that may come over the line, whether the plan leaves it to the line or not, and all together."""
    assert [one["id"] for one in told["items"]] == sorted(items, key=lambda key: int(key[1:])), number
    for one in told["items"]:
        pulled, later_s = items[one["id"]]["pulled"], items[one["id"]]["later_s"]
        same = (pulled["shape"], pulled["files"], pulled["size_bytes"])
        assert (one["shape"], one["files"], one["size_bytes"]) == same, (number, one)
        assert one["seconds"]["expected"] == later_s and one["seconds"]["best"] <= later_s <= one["seconds"]["worst"]
    expected = told["seconds"]["expected"]
    assert expected == pytest.approx(sum(item["later_s"] for item in items.values()), abs=1e-6)
    assert expected == pytest.approx(sum(told["parts"].values()))


def assert_sheet_and_record(path: Path, out: Path, cache: tuple, plan: dict, number: int) -> None:
    """The sheet's table of what is pulled, and the record's items."""
    built = run("build", path, "--out", out, *cache, "--json")
    assert built.code == 0, (number, built.out)
    assert built.document["seconds_at_link"] == plan["seconds_at_link"]
    sheet = (out / "bench-sheet.txt").read_text()
    table = [re.split(r" {2,}|\s*\|\s*", line.strip(" |")) for line in sheet.splitlines() if "Item " in line]
    passed = 0.0
    for place, key in enumerate(plan["order"], 1):
        item = next(one for one in plan["items"] if one["id"] == key)
        pulled = item["pulled"]
        passed += item["later_s"]
        sizes = [f"{pulled['files']:,}", f"{pulled['size_bytes']:,}"]
        row = [str(place), item["title"], *sizes, format_seconds(item["later_s"]), format_seconds(round(passed, 3))]
        assert any(line[1:7] == row for line in table), (number, row, table)
    assert not plan["order"] or f"{format_seconds(plan['seconds_at_link'])} in all" in sheet
    as_set = re.search(r"([\d.]+ \S+(?: \d+ \S+)*) +#+ as set", sheet)
    assert as_set is None or as_set[1].endswith(format_seconds(plan["seconds_at_link"])), number
    record = json.loads(next(out.rglob("record.json")).read_text())
    for item in record["items"]:
        pulled = next(one for one in plan["items"] if one["id"] == item["id"])["pulled"]
        told = (item["shape"], item["pulled_bytes"], item["pulled_files"])
        waits = item["id"] in plan["order"]
        assert told == ((pulled["shape"], pulled["size_bytes"], pulled["files"]) if waits else ("", 0, 0)), number


# ------------------------------------------------------------------------------------------------- the order counts

HEAD = (
    'format = 1\ntitle = "Reading room"\nbring_up = []\n[machine]\nprofile = "desk.toml"\n'
    '[medium]\nkind = "cd-74"\n[link]\nrate = 9600\nmtu = 576\n'
)


def waiting_recipe(folder: Path, items: dict[str, tuple[str, dict[str, bytes], str]]) -> Path:
    """Items that all wait: id to container, files, and further keys."""
    (folder / "desk.toml").write_text('format = 1\nname = "desk"\n[[volume]]\npath = "C:"\n')
    text = HEAD
    for key, (kind, files, more) in items.items():
        (folder / f"{key}.{kind}").write_bytes(packed(kind, files))
        text += f'[[item]]\nid = "{key}"\nsources = ["{key}.{kind}"]\nplace = "later"\n{more}\n'
    path = folder / "first.toml"
    path.write_text(text)
    return path


def plan_of(path: Path) -> dict[str, tuple[str, float]]:
    """Id to shape and seconds, in the order of the plan, after a fetch."""
    cache = ("--cache", path.parent / "cache")
    run("fetch", path, *cache)
    plan = run("plan", path, *cache, "--json").document
    items = {item["id"]: (item["pulled"]["shape"], item["later_s"]) for item in plan["items"]}
    return {key: items[key] for key in plan["order"]}


def test_what_opens_an_item_comes_before_it(tmp_path: Path) -> None:
    """The item brings more worth per second than its opener, and would come first and unpacked, in many times the
    seconds: it comes after, as it was fetched. The running shelf says the same."""
    tool = ("bin", {"OPEN.EXE": random.Random(1).randbytes(9000)}, 'gives = ["unpack-zip"]\nworth = 1')
    text = ("zip", {f"PAGE{n}.TXT": b"all alike " * 900 for n in range(9)}, "worth = 5")
    path = waiting_recipe(tmp_path, {"a-text": text, "tool": tool})
    plan = plan_of(path)
    assert list(plan) == ["tool", "a-text"] and plan["a-text"][0] == "archive"
    with served(path, tmp_path / "cache") as shelf:
        assert {one["id"]: (one["shape"], one["expected_s"]) for one in shelf.listening["items"]} == plan
    path.write_text(path.read_text().replace('gives = ["unpack-zip"]\n', ""))
    alone = plan_of(path)
    assert alone["a-text"][0] == "unpacked" and alone["a-text"][1] > 10 * plan["a-text"][1]


def test_an_estimate_where_no_disc_can_be_planned(tmp_path: Path) -> None:
    """What must burn is too large, one item is damaged, of one nothing is known: the others are told as they would
    cross, over the line that was asked about, the rest in words."""
    text = ("zip", {"PAGE.TXT": b"all alike " * 900}, "worth = 5")
    big = ("bin", {"BIG.DAT": random.Random(1).randbytes(900_000)}, "")
    path = waiting_recipe(tmp_path, {"text": text, "big": big, "hurt": text, "gone": text})
    path.write_text(path.read_text().replace('kind = "cd-74"', "sectors = 400").replace(
        'id = "big"\nsources = ["big.bin"]\nplace = "later"', 'id = "big"\nsources = ["big.bin"]\nplace = "burn"'))
    (tmp_path / "hurt.zip").write_bytes((tmp_path / "hurt.zip").read_bytes()[:-30])
    (tmp_path / "gone.zip").unlink()
    cache = ("--cache", tmp_path / "cache")
    run("fetch", path, *cache)
    assert run("plan", path, *cache).code == 1
    told = run("estimate", path, "--baud", "19200", *cache, "--json").document
    (one,) = told["items"]
    assert (one["id"], one["shape"], one["size_bytes"]) == ("text", "unpacked", 9000)
    assert told["unknown_sizes"] == ["gone"] and any(notice["item"] == "hurt" for notice in told["notices"])
    changes = [("9600", "19200"), ('place = "burn"', 'place = "later"'), ('["gone.zip"]', '["gone.zip"]\nsize = 9')]
    for old, new in changes:
        path.write_text(path.read_text().replace(old, new))
    items = {item["id"]: item["later_s"] for item in run("plan", path, *cache, "--json").document["items"]}
    assert one["seconds"]["expected"] == items["text"]


def test_two_openers_in_each_other_s_container(tmp_path: Path) -> None:
    """What opens ZIP comes as an LHA and what opens LHA as a ZIP: one of them must come so that the machine can use it
    without the other; never both as they are."""
    path = waiting_recipe(tmp_path, {
        "zips": ("lha", {"UNZIP.EXE": b"z" * 3000}, 'gives = ["unpack-zip"]'),
        "lhas": ("zip", {"UNLHA.EXE": random.Random(2).randbytes(3000)}, 'gives = ["unpack-lha"]'),
        "own": ("tar", {"UNTAR.EXE": b"t" * 300}, 'gives = ["unpack-tar"]'),
    })  # fmt: skip
    shapes = [shape for shape, _ in plan_of(path).values()]
    assert shapes[0] == "unpacked" and "archive" in shapes
    assert plan_of(path)["own"][0] != "archive"


def test_serve_decodes_nothing_that_it_was_handed_decoded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A shelf of items at hand opens each archive once a run."""
    path = waiting_recipe(tmp_path, {key: ("zip", {f"{key}.TXT": key.encode()}, "") for key in ("a", "b")})
    plan_of(path)
    opened = []
    real = at_hand.open_all
    monkeypatch.setattr(at_hand, "open_all", lambda tasks, **more: opened.extend(tasks) or real(tasks, **more))
    with served(path, tmp_path / "cache") as shelf:
        assert shelf.get("LIST.TXT")
    assert len(opened) == 2
