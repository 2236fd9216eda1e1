"""The plan from real archives to the image: figures, forms, faces, what-ifs."""

import dataclasses
import hashlib
import itertools
import json
import random
import zipfile

import pytest
from support.command import run
from support.links import download
from support.staging import manifest_of, opened_of

from discprep.disc.image import write_image
from discprep.disc.layout.options import MIN_TRACK_SECTORS
from discprep.errors import CapacityError, ManifestError
from discprep.fetch.cache import Cache
from discprep.job import figures as figures_module
from discprep.job.at_hand import AtHand
from discprep.job.figures import figures
from discprep.job.held import sound
from discprep.job.logged import logged, pace_of
from discprep.job.plan import before, forms_on, plan_for
from discprep.job.tree import Trees
from discprep.link.pull import FileTimes
from discprep.link.transfer import Transfer, expected_case, parts_of
from discprep.model import Edit, Fetched, Item, LinkSettings, Medium, PlanSettings, Profile, Volume
from discprep.plan.explain import Change, Step
from discprep.report.plan import _turn as told_turn
from discprep.report.plan import document, text
from discprep.serve.log import Transfer as Pulled
from discprep.serve.log import append
from discprep.serve.stock import Order, Stock

DESK = Profile("reading-room desk", volumes=(Volume("C:", block_bytes=4096),), disc_path="D:", charset="cp437",
               drive_speed=2, access_s=0.4)  # fmt: skip
LINK = LinkSettings(9600, mtu_bytes=296, name_lookup=False)


def planned(manifest, opened, folder):
    """The plan of items at hand, whose archives stand in `folder`."""
    hand = AtHand(manifest, Cache(folder / "cache"), {}, {key: one.path for key, one in opened.items()})
    return plan_for(manifest, hand, opened, Trees(folder / "work"))


def archives(folder, **files):
    """Item id to its unpacked archive, each in a folder of its own."""
    return {key: archive(folder / key, members) for key, members in files.items()}


def archive(folder, members, **extra):
    """An unpacked archive whose packed bytes are as many as its members'."""
    folder.mkdir()
    opened = opened_of(members, folder, **extra)
    data = random.Random(folder.name).randbytes(sum(map(len, members.values())))
    opened.path.write_bytes(data)
    return dataclasses.replace(opened, sha256=hashlib.sha256(data).hexdigest())


def decisions(result):
    return {d.id: d for d in result.plan.decisions}


# ------------------------------------------------------------------------------------------------ the image


def random_case(number, folder):
    """A manifest of up to nine items: deep folders, names that level 1 cannot hold, equal content, empty files,
    packed and unpacked forms, a disc that holds some of it."""
    r = random.Random(number)
    items, opened = [], {}
    for n in range(r.randint(1, 9)):
        key, files = f"i{n}", {}
        for m in range(r.choice([0, 1, 3, 9, 60])):
            deep = "/".join(r.choice(["DATA", "sub folder", "Level.Two"]) for _ in range(r.randint(0, 3)))
            name = r.choice([f"F{m}.TXT", f"a longer name {m}.document", f"README.{m}"])
            files[f"{deep}/{name}" if deep else name] = r.choice([b"", b"same" * 900, r.randbytes(r.randint(1, 9000))])
        opened[key] = archive(folder / key, files)
        needs = (f"i{r.randrange(n)}",) if n and r.random() < 0.4 else ()
        gives = ("unpack-lha",) if r.random() < 0.3 else ()
        items.append(Item(key, needs=needs, gives=gives, to=r.choice(["", key.upper(), "SHARED/" + key, "SHARED"])
                          if n else "ONE", use=r.choice(["copy", "copy", "disc"]), worth=r.randint(1, 5)))  # fmt: skip
    for n, one in enumerate(items):
        items[n] = dataclasses.replace(one, to=one.to or f"TOP{n}") if n % 2 else one
    rules = r.choice([("iso-level-1",), ("iso-level-2", "joliet"), ("iso-level-3", "rock-ridge")])
    profile = dataclasses.replace(DESK, name_rules=rules)
    medium = Medium("blank", r.choice([300, 360, 500, 2300]), discs=r.choice([1, 1, 2]))
    return manifest_of(items, profile, medium=medium, link=LINK, bring_up=()), opened


@pytest.mark.parametrize("block", range(3))
def test_image_sectors_are_the_image_s(block, tmp_path):
    """30 random manifests: the sectors told are those of the image as written, and never more than the solver's
    sum, or than the shortest track where it is filled up to that; the file's size says how many it has."""
    written = 0
    for number in range(block * 10, block * 10 + 10):
        folder = tmp_path / str(number)
        folder.mkdir()
        manifest, opened = random_case(number, folder)
        result = planned(manifest, opened, folder)
        chosen = [d for d in result.plan.decisions if d.place == "burn"]
        if result.errors:  # two items of one folder want the same name: no image either
            assert result.plan.image_sectors == ()
            continue
        for disc, sectors in enumerate(result.plan.image_sectors, 1):
            tree = Trees(folder / "work").of(
                manifest, opened, forms_on(result.plan, disc), present=before(result.plan, disc)
            )
            image = write_image(tree.named, folder / f"{disc}.iso", tree.options)
            assert image.path.stat().st_size == sectors * 2048, number
            told = result.problem.constant_sectors + sum(d.sectors for d in chosen if d.disc == disc)
            assert sectors <= max(MIN_TRACK_SECTORS, told), number
            assert sectors <= manifest.medium.sectors
            written += 1
    assert written >= 5


