"""The sheet's curves over line rate and receive window: the link model's numbers, drawn true, said in words too."""

import math
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import pytest
from support import bench
from support.links import download

from discprep.job.sheet import DiscMade, facts_from
from discprep.job.sheet.waiting import Load, alike, load_of, over_rates, over_windows, ten_kilobytes_s, waits_s
from discprep.link.ends import rates_both_hold
from discprep.link.transfer import Transfer, expected_case, parts_of
from discprep.link.vary import Question
from discprep.model import BridgeSettings, Escapes, LinkSettings, Manifest, Plan, Pulled
from discprep.report.sheet import SheetFacts, html, sections, text
from discprep.report.sheet.facts import Capacity, Pull, Segment, Waited
from discprep.report.sheet.pictures import curve_svg, disc_svg, timeline_svg
from discprep.report.sheet.plots import HEIGHT, WIDTH, rates_svg, windows_svg
from discprep.units import format_seconds

SIZE, ESCAPES = 300_000, Escapes(2600, 2400, 36_600)
ALONE = Load(((SIZE, 1),), ESCAPES)


def at(folder: Path, rate: int = 57_600, mtu: int = 576, window: int | None = 4096) -> Manifest:
    """The reading room's machine on another line. The shelf is asked by its address: no name is looked up."""
    whole = bench.manifest(folder)
    assert whole.link and whole.bridge
    link = replace(whole.link, rate_bit_s=rate, mtu_bytes=mtu, window_bytes=window, name_lookup=False)
    return replace(whole, link=link, bridge=replace(whole.bridge, rate_bit_s=rate))


def facts(of: Manifest, **more: object) -> SheetFacts:
    return replace(facts_from(DiscMade(of, bench.plan(), pins=bench.pins(), pulled=bench.pulled())), **more)  # type: ignore[arg-type]


def words(of: str) -> str:
    return " ".join(of.split())


# ----------------------------------------------------------------------------------------- the model's own numbers


@pytest.mark.parametrize(("rate", "mtu", "window"), [(57_600, 576, 4096), (9600, 1500, 16_384), (38_400, 296, None)])
def test_every_point_is_the_models(tmp_path: Path, rate: int, mtu: int, window: int | None) -> None:
    """The sum of the model's parts for the same file and settings; at the chosen rate, what `download` answers."""
    of = at(tmp_path, rate, mtu, window)
    assert of.link and of.bridge

    def expected_s(link: LinkSettings, bridge: BridgeSettings) -> float:
        return sum(parts_of(Transfer(SIZE, ESCAPES), expected_case(link, bridge, of.profile), link).values())

    whole = download(SIZE, escapes=ESCAPES, link=of.link, bridge=of.bridge, profile=of.profile)
    assert [p.expected_s for p in over_rates(of, ALONE) if p.chosen] == [pytest.approx(whole.expected, rel=1e-9)]

    for point in over_rates(of, ALONE):
        link, bridge = (replace(end, rate_bit_s=point.value) for end in (of.link, of.bridge))
        assert point.expected_s == pytest.approx(expected_s(link, bridge), rel=1e-9)
        assert point.chosen == (point.value == rate)
    for point in over_windows(of, ALONE):
        link = replace(of.link, window_bytes=point.value)
        assert point.expected_s == pytest.approx(expected_s(link, of.bridge), rel=1e-9)
        assert point.chosen == (point.value == (window or 8192))


def test_the_curves_go_through_the_plan_s_time(tmp_path: Path) -> None:
    """What the plan tells stands at the setting as set; the others in proportion. A name is never looked up."""
    of = at(tmp_path)
    looked_up = replace(of, link=replace(of.link, name_lookup=True))
    told = replace(ALONE, told_s=100.0)
    for curve in (over_rates, over_windows):
        plain, through = curve(of, ALONE), curve(looked_up, told)
        (here,) = (point.expected_s for point in plain if point.chosen)
        assert [point.expected_s for point in through] == pytest.approx([p.expected_s / here * 100 for p in plain])


def test_the_windows_are_those_around_the_one_that_is_set(tmp_path: Path) -> None:
    """None is smaller than a full segment, 536 bytes at an MTU of 576 (RFC 879)."""
    assert [point.value for point in over_windows(at(tmp_path), ALONE)] == [1024, 2048, 4096, 8192]
    assert [point.value for point in over_windows(at(tmp_path, window=1000), ALONE)] == [536, 1000, 2000]
    assert [point.value for point in over_windows(at(tmp_path, window=200), ALONE)] == [200, 400]


def test_the_last_rung_expects_what_the_model_does(tmp_path: Path) -> None:
    of = at(tmp_path)
    assert of.link
    wanted = download(10_000, escapes=None, link=of.link, bridge=of.bridge, profile=of.profile).expected
    assert ten_kilobytes_s(of.link, of) == pytest.approx(wanted, rel=1e-9)


