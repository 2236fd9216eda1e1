"""The bench sheet: what it says, its two faces, what must never stand on it."""

import re
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from math import ceil
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from support import bench
from support.programs import program
from support.trees import Shelf, write

from discprep.disc.burn import CAUTIONS as BURN_RULES
from discprep.disc.media import MEDIA, hard_to_read
from discprep.disc.setup.site import BYTES_ALONE, UNSEEN
from discprep.job.sheet import DiscMade, facts_from
from discprep.manifest import load_manifest
from discprep.model import (
    Content,
    Decision,
    Item,
    LinkSettings,
    Manifest,
    Medium,
    Plan,
    Profile,
    Pulled,
    Shell,
    Step,
    Volume,
)
from discprep.report.sheet import SheetFacts, html, sections, text
from discprep.report.sheet.blocks import Picture
from discprep.report.sheet.contents import merged
from discprep.report.sheet.facts import Capacity, Segment
from discprep.report.sheet.pictures import curve_svg, radius_mm


@pytest.fixture
def plain(tmp_path: Path) -> str:
    return text(bench.facts(tmp_path))


@pytest.fixture
def page(tmp_path: Path) -> str:
    return html(bench.facts(tmp_path))


def shown_of(manifest: Manifest, **more: Any) -> str:
    """The text of a sheet with the bench's plan."""
    return text(facts_from(DiscMade(manifest, bench.plan(), pins={}, pulled=bench.pulled(), **more)))


def words(of: str) -> str:
    return " ".join(of.split())


def test_sections_follow_the_work(tmp_path: Path) -> None:
    titles = [section.title for section in sections(bench.facts(tmp_path))]
    assert titles == [
        "Before anything is plugged in", "On the bench", "At the desk", "Where the disc is not read", "At the bridge",
        "At the machine", "After the link stands", "The line on both ends", "A ladder of small tests",
        "What is pulled over the link", "The disc", "The plan and its reasons",
        "The timeline of the link, and other settings of the line", "Names changed",
        "What it is and where it came from",
    ]  # fmt: skip


def test_text_fits_a_printer(plain: str) -> None:
    assert max(map(len, plain.splitlines())) <= 80
    assert plain.isascii()
    assert not re.search(r"[\0-\x09\x0b-\x1f]", plain)


@pytest.mark.parametrize(
    "said",
    [
        "build 3f9a1c07",
        "volume FIRSTDISC",
        "rate 57600, framing 8N1, flow control rts-cts",
        "protocol SLIP, MTU 576",
        "address 192.0.2.2, gateway 192.0.2.1",
        "resolver 192.0.2.53",
        "bridge makes 57554 (-0.08 %)",
        "Restart the machine so that the line driver loads.",
        "Save first, by hand: C:/NET/OLD.CFG",
        "It replaces earlier network settings",
        "gives ip-stack, needed to get online",
        "does not fit beside Pictures of the plates",
        "910,000",
        "NET/STACK/CONFIGUR.LIN",
        "shortened to 8 and 3 characters",
        "NOT TO BE PASSED ON",
        "for this reading room only",
        "fetched: 2026-03-04, 24,318 bytes, 2 files on this disc",
        "licensed practice",
        "nothing on the machine opens LHA",
        "volume.block",
    ],
)
def test_both_faces_say_it(plain: str, page: str, said: str) -> None:
    shown = words(re.sub(r"<[^>]+>", " ", re.sub(r"<style>.*</style>|<svg.*?</svg>", " ", page, flags=re.S)))
    for face in (words(plain), shown.replace("&amp;", "&")):
        bare = re.sub(r"[^a-z0-9]+", " ", face.lower())
        assert re.sub(r"[^a-z0-9]+", " ", said.lower()).strip() in bare


def test_what_is_pulled_is_told_to_the_byte(tmp_path: Path) -> None:
    """Bytes, time and checksum as the machine can prove it: CRC-32 where its profile names nothing else."""
    page = html(bench.facts(tmp_path, checksums={"manuals": "0badcafe"}))
    cells = [re.sub(r"<[^>]+>", "", row) for row in re.findall(r"<tr>.*?</tr>", page, re.S)]
    (row,) = [words(row) for row in cells if "Manuals of the machine" in row]
    assert row == "1 Manuals of the machine 1 910,000 2 min 53 s 2 min 53 s CRC-32 0badcafe"