@pytest.mark.parametrize("error", [-200, 0, 40])
def test_room_that_is_there_is_used_and_no_other(error, tmp_path, monkeypatch):
    """Random manifests on one disc, the first constant too low, as measured, too high: the image fits, and each item
    told not to fit makes a longer image than the medium in its smallest form that saves time, where what it needs is
    burned."""
    measured = figures_module._constant
    monkeypatch.setattr(figures_module, "_constant", lambda *args: measured(*args) + error)
    asked = 0
    for number in range(0, 50, 2):
        folder = tmp_path / str(number)
        folder.mkdir()
        manifest, opened = random_case(number, folder)
        sectors = min(360, manifest.medium.sectors)
        manifest = dataclasses.replace(manifest, medium=Medium("blank", sectors))
        result = planned(manifest, opened, folder)
        if result.errors:
            continue
        assert result.plan.image_sectors[0] <= sectors, number
        forms, trees = forms_on(result.plan, 1), Trees(folder / "more")
        for item in result.problem.items:
            groups = [form for form in item.forms if form.gain_s > 0 and met((*item.needs, *form.needs), forms)]
            if not decisions(result)[item.id].reason.startswith("does not fit") or not groups:
                continue
            least = min(groups, key=lambda form: form.sectors).form
            tree = trees.of(manifest, opened, {**forms, item.id: least}, preview=True)
            assert tree.errors or tree.sectors > sectors, (number, item.id)
            asked += 1
    assert asked >= 5


def met(groups, burned):
    return all(set(group) & set(burned) for group in groups)


def test_what_must_burn_is_refused_only_where_it_does_not_fit(tmp_path):
    """Without a link all must burn, each item unpacked or packed, and the scripts for both forms are longer than those
    for one. The medium is made as short as the image until it is refused: neither disc of one form alone fits it."""
    parts = {f"p{n:02}": {f"PLATE{m}.IMG": bytes([n, m]) * 900 for m in range(30)} for n in range(12)}
    opened = archives(tmp_path, unlha={"UNLHA.EXE": b"z" * 9}, **parts)
    items = [Item("unlha", gives=("unpack-lha",), to="U"), *(Item(key, to=key.upper()) for key in parts)]
    sectors, accepted = 2300, 0
    manifest = manifest_of(items, DESK, bring_up=(), medium=Medium("blank", sectors))
    with pytest.raises(CapacityError, match="sectors are missing"):
        while True:
            shorter = dataclasses.replace(manifest, medium=Medium("blank", sectors))
            sectors = planned(shorter, opened, tmp_path).plan.image_sectors[0] - 1
            accepted += 1
    assert accepted >= 2
    for form in ("packed", "unpacked"):
        forms = {**dict.fromkeys(opened, form), "unlha": "unpacked"}
        assert Trees(tmp_path / "more").of(manifest, opened, forms).sectors > sectors


# ------------------------------------------------------------------------------------------------ the figures


def test_figures_by_hand(tmp_path):
    """One archive of two files, 5,000 and 100 bytes, one of them in a folder: 3 + 1 sectors of data, one for the
    item's folder and one for the folder in it; two blocks and one of 4,096 and one for the folder; two folders and
    itself at 0.4 s, 5,100 bytes at twice 153,600 a second."""
    opened = archives(tmp_path, a={"A.BIN": b"x" * 5000, "SUB/B.BIN": b"y" * 100})
    result = planned(manifest_of([Item("a", to="A")], DESK, link=LINK, bring_up=()), opened, tmp_path)
    (item,) = result.problem.items
    (form,) = item.forms
    assert (form.sectors, form.storage_bytes, form.peak_bytes) == (6, 3 * 4096, 3 * 4096)
    assert form.disc_s == pytest.approx(3 * 0.4 + 5100 / 307_200, abs=0.0005)
    assert form.gain_s == pytest.approx(item.later_s - form.disc_s, abs=0.0011)


def test_packed_takes_the_archive_beside_what_comes_out(tmp_path):
    """Packed: what comes out stays (5,000 B, two blocks), the archive (as many) besides until it is unpacked."""
    opened = archives(tmp_path, a={"A.BIN": b"x" * 5000}, unlha={"UNLHA.EXE": b"z"})
    items = [Item("a", to="A"), Item("unlha", gives=("unpack-lha",), to="U", form="unpacked")]
    result = planned(manifest_of(items, DESK, link=LINK, bring_up=()), opened, tmp_path)
    unpacked, packed = next(i for i in result.problem.items if i.id == "a").forms
    assert (unpacked.form, packed.form, packed.needs) == ("unpacked", "packed", (("unlha",),))
    assert (packed.storage_bytes, packed.peak_bytes) == (8192, 8192 + 8192)