@pytest.mark.parametrize("setting", [{"error_rate": 1e-5}, {"segment_s": 0.5}, {"cap_bytes_s": 900.0}])
def test_what_slows_the_line_is_not_left_out(tmp_path: Path, setting: dict[str, float]) -> None:
    of = at(tmp_path)
    assert of.link
    slowed = replace(of, link=replace(of.link, **setting))  # type: ignore[arg-type]
    wanted = download(SIZE, escapes=ESCAPES, link=slowed.link, bridge=of.bridge, profile=of.profile).expected  # type: ignore[arg-type]
    here = next(point for point in over_rates(slowed, ALONE) if point.chosen)
    assert here.expected_s == pytest.approx(wanted, rel=1e-9)
    assert here.expected_s > next(point for point in over_rates(of, ALONE) if point.chosen).expected_s


def test_the_rates_are_some_that_both_ends_hold(tmp_path: Path) -> None:
    """Each step is half as much again at least, from an eighth of the set one up; the fastest that is held is among
    them or near. A rate that is set and not held is shown all the same."""
    of = at(tmp_path, 57_600)
    shown = [point.value for point in over_rates(of, ALONE)]
    assert shown == [9600, 19_200, 38_400, 57_600, 115_200]
    assert set(shown) <= set(rates_both_hold(of.profile, of.bridge, "8N1"))
    odd = at(tmp_path, 100_000)
    assert [point.value for point in over_rates(odd, ALONE) if point.chosen] == [100_000]