def test_what_must_be_free_is_counted_in_blocks(plain: str) -> None:
    """On C: blocks of 2,048 bytes, five files and a megabyte that stays free: 2,785,280 + 1,000,000 [by hand]."""
    sizes = [24_000, 300, 800, 410_000, 48_000, 2_300_000]
    wanted = sum(-(-size // 2048) * 2048 for size in sizes) + 1_000_000
    assert f"{wanted / 1e6:.2f} MB" == "3.79 MB"
    assert "C:           3.79 MB          20.0 MB" in plain


def test_the_tests_name_cause_and_move(plain: str) -> None:
    """Garbage points to the rate, silence to the wiring, stalls to MTU or overrun (common practice, no source)."""
    ladder = words(plain[plain.index("A LADDER") : plain.index("WHAT IS PULLED")])
    rungs = ["The bridge's prompt, from the PC", "The bridge's address", "An address beyond", "A name", "A small fetch"]
    assert all(f"{number}. {rung}" in ladder for number, rung in enumerate(rungs, 1))
    assert "garbage: rate or framing differ -> set 57600 8N1 on both ends" in ladder
    assert "silence: wiring" in ladder
    assert "it starts and stalls: MTU or overrun -> MTU 576" in ladder


def test_the_ladder_knows_the_link(tmp_path: Path) -> None:
    """PPP and compressed headers have failures of their own (RFC 1661, 1332, 1144); an address beyond the bridge is
    never one of the two ends'; without a terminal program nothing is asked of one."""
    whole = bench.manifest(tmp_path)
    assert whole.link and whole.bridge
    plain = words(shown_of(whole))
    assert "PPP" not in plain and "The machine has no terminal program" in plain
    assert "ping 192.0.2.1 with 56 bytes (84 with headers)" in plain and "Ping 192.0.2.53 by its number" in plain
    assert "headers are compressed at one end only (RFC 1144) -> set it off on both ends" in plain
    assert "the PC's firewall drops what comes in" in plain and "netmask" in plain
    there = replace(whole.profile, provides=("terminal",))
    own = replace(whole, profile=there, link=replace(whole.link, protocol="ppp"), values=(("resolver", "192.0.2.1"),))
    plain = words(shown_of(own))
    assert "1. Loop-back" in plain and "no answer to LCP" in plain and "its own requests come back" in plain
    assert "Ping the PC that has the shelf by its number" in plain and "Ping 192.0.2.1 by" not in plain


def test_the_disc_s_own_hurdles_are_there(plain: str) -> None:
    """The rules of burning stand here too, and what a drive may want."""
    shown = words(plain)
    for said in (*BURN_RULES, "blocks of 512 bytes", "termination", "a pressed data disc", "disc-at-once, closed"):
        assert said in shown


@pytest.mark.parametrize(("kind", "said"), [("cd-90", "90 minutes"), ("dvd-r", "does not read a DVD"), ("cd-80", "")])
def test_a_blank_that_is_hard_to_read_draws_a_word(kind: str, said: str, tmp_path: Path) -> None:
    medium = Medium(kind, MEDIA[kind])
    shown = words(shown_of(replace(bench.manifest(tmp_path), medium=medium)))
    assert said in shown and bool(hard_to_read(medium)) == bool(said)


def test_settings_for_every_rate_are_one_line(tmp_path: Path) -> None:
    """Twelve files that differ in the rate alone are told once."""
    one = bench.placed()[2]

    def at(rate: int) -> Any:
        staged = replace(one.named.staged, name=("SETUP", str(rate), "line.config"), rate_bit_s=rate)
        names = ("SETUP", str(rate), "LINE.CON")
        return replace(one, named=replace(one.named, staged=staged, iso=names, target=names))

    facts = bench.facts(tmp_path, placed=tuple(map(at, (300, 1200, 9600))))
    assert [(r.wanted, r.on_disc) for r in facts.renamed] == [
        ("SETUP/RATE/line.config, for 3 line rates", "SETUP/RATE/LINE.CON")
    ]


def test_without_a_link_nothing_is_said_of_one(tmp_path: Path) -> None:
    alone = replace(bench.manifest(tmp_path), link=None, bridge=None)
    nothing_later = Plan((), (), 0.0, 0.0, True, 0.0, "none needed")
    shown = text(facts_from(DiscMade(alone, nothing_later, pins={}, pulled={})))
    assert "LADDER" not in shown and "BOTH ENDS" not in shown and "AFTER THE LINK" not in shown
    assert "ON THE BENCH" in shown


def test_faster_lines_get_their_caution(tmp_path: Path) -> None:
    fast = replace(bench.manifest(tmp_path), link=LinkSettings(230_400), bridge=None)
    assert "rated for 120 kbit/s" in words(shown_of(fast))
    assert "rated for 120 kbit/s" not in words(text(bench.facts(tmp_path)))


# -------------------------------------------------------------------------------------------- never on it


def test_no_secret_and_no_path_of_this_computer(
    tmp_path: Path, plain: str, page: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WIFI_KEY", bench.SECRET)
    for face in (plain, page):
        for never in (bench.SECRET, "\0", "secret:wifi", "pass-word", "user:", bench.HOME, str(tmp_path), "/home/"):
            assert never not in face
    assert "with the key ********" in plain
    assert "from: a file at hand" in plain


def test_same_facts_same_bytes(tmp_path: Path, plain: str, page: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """In another folder, zone and locale."""
    monkeypatch.setenv("TZ", "Pacific/Chatham")
    monkeypatch.setenv("LC_ALL", "C")
    other = tmp_path / "other"
    assert (text(bench.facts(other)), html(bench.facts(other))) == (plain, page)


def test_names_cannot_break_the_page(tmp_path: Path) -> None:
    """Titles and names are a stranger's text."""
    evil = "</title><script>alert(1)</script>\"'&\x1b[31m\u202e"
    wicked = replace(bench.manifest(tmp_path), title=evil)
    given = {"pins": bench.pins(), "pulled": bench.pulled(), "placed": bench.placed()}
    facts = facts_from(DiscMade(wicked, bench.plan(), **given, image_sectors=9))
    facts = replace(facts, segments=(Segment(evil, 5),), machine=evil)
    page = html(facts)
    assert "<script" not in page
    assert "\x1b" not in page and "\x1b" not in text(facts)


# ------------------------------------------------------------------------------------------------ the page


class Tags(HTMLParser):
    """Every tag with its attributes; complains of what stays open."""

    VOID = frozenset({"meta", "input", "br", "link", "img"})

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attributes)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attributes)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def tags(page: str) -> list[tuple[str, dict[str, str | None]]]:
    parser = Tags()
    parser.feed(page)
    assert parser.open == []
    return parser.tags


def test_the_page_asks_for_nothing(page: str) -> None:
    """No script, no outside request: no element and no style that loads."""
    found = tags(page)
    names = {name for name, _ in found}
    assert not names & {"script", "link", "img", "iframe", "object", "embed", "audio", "video", "form", "base"}
    for _, attributes in found:
        assert not set(attributes) & {"src", "srcset", "data", "action", "background", "poster"}
        assert (attributes.get("href") or "#").startswith("#")
        assert not any(key.startswith("on") for key in attributes)
    style = page[page.index("<style>") : page.index("</style>")]
    assert not re.search(r"url\(|@import|@font-face|//", style)


def test_the_page_can_be_heard_and_walked(page: str) -> None:
    """WCAG 2.1 points that can be read off the markup: language, title, one h1, no level skipped, unique ids, every box
    with a label, every drawing with a name and a description."""
    found = tags(page)
    assert ("html", {"lang": "en"}) in found
    levels = [int(name[1]) for name, _ in found if re.fullmatch(r"h[1-6]", name)]
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    ids = [attributes["id"] for _, attributes in found if "id" in attributes]
    assert len(ids) == len(set(ids))
    for name, attributes in found:
        if attributes.get("href"):
            assert attributes["href"][1:] in ids
        if attributes.get("role") == "img":
            assert name == "svg"
            assert set((attributes["aria-labelledby"] or "").split()) <= set(ids)
    for box in re.finditer(r"<input[^>]*>", page):
        before = page[: box.start()]
        assert before.rindex("<label") > before.rfind("</label>")


def test_drawings_are_well_formed(tmp_path: Path, page: str) -> None:
    """Each drawing is XML that a general reader takes, and each of the sections' pictures is there."""
    drawings = re.findall(r"<svg.*?</svg>", page, re.S)
    assert len(drawings) > 3
    for drawing in drawings:
        ElementTree.fromstring(re.sub(r" & ", " &amp; ", drawing))
    blocks = [block for section in sections(bench.facts(tmp_path)) for block in section.blocks]
    assert page.count('role="img"') == sum(isinstance(block, Picture) for block in blocks) >= 4


def test_html_passes_a_validator(tmp_path: Path, page: str) -> None:
    """HTML Tidy as an outside judge: no error; its warnings only of blank fields (to write in), and of the ids by which
    drawings name their titles (SVG 2, 5.8), which it does not know."""
    path = tmp_path / "sheet.html"
    path.write_text(page, encoding="utf-8")
    done = subprocess.run([program("tidy"), "-q", "-e", "-utf8", str(path)], capture_output=True, timeout=60)
    known = r"trimming empty|attribute .id."
    remarks = [line for line in done.stderr.decode().splitlines() if not re.search(known, line)]
    assert remarks == []
    assert done.returncode < 2


def printed_pages(folder: Path, page: str) -> list[str]:
    """The text of each page that a browser prints."""
    sheet, pdf = folder / "sheet.html", folder / "sheet.pdf"
    sheet.write_text(page, encoding="utf-8")
    flags = ("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
             "--disable-background-networking", "--disable-component-update", "--no-pdf-header-footer")  # fmt: skip
    out = [f"--user-data-dir={folder / 'user'}", f"--print-to-pdf={pdf}"]
    subprocess.run([program("chromium"), *flags, *out, sheet.as_uri()], capture_output=True, timeout=60, check=True)
    told = subprocess.run(
        [program("pdftotext", "poppler-utils"), "-layout", str(pdf), "-"], capture_output=True, timeout=60, check=True
    )
    return told.stdout.decode().removesuffix("\f").split("\f")


def test_the_page_prints_whole(tmp_path: Path, page: str) -> None:
    """Printed by a browser, each word of the page is in the PDF, the unfolded appendix too: nothing is cut."""
    opened = page.replace("<details>", "<details open>")
    squeezed = re.sub(r"\s", "", "".join(printed_pages(tmp_path, opened)))
    for line in visible_words(re.sub(r"<summary>.*?</summary>", "", opened)):
        assert line in squeezed, line


READY = Path(__file__).parents[2] / "manifests"


def ready(name: str) -> SheetFacts:
    """The sheet of a shipped manifest, all of it burned but for two items."""
    manifest = load_manifest(READY / f"{name}.toml")
    later = ("catalogue", "floor-map")
    decisions = tuple(
        Decision(i.id, "later" if i.id in later else "burn", None if i.id in later else 1,
                 None if i.id in later else "unpacked", False, 9, i.size_bytes or 0, 1.0, "saves 1 s", 9.0)
        for i in manifest.items
    )  # fmt: skip
    waits = Plan(decisions, later, 9.0, 9.0, True, 0.0, "none needed")
    pulled = {i.id: Pulled("archive", (i.size_bytes or 0,)) for i in manifest.items}
    return facts_from(DiscMade(manifest, waits, pins={}, pulled=pulled, build_id="3f9a1c07", image="D.iso"))


def troubled(folder: Path) -> SheetFacts:
    """With PPP, a terminal program, faults and remarks of the link."""
    whole = bench.manifest(folder)
    assert whole.link and whole.bridge
    profile = replace(whole.profile, provides=("terminal",), serial_fifo=1, serial_service_s=3e-4)
    ends = {"link": replace(whole.link, protocol="ppp"), "bridge": replace(whole.bridge, flow="none")}
    manifest = replace(whole, profile=profile, **ends)
    return facts_from(DiscMade(manifest, bench.plan(), pins=bench.pins(), pulled=bench.pulled(), placed=bench.placed(),
                               build_id="3f9a1c07", image_sectors=1500))  # fmt: skip


@pytest.mark.parametrize("name", ["bench", "troubled", "catalogue-desk", "map-table"])
def test_four_pages_are_printed(name: str, tmp_path: Path) -> None:
    """The folded appendix is not printed. No page is nearly empty, none ends with a heading, and page 1 has faults,
    cautions and what must lie ready."""
    makers = {"bench": bench.facts, "troubled": troubled}
    facts = makers[name](tmp_path) if name in makers else ready(name)
    pages = printed_pages(tmp_path, html(facts))
    assert len(pages) <= 4
    assert "Before anything is plugged in" in pages[0] and "On the bench" in pages[0]
    assert ("The link cannot work as it is set" in pages[0]) == bool(facts.faults) == (name == "troubled")
    titles = {section.title for section in sections(facts)}
    for number, page in enumerate(pages):
        *lines, foot = [line.strip() for line in page.splitlines() if line.strip()]
        assert "Bench sheet, build 3f9a1c07" in foot and f"{number + 1}/{len(pages)}" in foot.replace(" ", "")
        assert len(lines) > 6
        assert not any(lines[-1].endswith(title) for title in titles), lines[-1]
    assert "where it came from" not in "".join(pages)


def visible_words(page: str) -> Iterator[str]:
    body = page[page.index("<main>") : page.index("</main>")]
    body = re.sub(r"<svg.*?</svg>", " ", body, flags=re.S)
    for word in re.sub(r"<[^>]+>", " ", body).split():
        yield word.replace("&amp;", "&").replace("&lt;", "<").replace("&gt;", ">").replace("&#39;", "'")


# ------------------------------------------------------------------------------------------------ pictures


def test_rings_keep_the_area(tmp_path: Path) -> None:
    """Equal sectors, equal area: half of the sectors ends where half of the ring's area ends."""
    half = radius_mm(500, 1000)
    assert half**2 - 25**2 == pytest.approx((58**2 - 25**2) / 2)


def test_many_items_stay_readable() -> None:
    """Two hundred items: the largest keep their own ring, the rest stand together, no sector is lost."""
    segments = tuple(Segment(f"item {n}", n + 1) for n in range(200))
    shown = merged(segments)
    assert len(shown) == 12
    assert sum(segment.sectors for segment in shown) == sum(segment.sectors for segment in segments)
    assert shown[-1].label == "189 smaller items"


# ------------------------------------------------------------------------------------- what no script does


def packed_plates(**more: object) -> tuple:
    """The placed files with the plates as they were fetched: an archive that only a person can unpack."""
    whole, last = bench.placed()[:-1], bench.placed()[-1]
    staged = replace(last.named.staged, form="packed", member="", **more)
    return (*whole, replace(last, named=replace(last.named, staged=staged)))


def with_opener(folder: Path, **more: object) -> Manifest:
    """A DOS-like shell on the machine, and an unpacker among the items that burn."""
    shell = Shell("PART{part}.BAT", *[("x",)] * 6, separator="\\", after_volume="\\", undo_name="UNDO.BAT",
                  rate_name="R{rate}.BAT")  # fmt: skip
    manifest = bench.manifest(folder)
    items = (replace(manifest.items[0], gives=("serial-driver", "unpack-lha")), *manifest.items[1:])
    profile = replace(manifest.profile, shell=shell, disc_path="D:")
    return replace(manifest, items=items, profile=profile, **more)


def test_who_sits_at_the_machine_is_told_what_to_unpack(tmp_path: Path) -> None:
    """Scripts copy an archive and leave it: the sheet says where it lies, and what opens it."""
    shown = words(shown_of(with_opener(tmp_path), placed=packed_plates()).replace("____", ""))
    assert "Unpack what part 2 copied packed, each where it lies, with 3 min Driver for the serial line:" in shown
    assert r"C:\PLATES\PLATES.LZH" in shown
    assert r"Run setup part 1 (D:\SETUP\PART1.BAT)" in shown


def test_unpacking_comes_once_its_tool_is_installed(tmp_path: Path) -> None:
    """After the step of the tool that opens it; with the tool's command and the minutes by its speed."""
    manifest = with_opener(tmp_path)
    opener = replace(manifest.items[0], unpack="open {path}", unpack_bytes_s=1000)
    steps = (
        Step("machine", "Install it.", (opener.id, "plates")),
        Step("machine", "Go on.", (opener.id,)),
    )
    told = replace(manifest, items=(opener, *manifest.items[1:]), steps=steps)
    made = DiscMade(told, bench.plan(), pins={}, pulled=bench.pulled(), placed=packed_plates())
    tasks = facts_from(made).on_machine
    texts = [task.text.split(" ")[0] for task in tasks]
    assert texts.index("Install") < texts.index("Go") < texts.index("Unpack")
    (unpack,) = [task for task in tasks if task.text.startswith("Unpack")]
    size = packed_plates()[-1].named.staged.content.size_bytes
    assert unpack.details == (r"open C:\PLATES\PLATES.LZH",) and unpack.minutes == ceil((30 + size / 1000) / 60)


def test_nothing_is_unpacked_that_stays_on_the_disc_or_came_unpacked(tmp_path: Path, plain: str) -> None:
    assert "copied packed" not in plain
    assert "copied packed" not in shown_of(bench.manifest(tmp_path), placed=packed_plates(copied=False))


def test_what_is_used_from_the_disc_is_not_said_to_be_copied(tmp_path: Path) -> None:
    manifest = bench.manifest(tmp_path)
    items = tuple(replace(item, use="disc") if item.id == "plates" else item for item in manifest.items)
    shown = words(shown_of(replace(manifest, items=items)))
    assert "Fetcher stays on the disc, to be used from there: Pictures of the plates" in shown


def test_the_scripts_for_later_are_named(tmp_path: Path) -> None:
    """Putting back, and the rates that both ends hold: they lie on the disc, and nobody knew."""
    folder, own = bench.placed()[0], ("UNDO.BAT", "R1200.BAT", "R9600.BAT", "R19200.BAT", "PART1.BAT")
    scripts = tuple(
        replace(folder, named=replace(folder.named, staged=replace(folder.named.staged, name=("SETUP", name), item="")))
        for name in own
    )
    shown = words(shown_of(with_opener(tmp_path), placed=scripts))
    assert r"put back the files that were there before: D:\SETUP\UNDO.BAT, or C:\SAVED\UNDO.BAT." in shown
    assert r"If the drive is not seen after a restart: start C:\SAVED\UNDO.BAT" in shown
    assert r"without an editor: D:\SETUP\R1200.BAT to D:\SETUP\R19200.BAT." in shown


@pytest.mark.parametrize("stops", [False, True])
def test_a_plain_list_is_said_to_be_one(tmp_path: Path, stops: bool) -> None:
    """A language without conditions: what its scripts can tell, and that the person saves."""
    manifest = with_opener(tmp_path)
    shell = replace(manifest.profile.shell, if_exists=(), if_missing=(), stops_at_failure=stops)
    shown = words(shown_of(replace(manifest, profile=replace(manifest.profile, shell=shell))))
    assert ("stops at the first error" in shown) == stops
    assert (r"D:\SETUP\FOLDERS.BAT makes the folders" in shown) == stops
    assert ("cannot tell whether one failed" in shown) != stops
    assert r"Save first, by hand: C:\NET\OLD.CFG" in shown


def test_what_each_power_on_wants_is_said(tmp_path: Path) -> None:
    """On a machine whose volume forgets: the script that brings it back, and what that is."""
    folder = bench.placed()[0]
    start = replace(folder, named=replace(folder.named, staged=replace(folder.named.staged, item="",
                                                                      name=("SETUP", "START.BAT"))))  # fmt: skip
    manifest = with_opener(tmp_path)
    ram = tuple(replace(volume, volatile=True) for volume in manifest.profile.volumes)
    told = replace(manifest, profile=replace(manifest.profile, volumes=ram))
    shown = words(shown_of(told, placed=(start,)))
    assert r"After each power-on: D:\SETUP\START.BAT. It brings back what the machine forgets: " in shown
    assert "After each power-on" not in words(shown_of(manifest, placed=(start,)))


def test_room_for_what_is_saved_is_counted(tmp_path: Path) -> None:
    """On the volume that it goes to, though nothing is installed there: the setup's own files in blocks of 512 bytes
    (one of 700: two), a block for each item's mark and two for each part; what is wiped elsewhere is named."""
    volumes = (Volume("R:", volatile=True), Volume("S:", block_bytes=512))
    manifest = with_opener(tmp_path, steps=(replace(WIPES, wipes=("R:/NET/",)),))
    profile = replace(manifest.profile, volumes=volumes)
    script = replace(bench.placed()[0], named=replace(bench.placed()[0].named, target=(), staged=replace(
        bench.placed()[1].named.staged, name=("SETUP", "UNDO.BAT"), item="", copied=False,
        content=Content(tmp_path, 0, 700, "ab"))))  # fmt: skip
    made = DiscMade(replace(manifest, profile=profile), bench.plan(), pins={}, pulled=bench.pulled(), placed=(script,))
    (room,) = [room for room in facts_from(made).rooms if room.volume == "S:"]
    parts, items = len(made.parts), len(made.burned)
    assert room.needed_bytes == 1024 + 512 * (items + 2 * parts) and room.saved == r"old files in the way, R:\NET"
    assert r"and as much as is saved there first: old files in the way, R:\NET" in words(text(facts_from(made)))


def test_what_the_language_lacks_is_said(tmp_path: Path) -> None:
    """To clear what hides a file, and to give its attributes back."""
    script = replace(bench.placed()[0], named=replace(bench.placed()[0].named, staged=replace(
        bench.placed()[0].named.staged, name=("SETUP", "UNDO.BAT"), item="")))  # fmt: skip
    manifest = with_opener(tmp_path)
    shell = replace(manifest.profile.shell, unprotect=("a",), copy_with_attributes=("b",))
    able = replace(manifest, profile=replace(manifest.profile, shell=shell))
    for told, lacks in ((manifest, True), (able, False)):
        shown = words(shown_of(told, placed=(script,)))
        assert (BYTES_ALONE in shown) == (UNSEEN in shown) == lacks


WIPES = Step("machine", "Install the stack.", ("ip-tools",), ("S/STARTUP",), "It restarts.")
OF_THE_SECOND = Step("machine", "Look at the plates.", ("plates",))
FIRST = Step("machine", "Prepare the volume.", (), ("S/STARTUP",))


@pytest.mark.parametrize(
    ("steps", "said"),
    [
        ([WIPES], "It restarts. After it the drive may not be seen, and disc 2 is still to come. So run the parts of "
                  "disc 2 before this step."),
        ([WIPES, OF_THE_SECOND], "It restarts. After it the drive may not be seen, and disc 2 is still to come. If it "
         "is gone: start C:\\SAVED\\UNDO.BAT, restart, run disc 2, and this disc's parts again, and do this step "
         "last."),
        ([FIRST], "After it the drive may not be seen, and disc 1 and disc 2 are still to come. If it is gone: start "
                  "C:\\SAVED\\UNDO.BAT, restart, run disc 1 and disc 2, and do this step last."),
    ],
)  # fmt: skip
def test_a_disc_after_a_step_that_may_cost_the_drive(tmp_path: Path, steps: list[Step], said: str) -> None:
    """Which disc, and what to do; nothing of it on the last disc, or of a step that wipes nothing."""
    plan = bench.plan()
    two = replace(plan, decisions=tuple(replace(d, disc=2) if d.id == "plates" else d for d in plan.decisions))
    manifest = with_opener(tmp_path, steps=tuple(steps))

    def cautions(steps: list[Step], plan: Plan, **more: Any) -> list[str]:
        made = DiscMade(replace(manifest, steps=tuple(steps)), plan, pins={}, pulled=bench.pulled(), **more)
        return [task.caution for task in facts_from(made).on_machine if task.text == steps[0].text]

    assert cautions(steps, two, discs=2) == [said]
    assert not any("disc 2" in one for one in cautions(steps, two, discs=2, number=2))
    assert cautions([replace(steps[0], wipes=())], two, discs=2) == [steps[0].caution]
    if steps[0] is not FIRST:
        assert cautions(steps, plan) == ["It restarts."]


def test_no_script_saves_for_a_step_after_the_link(tmp_path: Path) -> None:
    """What is wiped once an item came over the link lies beside no part of the disc: a person saves it."""
    late = Step("machine", "Run it.", after=bench.plan().order[:1], wipes=("S/LATE.CFG",))
    made = DiscMade(with_opener(tmp_path, steps=(late,)), bench.plan(), pins={}, pulled=bench.pulled())
    assert facts_from(made).after_link[-1].details == ("Save first, by hand: C:\\S\\LATE.CFG",)


def test_the_shelf_holds_back_what_may_not_be_passed_on(plain: str) -> None:
    """`serve` offers no item with share = false unless told: whoever waits for it at the machine must know."""
    assert "with --allow-unshared, or the shelf holds back: Manuals of the machine" in words(plain)


def test_a_medium_without_a_name_is_told_by_its_size(tmp_path: Path) -> None:
    manifest = bench.manifest(tmp_path)
    own = replace(manifest, medium=replace(manifest.medium, kind="custom"))
    shown = shown_of(own, placed=bench.placed(), image_sectors=9)
    assert "custom" not in shown


@pytest.mark.parametrize("most_s", [37.0, 1451.0, 90_000.0])
@pytest.mark.parametrize("most_bytes", [1, 3_000, 1_761_280, 8_500_000_000])
def test_the_curve_is_marked_at_round_figures(most_s: float, most_bytes: int) -> None:
    """No "24.1 min" and no "881 KB": what stands at an axis can be counted on."""
    shown = curve_svg([Capacity(0, most_s), Capacity(most_bytes, 0.0)], 0)
    labels = re.findall(r">([^<>]*)</text>", shown)
    figures = [label.split()[0] for label in labels if label != "room on the disc"]
    assert len(figures) >= 4
    for figure in figures:
        assert float(figure) == 0 or re.fullmatch(r"[1-9]?[0-9]0*(\.[0-9]0)?", figure.replace(".00", "")), labels


def test_paths_on_the_machine_are_written_as_it_writes_them(tmp_path: Path) -> None:
    """What is typed there has its own separator; the manifest's is `/` everywhere."""
    shown = shown_of(with_opener(tmp_path), placed=bench.placed())
    assert "The setup saves first: C:\\NET\\OLD.CFG" in shown
    assert "on the machine: NET\\STACK\\CONFIGUR.LIN" in shown


def test_a_shared_extent_is_counted_once(tmp_path: Path) -> None:
    """Two items with one content lie in one extent: the parts sum to the image, and what was shared is the first's."""
    shelf = Shelf(tmp_path)
    twice = b"t" * 50_000
    files = [("A/ONE.BIN", "one", twice), ("B/TWO.BIN", "two", twice), ("B/OWN.BIN", "two", b"o" * 30_000)]
    staged = [shelf.file(path, data, item=item) for path, item, data in files]
    written = write(staged, tmp_path / "x.iso")
    manifest = Manifest(tmp_path / "m.toml", "", (Item("one"), Item("two")), Profile(""), Medium("", 2000))
    plan = Plan((), (), 0.0, 0.0, True, 0.0, "none needed")
    made = DiscMade(manifest, plan, pins={}, pulled={}, placed=written.placed, image_sectors=written.sectors)
    found = {one.label: one.sectors for one in facts_from(made).segments}
    assert sum(found.values()) == written.sectors
    assert found["one"] == 25 and found["two"] == 15  # ⌈50,000 / 2,048⌉ and ⌈30,000 / 2,048⌉