def test_no_item_unpacks_itself(tmp_path):
    """An LHA that gives what opens LHA, asked for packed: it burns only where another one opens it."""
    files = {"own": {"A": b"x" * 90}, "other": {"B": b"y"}}
    own = Item("own", gives=("unpack-lha",), form="packed")
    opened = archives(tmp_path, **files)
    alone = planned(manifest_of([own], DESK, link=LINK, bring_up=()), {"own": opened["own"]}, tmp_path)
    assert decisions(alone)["own"].place == "later" and "unpack-lha" in decisions(alone)["own"].reason
    other = Item("other", gives=("unpack-lha",))
    both = planned(manifest_of([own, other], DESK, link=LINK, bring_up=()), opened, tmp_path)
    assert {key: one.form for key, one in decisions(both).items()} == {"own": "packed", "other": "unpacked"}


@pytest.mark.parametrize(
    ("change", "legal"),
    [
        ({}, ["unpacked", "packed"]),
        ({"use": "disc"}, ["unpacked"]),
        ({"gives": ("unpack-zip",)}, ["unpacked"]),
        ({"text": ("*.TXT",)}, ["unpacked"]),
        ({"edits": (Edit("A.TXT", "a", "b"),)}, ["unpacked"]),
        ({"form": "packed"}, ["packed"]),
        ({"form": "both"}, ["both"]),
    ],
    ids=["open", "from the disc", "an unpacker itself", "converted", "edited", "asked packed", "asked both"],
)
def test_legal_forms(change, legal, tmp_path):
    """Left open, packed is offered only where nothing would be lost by it."""
    opened = archives(tmp_path, a={"A.TXT": b"a\r\n"}, unlha={"UNLHA.EXE": b"z"})
    items = [Item("a", to="A", **change), Item("unlha", gives=("unpack-lha",), to="U", form="unpacked")]
    result = planned(manifest_of(items, DESK, link=LINK, bring_up=()), opened, tmp_path)
    assert [f.form for f in next(i for i in result.problem.items if i.id == "a").forms] == legal


def test_no_packed_form_without_an_unpacker(tmp_path):
    """Nobody gives unpack-lha: only unpacked."""
    opened = archives(tmp_path, a={"A.TXT": b"a"})
    result = planned(manifest_of([Item("a")], DESK, link=LINK, bring_up=()), opened, tmp_path)
    assert [f.form for f in result.problem.items[0].forms] == ["unpacked"]


def test_attribute_bits_keep_an_item_packed(tmp_path):
    """Its hidden file would come out plain: packed while the unpacker burns, unpacked where there is none."""
    opened = archives(tmp_path, unlha={"UNLHA.EXE": b"z" * 9})
    hidden = {"attributes": {"A.BIN": 0x22}, "attribute_system": {"A.BIN": "dos"}}
    opened["a"] = archive(tmp_path / "a", {"A.BIN": b"x" * 30_000}, **hidden)
    items = [Item("a", to="A", worth=5), Item("unlha", gives=("unpack-lha",), to="U", form="unpacked", place="burn")]
    result = planned(manifest_of(items, DESK, link=LINK, bring_up=()), opened, tmp_path)
    assert decisions(result)["a"].form == "packed"
    assert any("lose their attribute bits" in notice.message for notice in result.notices)
    alone = planned(manifest_of(items[:1], DESK, link=LINK, bring_up=()), {"a": opened["a"]}, tmp_path)
    assert decisions(alone)["a"].form == "unpacked"


@pytest.mark.parametrize(
    ("text", "place", "told"), [(("*",), "later", ["a"]), ((), "later", []), (("*",), "burn", [])]
)
def test_links_that_do_not_cross_are_told(text, place, told, tmp_path):
    """As the archive it is an item keeps its symbolic links; taken apart for its texts it loses them, unless it is
    burned, as the hint says (that the disc then has them: `tests/disc/test_tape.py`)."""
    files = archives(tmp_path, a={"read.me": b"words\n", "now": b""})
    link = dataclasses.replace(files["a"].members[1].member, kind="link", target="read.me")
    members = (files["a"].members[0], dataclasses.replace(files["a"].members[1], member=link, content=None))
    files["a"] = dataclasses.replace(files["a"], members=members)
    item = Item("a", text=text, place=place)
    manifest = manifest_of([item], DESK, link=LINK, has=("unpack-lha",))
    found = planned(manifest, files, tmp_path)
    assert [one.item for one in found.notices if "without its symbolic links: now" in one.message] == told


def test_volatile_volume_prices_each_power_on(tmp_path):
    """On a volume that forgets, ten power-ons make ten times the gain."""
    opened = archives(tmp_path, a={"A.BIN": b"x" * 5000})
    gains = []
    for volatile in (False, True):
        profile = dataclasses.replace(DESK, volumes=(Volume("R:", volatile=volatile, block_bytes=4096),))
        manifest = manifest_of([Item("a")], profile, link=LINK, bring_up=(), plan=PlanSettings(power_ons=10))
        gains.append(planned(manifest, opened, tmp_path).problem.items[0].forms[0].gain_s)
    assert gains[1] == pytest.approx(10 * gains[0], abs=0.006)