def test_the_curve_meets_the_timeline(tmp_path: Path) -> None:
    """The timeline adds up the items one by one; the curve takes them together and comes to the same."""
    of = at(tmp_path)
    sizes = (910_000, 180_000, 2_300_000)
    assert of.link

    def escapes(size: int) -> Escapes:
        return Escapes(size // 120, size // 130, size // 8)

    alone = [
        download(size, escapes=escapes(size), link=of.link, bridge=of.bridge, profile=of.profile).expected
        for size in sizes
    ]
    load = load_of([Pulled("archive", (size,), escapes(size)) for size in sizes])
    assert load
    here = next(point for point in over_rates(of, load) if point.chosen)
    assert here.expected_s == pytest.approx(sum(alone), rel=1e-4)


def test_a_thousand_items_are_a_few_sizes(tmp_path: Path) -> None:
    """Together they take as long as one by one, to two parts in a thousand, and hold as many files and bytes."""
    sizes = [round(800 * 1.009**number) for number in range(1000)]
    groups = alike(sizes)
    assert len(groups) < 20
    assert sum(count for _, count in groups) == 1000
    assert sum(size * count for size, count in groups) == pytest.approx(sum(sizes), rel=1e-4)
    of = at(tmp_path)
    assert of.link
    question = Question(Transfer(1), of.link, of.bridge, of.profile)
    each = waits_s(question, Load(tuple((size, 1) for size in sizes)))
    assert waits_s(question, Load(groups)) == pytest.approx(each, rel=2e-3)


# ------------------------------------------------------------------------------------------------------ the drawing


def waited(*points: tuple[int, float], chosen: int = 0) -> tuple[Waited, ...]:
    return tuple(Waited(value, time, number == chosen) for number, (value, time) in enumerate(points))


DRAWN = {
    "usual": waited((9600, 1240.0), (19_200, 620.0), (57_600, 207.0), (115_200, 104.0), chosen=2),
    "the first is set": waited((1200, 9000.0), (2400, 4500.0)),
    "the last is set": waited((1200, 9000.0), (115_200, 94.0), chosen=1),
    "every rate there is": waited(*((300 * 2**n, 1e6 / 2**n) for n in range(12)), chosen=5),
    "moments": waited((115_200, 0.09), (230_400, 0.08)),
    "years": waited((300, 9e8), (600, 4e8), chosen=1),
    "it rises": waited((1460, 182.0), (2920, 190.0), (16_384, 346.0), (23_360, 346.0), chosen=2),
    "it does not change": waited((536, 100.0), (1072, 100.0)),
}


STEEP = waited((1072, 250.0), (4096, 207.0), (8192, 190.0), chosen=1)


def texts(drawing: ElementTree.Element) -> list[tuple[float, float, float]]:
    """Left, right and baseline of each text, letters taken as 11.7 wide: a sans-serif of 20 has 11.1 for a figure."""
    found = []
    for element in drawing.iter("text"):
        width = 11.7 * len(element.text or "")
        back = {"middle": width / 2, "end": width}.get(element.get("text-anchor", ""), 0.0)
        x = float(element.get("x", "nan")) - back
        found.append((x, x + width, float(element.get("y", "nan"))))
    return found


@pytest.mark.parametrize("draw", [rates_svg, windows_svg])
@pytest.mark.parametrize("points", DRAWN.values(), ids=DRAWN)
def test_all_of_it_lies_on_the_paper(points: Sequence[Waited], draw: type[rates_svg]) -> None:
    """Well-formed XML with name and description (SVG 2, 5.8); no text on another, no number that is none."""
    source = draw(points)
    drawing = ElementTree.fromstring(source)
    assert drawing.get("role") == "img"
    assert drawing.findtext("title") and drawing.findtext("desc")
    assert not re.search(r"nan|inf|script|href|style", source, re.I)
    for left, right, base in texts(drawing):
        assert left >= 0 and right <= WIDTH and 20 <= base <= HEIGHT - 4
    for circle in drawing.iter("circle"):
        assert 0 <= float(circle.get("cx", "nan")) <= WIDTH and 40 <= float(circle.get("cy", "nan")) <= HEIGHT - 60
    for path in drawing.iter("path"):
        for x, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", path.get("d", "")):
            assert 0 <= float(x) <= WIDTH and 0 <= float(y) <= HEIGHT


@pytest.mark.parametrize("draw", [rates_svg, windows_svg])
@pytest.mark.parametrize("points", DRAWN.values(), ids=DRAWN)
def test_no_label_covers_another(points: Sequence[Waited], draw: type[rates_svg]) -> None:
    found = texts(ElementTree.fromstring(draw(points)))
    for number, (left, right, base) in enumerate(found):
        for other_left, other_right, other_base in found[number + 1 :]:
            assert right <= other_left or other_right <= left or abs(base - other_base) >= 18


@pytest.mark.parametrize("points", DRAWN.values(), ids=DRAWN)
def test_heights_are_the_times(points: Sequence[Waited]) -> None:
    """Over rates equal proportions are equal heights, over windows equal times are."""
    for draw, height in ((rates_svg, math.log), (windows_svg, float)):
        circles = list(ElementTree.fromstring(draw(points)).iter("circle"))[: len(points)]
        ys = [float(circle.get("cy", "nan")) for circle in circles]
        wanted = [height(point.expected_s) for point in points]
        for y, value in zip(ys[1:], wanted[1:], strict=True):
            span = max(wanted) - min(wanted)
            if span:
                share = (y - ys[0]) / (max(ys) - min(ys)) if max(ys) > min(ys) else 0.0
                assert share == pytest.approx((wanted[0] - value) / span, abs=0.2 / max(1.0, max(ys) - min(ys)))
            else:
                assert y == ys[0]


def test_the_description_says_every_point() -> None:
    points = DRAWN["usual"]
    said = ElementTree.fromstring(rates_svg(points)).findtext("desc") or ""
    for point in points:
        assert f"{format_seconds(point.expected_s)} at {point.value:,} bit/s" in said
    assert said.count("as set") == 1 and "at 57,600 bit/s, as set" in said


# ------------------------------------------------------------------------------------------------------- both faces


def test_both_faces_have_every_value(tmp_path: Path) -> None:
    shown = facts(at(tmp_path), over_windows=STEEP)
    plain = text(shown)
    page = re.sub(r"<svg.*?</svg>", "", html(shown), flags=re.S)
    assert len(shown.over_rates) > 4 and shown.over_windows
    for points, unit in ((shown.over_rates, "bit/s"), (shown.over_windows, "bytes")):
        for point in points:
            value, time = f"{point.value:,}", format_seconds(point.expected_s)
            assert re.search(rf"^ *{value} {unit} +{time}  #+{' as set' if point.chosen else ''}$", plain, re.M)
            cells = rf">{value}</th>\s*<td[^>]*>{time}</td>\s*<td[^>]*>{'as set' if point.chosen else ''}</td>"
            assert re.search(cells, page)
    assert max(map(len, plain.splitlines())) <= 80


def test_where_nothing_waits_a_sentence_says_so(tmp_path: Path) -> None:
    nothing = Plan((), (), 0.0, 0.0, True, 0.0, "none needed")
    shown = facts_from(DiscMade(at(tmp_path), nothing, pins=bench.pins(), pulled={}))
    assert shown.over_rates == shown.over_windows == ()
    assert "Nothing waits for the link: all that is wanted is on the disc." in words(text(shown))
    assert "over-rates" not in html(shown)


def test_where_one_rate_is_possible_a_sentence_says_so(tmp_path: Path) -> None:
    shown = facts(at(tmp_path))
    here = tuple(point for point in shown.over_rates if point.chosen)
    plain = words(text(replace(shown, over_rates=here)))
    assert "Both ends hold no other rate than 57,600 bit/s that is worth comparing." in plain
    assert "over-rates-title" not in html(replace(shown, over_rates=here))


def test_where_the_window_decides_nothing_a_sentence_says_so(tmp_path: Path) -> None:
    even = waited((536, 100.0), (1072, 100.4))
    shown = replace(facts(at(tmp_path)), over_windows=even)
    assert "decides little here: from 536 to 1,072 bytes all of it takes 1 min 40 s." in words(text(shown))
    assert "over-windows-title" not in html(shown)


def test_a_window_that_nobody_told_is_called_taken(tmp_path: Path) -> None:
    untold = facts(at(tmp_path, window=None))
    assert [point.value for point in untold.over_windows if point.chosen] == [8192]
    plain = text(replace(untold, over_windows=STEEP))
    assert "is not told, so a usual one is taken" in words(plain)
    assert re.search(r"^ *4,096 bytes .*# taken$", plain, re.M)


def test_titles_cannot_break_the_drawings(tmp_path: Path) -> None:
    """Titles are a stranger's text; what waits is drawn and named by them."""
    evil = "</title></svg><script>alert(1)</script>\"'&]]>\x1b[31m\u202e"
    of = at(tmp_path)
    wicked = replace(of, title=evil, items=tuple(replace(item, title=evil) for item in of.items))
    page = html(facts(wicked, over_windows=STEEP))
    assert "<script" not in page and "\x1b" not in page
    drawings = re.findall(r"<svg.*?</svg>", page, re.S)
    names = {ElementTree.fromstring(drawing).findtext("title") for drawing in drawings}
    assert {f"Time for all that waits, over the {what}" for what in ("line rate", "receive window")} <= names


def test_same_settings_same_bytes(tmp_path: Path) -> None:
    of = at(tmp_path, 9600, 1500, 16_384)
    drawn = [(rates_svg(over_rates(of, ALONE)), windows_svg(over_windows(of, ALONE))) for _ in range(2)]
    assert drawn[0] == drawn[1]


def test_the_curves_stand_with_what_waits(tmp_path: Path) -> None:
    titles = [section.title for section in sections(facts(at(tmp_path)))]
    assert titles.count("After the link stands") == 1
    plain = text(facts(at(tmp_path)))
    places = [plain.index(words) for words in ("AFTER THE LINK", "THE LINE ON BOTH", "All of it at some of")]
    assert places == sorted(places)


# ---------------------------------------------------------------------------------------- the other pictures' labels


def covered(drawing: str) -> list[object]:
    """Labels beyond the paper's edges, and pairs of which one lies on the other."""
    found = texts(ElementTree.fromstring(drawing))
    beyond = [one for one in found if one[0] < 0 or one[1] > WIDTH]
    pairs = [(one, two) for number, one in enumerate(found) for two in found[number + 1 :]]
    return beyond + [
        pair for pair in pairs
        if pair[0][1] > pair[1][0] and pair[1][1] > pair[0][0] and abs(pair[0][2] - pair[1][2]) < 18
    ]  # fmt: skip


@pytest.mark.parametrize("most_s", [0.4, 37.0, 1451.0, 90_000.0])
def test_labels_of_the_curve_stand_apart(most_s: float) -> None:
    for least in (0, 3000, 600_000, 8_000_000_000):
        for most in (size for size in (1, 5000, 700_000, 650_000_000, 8_500_000_000) if size > least):
            points = [Capacity(least, most_s), Capacity((least + most) // 2, most_s / 2), Capacity(most, 0.0)]
            for here in (0, least, (least + most) // 2, most):
                assert covered(curve_svg(points, here)) == []


@pytest.mark.parametrize("each_s", [0.1, 60.0, 9999.0, 4e6])
@pytest.mark.parametrize("count", [1, 3, 30])
def test_labels_of_the_timeline_stand_apart(count: int, each_s: float) -> None:
    pulls = [Pull("Maps", 1, 1, n * each_s, (n + 1) * each_s) for n in range(count)]
    assert covered(timeline_svg(pulls)) == []


@pytest.mark.parametrize("sectors", [10, 334, 20_000, 333_000])
def test_a_disc_that_is_nearly_empty_shows_something(sectors: int) -> None:
    """Less than a ring: the spiral unrolled, its written part larger; each item's fill is there either way."""
    segments = [Segment("Maps", sectors // 2), Segment("Plates", sectors - sectors // 2)]
    drawing = disc_svg(segments, 333_000)
    assert covered(drawing) == []
    widths = [float(found) for found in re.findall(r'width="([\d.]+)" height="56"', drawing)]
    assert len(widths) == 2 and min(widths) > 300
    assert ("the whole disc, unrolled" in drawing) == (sectors < 0.04 * 333_000)