def test_bring_up_roles_and_what_the_machine_has(tmp_path):
    """A role of the profile wants nothing; one of two givers burns; needs by role, met by the machine, vanish."""
    opened = archives(tmp_path, a={"A": b"a"}, b={"B": b"b"}, c={"C": b"c"})
    items = [Item("a", gives=("fetcher",), to="A", needs=("ip-stack",)), Item("b", gives=("fetcher",), to="B"),
             Item("c", to="C", needs=("fetcher",))]  # fmt: skip
    profile = dataclasses.replace(DESK, provides=("ip-stack",))
    problem = planned(manifest_of(items, profile, link=LINK), opened, tmp_path).problem
    assert problem.wants == (("gives fetcher, needed to get online", ("a", "b")),)
    assert [i.needs for i in problem.items] == [(), (), (("a", "b"),)]


def test_what_the_machine_has_is_present(tmp_path):
    """`has` keeps an item off disc and link."""
    opened = archives(tmp_path, a={"A": b"a"})
    result = planned(manifest_of([Item("a")], DESK, link=LINK, bring_up=(), has=("a",)), opened, tmp_path)
    assert decisions(result)["a"].place == "present" and result.plan.order == ()


def test_without_a_link_everything_burns_or_does_not_fit(tmp_path):
    """Nothing can come later."""
    opened = archives(tmp_path, a={"A": b"a"})
    result = planned(manifest_of([Item("a")], DESK, bring_up=()), opened, tmp_path)
    assert decisions(result)["a"].reason == "there is no link to bring it later"
    opened = archives(tmp_path, large={"A": b"a" * 300_000})
    opened = {"a": opened["large"]}
    small = manifest_of([Item("a")], DESK, bring_up=(), medium=Medium("blank", 300))
    with pytest.raises(CapacityError, match="sectors are missing"):
        planned(small, opened, tmp_path)


def test_the_shortest_track_takes_no_room_from_items(tmp_path):
    """A disc of 300 sectors, which is the shortest track, has the room that its own structures, scripts and padding
    leave: the item burns, and the image is exactly as long as the track."""
    opened = archives(tmp_path, a={"A": random.Random(1).randbytes(150_000)})
    manifest = manifest_of([Item("a")], DESK, bring_up=(), link=LINK, medium=Medium("blank", 300))
    result = planned(manifest, opened, tmp_path)
    assert decisions(result)["a"].place == "burn" and result.plan.image_sectors == (300,)
    assert result.problem.constant_sectors < MIN_TRACK_SECTORS
    shorter = dataclasses.replace(manifest, medium=Medium("blank", 299))
    with pytest.raises(CapacityError, match="1 sectors more than it has"):
        planned(shorter, opened, tmp_path / "shorter")


def test_a_damaged_archive_is_held_back_or_stops(tmp_path):
    """Left open, it has no place in the plan, nor has what needs it; asked to burn, it is a fault of its archive."""
    opened = {"a": archive(tmp_path / "a", {"A": b"a"}, problem={"A": "crc16 differs"})}
    opened |= archives(tmp_path, b={"B": b"b"}, c={"C": b"c"})
    items = [Item("a"), Item("b", needs=("a",)), Item("c")]
    for more, kept in ((items, ["c"]), ([*items, Item("d", place="burn", needs=("a",))], None)):
        manifest = manifest_of(more, DESK, link=LINK, bring_up=())
        hand = AtHand(manifest, Cache(tmp_path / "cache"), {}, {key: one.path for key, one in opened.items()})
        if kept is None:
            with pytest.raises(Exception, match="crc16 differs") as caught:
                sound(hand, opened)
            assert caught.value.exit_code == 1
            continue
        left, notices = sound(hand, opened)
        assert [item.id for item in left.manifest.items] == kept
        assert [(n.item, "damaged" in n.message) for n in notices] == [("a", True), ("b", False)]
        assert list(decisions(planned(left.manifest, opened, tmp_path))) == kept


def test_second_copies_where_there_is_room(tmp_path):
    """The bring-up set twice on a roomy disc, once on a tight one; the image is the larger for it."""
    opened = archives(tmp_path, a={"A.BIN": random.Random(1).randbytes(99_000)})
    sizes = []
    for twice, sectors in ((False, 2000), (True, 2000), (True, 420)):
        medium = Medium("blank", sectors, second_copy=twice)
        manifest = manifest_of([Item("a", gives=("fetcher",), to="A")], DESK, link=LINK, medium=medium)
        sizes.append(planned(manifest, opened, tmp_path).plan.image_sectors[0])
    assert sizes[1] > sizes[0] == sizes[2] or sizes[0] == 300


# ---------------------------------------------------------------------------------------------------- faces


def resolved(told):
    """The greatest objective by trying everything, from the document alone: its figures, limits, needs, wants."""
    items = {i["id"]: i for i in told["items"] if i["place"] != "present"}
    present = {i["id"] for i in told["items"] if i["place"] == "present"}
    choices = [[*i["forms"], *([] if i["forced"] else [None])] for i in items.values()]
    best = None
    for forms in itertools.product(*choices):
        chosen = {key: form for key, form in zip(items, forms, strict=True) if form}
        at_hand = present | set(chosen)
        groups = [g for key, form in chosen.items() for g in (*items[key]["needs"], *form["needs"])]
        groups += [want["one_of"] for want in told["bring_up"]]
        met = all(at_hand & set([g] if isinstance(g, str) else g) for g in groups)
        fits = sum(form["sectors"] for form in chosen.values()) <= told["capacity_sectors"]
        stored = sum(form["storage_bytes"] for form in chosen.values())
        extra = max([form["peak_bytes"] - form["storage_bytes"] for form in chosen.values()], default=0)
        roomy = told["storage_limit_bytes"] is None or stored + extra <= told["storage_limit_bytes"]
        if met and fits and roomy:
            gain = sum(form["gain_s"] for form in chosen.values())
            best = gain if best is None else max(best, gain)
    return best


@pytest.mark.parametrize("number", range(12))
def test_the_document_can_be_solved_again(number, tmp_path):
    """Its figures alone lead to its objective."""
    manifest, opened = random_case(100 + number, tmp_path)
    volume = Volume("C:", free_bytes=200_000, block_bytes=4096)
    profile = dataclasses.replace(manifest.profile, volumes=(volume,))
    manifest = dataclasses.replace(manifest, profile=profile, medium=Medium("blank", 400))
    told = json.loads(json.dumps(document(planned(manifest, opened, tmp_path))))
    assert told["objective_s"] == pytest.approx(resolved(told), abs=1e-6)
    keys = ["id", "place", "disc", "form", "needs", "forced", "sectors", "storage_bytes", "saves_s", "reason", "forms"]
    for one in told["items"]:
        assert list(one)[: len(keys)] == keys
        assert list(one["forms"][0])[:4] == ["form", "sectors", "storage_bytes", "gain_s"] if one["forms"] else True


def recipe(folder, **more):
    """A manifest on disk with four archives beside it."""
    for key in ("driver", "stack", "fetch", "game"):
        with zipfile.ZipFile(folder / f"{key}.zip", "w") as file:
            file.writestr(zipfile.ZipInfo("MAIN.BIN"), random.Random(key).randbytes(60_000))
    (folder / "desk.toml").write_text('format = 1\nname = "desk"\n[disc]\npath = "D:"\n[[volume]]\npath = "C:"\n')
    table = {"driver": "serial-driver", "stack": "ip-stack", "fetch": "fetcher", "game": ""}
    items = [f'[[item]]\nid = "{key}"\nsources = ["{key}.zip"]\nto = "{key.upper()}"\nsize = 60_114\n'
             + (f'gives = ["{role}"]\n' if role else "") for key, role in table.items()]  # fmt: skip
    head = 'format = 1\ntitle = "Reading room"\n[machine]\nprofile = "desk.toml"\n[medium]\nsectors = 500\n'
    (folder / "first.toml").write_text(head + "[link]\nrate = 9600\n[plan]\ndays_to_use = 30\n" + "\n".join(items))
    return folder / "first.toml"


def test_command_before_anything_is_fetched(tmp_path):
    """Estimated from the sizes, and said so; without a size, not yet fetched."""
    path = recipe(tmp_path)
    ran = run("plan", path, "--cache", tmp_path / "cache", "--json")
    assert ran.code == 0 and ran.document["estimated"] == ["driver", "fetch", "game", "stack"]
    assert ran.document["image_sectors"] is None
    assert "estimated" in ran.document["notices"][0]["message"]
    path.write_text(path.read_text().replace("size = 60_114\n", ""))
    ran = run("plan", path, "--cache", tmp_path / "cache", "--json")
    assert ran.code == 1 and [e["family"] for e in ran.document["errors"]] == ["missing"] * 4


def test_command_faces(tmp_path):
    """The table fits 80 columns; explanations and what-ifs; each as JSON too."""
    path, cache = recipe(tmp_path), ("--cache", tmp_path / "cache")
    assert run("fetch", path, *cache, "-q").code == 0
    words = ("--explain", "game", "--over", "medium.sectors=410,600", "--assume", "link.rate=2400")
    ran = run("plan", path, *cache, "-q", *words)
    assert ran.code == 0 and max(map(len, ran.out.splitlines())) <= 80
    assert "gives ip-stack, needed to get online" in " ".join(ran.out.split())
    assert "medium.sectors" in ran.out and "link.rate, now 2,400 bit/s" in ran.out
    told = run("plan", path, *cache, "--explain", "game", "--over", "medium.sectors=410,900", "--json").document
    assert [row["value"] for row in told["over"]] == ["410", "900"]
    assert {turn["key"] for turn in told["explained"][0]["turns"]} == {
        "medium.sectors", "link.rate", "item.game.renewed_every_days"}  # fmt: skip
    assert told["optimal"] is True and told["image_sectors"] >= 300


def window(folder):
    """Three archives that stand on the disc in turns as it grows, beside a bring-up set; fetched."""
    path = recipe(folder)
    sizes = {"big": 250_000, "mid": 180_000, "mod": 90_000}
    for key, size in sizes.items():
        with zipfile.ZipFile(folder / f"{key}.zip", "w") as file:
            file.writestr(zipfile.ZipInfo("MAIN.BIN"), random.Random(key).randbytes(size))
    more = [f'[[item]]\nid = "{key}"\nsources = ["{key}.zip"]\nto = "{key.upper()}"\n' for key in sizes]
    text = path.read_text().replace("[medium]\nsectors = 500\n", "[medium]\nsectors = 450\n") + "\n".join(more)
    path.write_text(text.replace('id = "mid"\n', 'id = "mid"\nrenewed_every_days = 90\n'))
    assert run("fetch", path, "--cache", folder / "cache", "-q").code == 0
    return path


@pytest.mark.parametrize(("key", "more", "least"), [("mid", (), 3), ("big", (), 2),
                                                   ("big", ("--assume", "item.big.place=burn"), 1)])  # fmt: skip
def test_explained_steps_hold_when_typed_in(key, more, least, tmp_path):
    """Every value told sends the item where it says, or leaves no plan; one step nearer it is as told before."""
    path, cache = window(tmp_path), ("--cache", tmp_path / "cache")

    def goes(setting):
        again = run("plan", path, *cache, *more, "--assume", setting, "--json").document
        families = {error["family"] for error in again["errors"]}
        return "none" if families == {"capacity"} else {i["id"]: i["place"] for i in again["items"]}[key]

    told = run("plan", path, *cache, *more, "--explain", key, "--json").document
    place = {item["id"]: item["place"] for item in told["items"]}[key]
    steps = 0
    for turn in told["explained"][0]["turns"]:
        for side, nearer in (("below", 1), ("above", -1)):
            before = place
            for step in turn[side]:
                assert goes(f"{turn['key']}={step['value']}") == step["goes"]
                assert goes(f"{turn['key']}={step['value'] + nearer}") == before
                before = step["goes"]
                steps += 1
        others = [s["value"] for s in (*turn["below"], *turn["above"]) if s["goes"] not in (place, "none")]
        assert turn["value"] in others or (turn["value"] is None and not others)
    assert steps >= least


def test_the_text_says_what_the_document_says(tmp_path):
    """Every value of the document stands in the text; "no value" only where that is proven."""
    path, cache = window(tmp_path), ("--cache", tmp_path / "cache")
    for key in ("mid", "driver"):
        told = run("plan", path, *cache, "--explain", key, "--json").document["explained"][0]["turns"]
        shown = " ".join(run("plan", path, *cache, "-q", "--explain", key).out.split())
        for turn, line in zip(told, [shown[shown.index(f"{turn['key']}, now") :] for turn in told], strict=True):
            line = line.partition(", now ")[2].partition(", now ")[0]
            assert all(f"{step['value']:,}" in line for step in (*turn["below"], *turn["above"]))
            if not turn["proven"]:
                assert f"{turn['tried']} values tried from {turn['least']:,} to {turn['most']:,}" in line
                assert "no value" not in line and " on" not in line and "below" not in line


def test_a_window_in_words():
    """Ranges where every value is known, single values where some were tried."""
    steps = (Step(616, "burn"), Step(620, "later"))
    turn = Change("sectors", 600, "later", (), steps, 300, 1140, 80, True)
    assert told_turn(turn, "a") == (
        "medium.sectors, now 600 sectors: it would burn from 616 to 619, and it would wait again at 620"
    )
    assert told_turn(dataclasses.replace(turn, proven=False), "a") == (
        "medium.sectors, now 600 sectors: it would burn at 616, and it would wait again at 620 "
        "(80 values tried from 300 to 1,140)"
    )
    none = dataclasses.replace(turn, above=())
    assert told_turn(none, "a").endswith("no value from 300 to 1,140 changes it")
    assert told_turn(dataclasses.replace(none, proven=False), "a").endswith(
        "none of 80 values tried from 300 to 1,140 changes it"
    )
    below = dataclasses.replace(none, below=(Step(590, "later"), Step(400, "none")))
    assert told_turn(below, "a").endswith("it would wait from 590 down to 401, and there is no plan at 400")


def test_assumptions_are_blamed_for_their_faults(tmp_path):
    """Not the lines of the manifest, which are right; and once, although the bridge's rate follows the link's."""
    path, cache = recipe(tmp_path), ("--cache", tmp_path / "cache")
    path.write_text(path.read_text().replace("[plan]", "[bridge]\nrate = 9600\n[plan]"))
    for words, where in (
        (("--assume", "link.rate=abc"), "--assume link.rate=abc"),
        (("--over", "link.rate=4800,abc"), "--over link.rate=abc"),
        (("--assume", "item.game.worth=19"), "--assume item.game.worth=19"),
        (("--assume", "medium.discs=2", "--over", "medium.sectors=3"), "--over medium.sectors=3"),
    ):
        ran = run("plan", path, *cache, *words, "--json")
        assert ran.code == 2 and [error["where"] for error in ran.document["errors"]] == [where]
    path.write_text(path.read_text().replace("days_to_use = 30", "days_to_use = -1"))
    ran = run("plan", path, *cache, "--assume", "link.rate=abc", "--json")
    line = path.read_text()[: path.read_text().index("days_to_use")].count("\n") + 1
    assert {error["where"] for error in ran.document["errors"]} == {"--assume link.rate=abc", f"{path}:{line}"}


def test_assumed_sectors_take_the_place_of_the_kind(tmp_path):
    """And the other way round; both assumed at once is still refused."""
    path, cache = recipe(tmp_path), ("--cache", tmp_path / "cache")
    assert run("plan", path, *cache, "--assume", "medium.kind=cd-74", "--json").document["medium_sectors"] > 300_000
    path.write_text(path.read_text().replace("sectors = 500", 'kind = "cd-74"'))
    ran = run("plan", path, *cache, "--over", "medium.sectors=400,500", "--json")
    assert ran.code == 0 and [row["value"] for row in ran.document["over"]] == ["400", "500"]
    assert run("plan", path, *cache, "--assume", "medium.kind=cd-74", "--assume", "medium.sectors=500").code == 2


def test_a_misspelt_edit_is_told_once(tmp_path):
    """Its line and the nearest name; not the items that need it, nor the comparison that the edit was to make true."""
    path, cache = recipe(tmp_path), ("--cache", tmp_path / "cache")
    assert run("fetch", path, *cache, "-q").code == 0
    edit = '[[item.edit]]\nfile = "MAIM.BIN"\nfind = "a"\nreplace = "b"\n'
    text = path.read_text().replace('gives = ["serial-driver"]\n', f'gives = ["serial-driver"]\n{edit}')
    text = text.replace('id = "stack"\n', 'id = "stack"\nneeds = ["driver"]\n')
    expect = '[[expect]]\nitem = "driver"\nfile = "MAIN.BIN"\npattern = "(b)"\nequals = "b"\n'
    path.write_text(text + expect)
    ran = run("plan", path, *cache, "--json")
    line = text[: text.index("[[item.edit]]")].count("\n") + 1
    (error,) = ran.document["errors"]
    assert ran.code == 1 and (error["family"], error["item"]) == ("edit", "driver")
    assert error["where"] in (f"{path}:{line}", f"{path}:{line + 1}") and error["hint"] == "Did you mean 'MAIN.BIN'?"


def test_a_misspelt_edit_of_what_may_wait_is_a_notice(tmp_path):
    """With its line and the nearest name too."""
    path, cache = recipe(tmp_path), ("--cache", tmp_path / "cache")
    assert run("fetch", path, *cache, "-q").code == 0
    edit = '[[item.edit]]\nfile = "MAIM.BIN"\nfind = "a"\nreplace = "b"\n'
    path.write_text(path.read_text() + edit)  # the game is the last item
    ran = run("plan", path, *cache, "--json")
    (notice,) = [notice for notice in ran.document["notices"] if notice["item"] == "game"]
    assert ran.code == 0 and notice["hint"] == "Did you mean 'MAIN.BIN'?" and f"{path}:" in notice["where"]


def test_the_largest_of_what_must_burn_is_named(tmp_path):
    """Where it does not fit, the next step names who could wait."""
    path, cache = window(tmp_path), ("--cache", tmp_path / "cache")
    words = ("--assume", "item.big.place=burn", "--assume", "medium.sectors=320")
    (error,) = run("plan", path, *cache, *words, "--json").document["errors"]
    assert "sectors are missing" in error["message"]
    assert "above all of big (" in error["hint"] and "let it wait" in error["hint"]


def test_command_refuses(tmp_path):
    """A contradiction ends with 2, what does not fit with 1, a word too many with 2; never a traceback."""
    path, cache = recipe(tmp_path), ("--cache", tmp_path / "cache")
    assert run("plan", path, *cache, "--assume", "item.stack.place=later").code == 2
    assert run("plan", path, *cache, "--assume", "medium.sectors=310").code == 1
    assert run("plan", path, "game", *cache).code == 2
    assert run("plan", path, *cache, "--explain", "nobody").code == 2
    assert run("plan", path, *cache, "--over", "link.rate").code == 2


def test_text_of_many_discs(tmp_path):
    """The disc of each item is told."""
    opened = archives(tmp_path, **{k: {"A.BIN": random.Random(k).randbytes(150_000)} for k in ("a", "b", "c")})
    items = [Item(k, to=k.upper()) for k in ("a", "b", "c")]
    medium = Medium("blank", 380, discs=2)
    result = planned(manifest_of(items, DESK, link=LINK, bring_up=(), medium=medium), opened, tmp_path)
    assert "disc  on the disc" in text(result) and "Image 2 takes" in text(result)
    assert sorted(d.disc or 0 for d in result.plan.decisions) == [1, 2, 2] or len(result.plan.image_sectors) == 2


def test_contradiction_from_the_manifest(tmp_path):
    """A bring-up item that was asked to wait."""
    opened = archives(tmp_path, a={"A": b"a"})
    manifest = manifest_of([Item("a", gives=("fetcher",), place="later")], DESK, link=LINK)
    with pytest.raises(ManifestError, match="asked for later"):
        planned(manifest, opened, tmp_path)


def test_figures_do_not_depend_on_the_order_of_items(tmp_path):
    """The same problem from reordered items."""
    manifest, opened = random_case(7, tmp_path)
    hand = AtHand(manifest, Cache(tmp_path / "cache"), {}, {})
    one = figures(manifest, hand, opened, Trees(tmp_path / "work")).problem
    turned = dataclasses.replace(manifest, items=manifest.items[::-1])
    assert figures(turned, hand, opened, Trees(tmp_path / "work")).problem == one


SERVED = {(): "unpacked", ("unpack-zip",): "zip", ("unpack-lha",): "lha", ("unpack-tar",): "tar",
          ("unpack-tar", "unpack-gz"): "archive"}  # fmt: skip


@pytest.mark.parametrize("opens", SERVED)
def test_the_plan_prices_what_serve_offers(opens, tmp_path):
    """A tar.gz that waits, on machines that open it, open something else, or nothing: shape, bytes and files are those
    of the shelf, and the seconds those of its files one after another."""
    members = {f"PRINTS/SHEET{n}.IMG": random.Random(n).randbytes(700 * n) for n in range(9)}
    opened = {
        "prints": dataclasses.replace(archive(tmp_path / "prints", members), format="tar.gz"),
        "opener": dataclasses.replace(archive(tmp_path / "opener", {"OPEN.EXE": b"x" * 900}), format="file"),
    }
    opener = Item("opener", sources=("http://files.example/open.exe",), gives=opens)
    prints = Item("prints", sources=("http://files.example/prints.tar.gz",), place="later", to="DESK")
    manifest = manifest_of([opener, prints], DESK, link=LINK, bring_up=())
    hand = AtHand(manifest, Cache(tmp_path / "cache"), {}, {key: one.path for key, one in opened.items()})
    asked = figures(manifest, hand, opened, Trees(tmp_path / "work")).problem
    item = next(item for item in asked.items if item.id == "prints")

    def seconds(size_bytes, escapes):
        return download(size_bytes, escapes=escapes, link=LINK, bridge=None, profile=DESK).expected

    stock = Stock(manifest, Order(("opener", "prints")), lambda item, _: opened[item.id],
                  FileTimes(seconds, 1.0, None), tmp_path / "shelf")  # fmt: skip
    shelf = stock.shelf([Fetched(key, "cached", one.path) for key, one in opened.items()])
    offer = next(offer for offer in shelf.offers if offer.item == "prints")
    assert offer.shape == SERVED[opens]
    assert (item.pulled.shape, item.pulled.files) == (offer.shape, len(offer.files))
    offered_bytes = sum(file.content.size_bytes for file in offer.files)
    assert item.pulled.size_bytes == pytest.approx(offered_bytes, rel=0.04 if offer.shape == "zip" else 2e-3)
    assert item.later_s == pytest.approx(sum(file.expected_s for file in offer.files), rel=0.05)


def test_a_log_of_transfers_calibrates_the_times(tmp_path):
    """A transfer that took twice the model's seconds doubles every item's seconds at the link (arithmetic)."""
    manifest, opened = random_case(3, tmp_path)
    hand = AtHand(manifest, Cache(tmp_path / "cache"), {}, {key: one.path for key, one in opened.items()})
    log = tmp_path / "pulls.jsonl"
    case = expected_case(manifest.link, manifest.bridge, manifest.profile)
    modelled_s = sum(parts_of(Transfer(50_000, None), case, manifest.link).values())
    append(log, Pulled(at_s=0, item="a", file="A", sha256="0" * 64, size_bytes=50_000, first_byte=0, bytes=50_000,
                       seconds=2 * modelled_s, rate_bytes_s=25_000 / modelled_s, resumed=False, complete=True,
                       fresh=True, client="192.0.2.2"))  # fmt: skip
    with log.open("a") as file:
        file.write('{"pull": 1, "at')  # a kill in the middle of a line
    measurements, notices = logged(log)
    pace = pace_of(manifest, measurements)
    assert ["line 2 is half-written" in notice.message for notice in notices] == [True]
    assert pace == pytest.approx(2, rel=0.01)
    plain = figures(manifest, hand, opened, Trees(tmp_path / "work")).problem
    paced = figures(manifest, hand, opened, Trees(tmp_path / "work"), pace=pace).problem
    assert [i.later_s for i in paced.items] == pytest.approx([pace * i.later_s for i in plain.items], abs=0.002)
