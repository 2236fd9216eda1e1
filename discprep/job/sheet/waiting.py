"""How long all that waits for the link takes at other line rates and other receive windows: the link model's own
expected times, pure.

Each setting is a connection that the model steps through anew, some milliseconds, and the sheet is made with every
build: hence few settings, those near the one as set, and no range, which takes twenty times as many.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from discprep.link.ends import safe_rates
from discprep.link.path import WINDOW_BYTES
from discprep.link.pull import asked_by_number
from discprep.link.tcp import segment_size
from discprep.link.transfer import Transfer, expected_case, parts_of
from discprep.link.vary import VARY, Question
from discprep.model import Escapes, LinkSettings, Manifest, Pulled
from discprep.report.sheet.facts import Waited
from discprep.serve.gate import SERVER

SLOWEST = 1 / 8  # of the rate as set: nobody goes further down, and the faster ones need the paper
STEP = 1.5  # from one rate to the next, at least
WINDOWS = (1 / 4, 1 / 2, 2)  # of the window as set
MOST_SIZES = 8  # more different sizes than these are put together with their likes


@dataclass(frozen=True, slots=True)
class Load:
    """What waits: sizes [B] with how many files have each, and what the line makes of one of their bytes.

    `escapes` are those of all together; None takes random bytes. `told_s`: what the plan tells for all of
    it, item by item; other settings are told in proportion.
    """

    sizes: tuple[tuple[int, int], ...]
    escapes: Escapes | None = None
    told_s: float | None = None

    @property
    def size_bytes(self) -> int:
        return sum(size * count for size, count in self.sizes)


def load_of(waiting: Sequence[Pulled], told_s: float | None = None) -> Load | None:
    """All that waits for the link, file by file; None when nothing does."""
    if not waiting:
        return None
    sizes = (size for one in waiting for size in one.sizes_bytes)
    return Load(alike(sizes), _escapes([one.escapes for one in waiting]), told_s)


def _escapes(counts: Sequence[Escapes | None]) -> Escapes | None:
    """The sums; None where one is not known."""
    known = [count for count in counts if count]
    return Escapes(*map(sum, zip(*known, strict=True))) if len(known) == len(counts) else None


def alike(sizes: Iterable[int]) -> tuple[tuple[int, int], ...]:
    """Sizes with their counts. Too many to look at each: those of one power of two share their mean.

    >>> alike([300, 100, 300])
    ((100, 1), (300, 2))
    """
    counts = Counter(sizes)
    if len(counts) <= MOST_SIZES:
        return tuple(sorted(counts.items()))
    groups: dict[int, list[int]] = {}
    for size, count in counts.items():
        groups.setdefault(size.bit_length(), []).extend([size] * count)
    return tuple(sorted((round(sum(group) / len(group)), len(group)) for group in groups.values()))


# ------------------------------------------------------------------------------------------------ the two curves


def over_rates(manifest: Manifest, load: Load) -> tuple[Waited, ...]:
    """The time at the rate [bit/s] that is set, and at others that both ends hold and the port is served at: from an
    eighth of it up, some way apart."""
    link = manifest.link
    if link is None:
        return ()
    chosen = link.rate_bit_s
    held = safe_rates(manifest.profile, manifest.bridge, link.framing)
    near = [rate for rate in held if rate >= SLOWEST * chosen]
    return _curve(manifest, link, load, "baud", apart(near, chosen), chosen)


def apart(rates: Iterable[int], chosen: int) -> set[int]:
    """The chosen rate, and from it up and down those that are at least a step from the last.

    >>> sorted(apart([9600, 14400, 19200, 28800, 38400, 57600, 76800], 19200))
    [9600, 19200, 28800, 57600]
    """
    kept = {chosen}
    for rate in sorted(rates):
        if rate >= STEP * max(kept):
            kept.add(rate)
    for rate in sorted(rates, reverse=True):
        if STEP * rate <= min(kept):
            kept.add(rate)
    return kept


def over_windows(manifest: Manifest, load: Load) -> tuple[Waited, ...]:
    """The time at the window [B] that is set, or taken where none is told, and at a few smaller and larger ones, none
    below a full segment."""
    link = manifest.link
    if link is None:
        return ()
    chosen = link.window_bytes or WINDOW_BYTES
    least = min(chosen, segment_size(link.mtu_bytes))
    others = {max(least, round(chosen * part)) for part in WINDOWS}
    return _curve(manifest, link, load, "window", others | {chosen}, chosen)


def _curve(
    manifest: Manifest, link: LinkSettings, load: Load, key: str, values: Iterable[int], chosen: int
) -> tuple[Waited, ...]:
    question = Question(Transfer(0), link, manifest.bridge, manifest.profile, server=SERVER)
    settings = {value: question if value == chosen else VARY[key](question, str(value)) for value in sorted(values)}
    share = load.told_s / waits_s(question, load) if load.told_s is not None else 1.0
    return tuple(Waited(value, share * waits_s(setting, load), value == chosen) for value, setting in settings.items())


def waits_s(question: Question, load: Load) -> float:
    """Expected seconds for the whole load under these settings, a file at a time."""
    link = asked_by_number(question.link)
    case = expected_case(link, question.bridge, question.profile, question.server)
    growth = case.path.encapsulation.growth_of(load.size_bytes, load.escapes)
    if growth is not None:
        wire = replace(case.path.encapsulation, data_growth=growth)
        case = replace(case, path=replace(case.path, encapsulation=wire))
    return sum(count * sum(parts_of(Transfer(size), case, link).values()) for size, count in load.sizes)


def ten_kilobytes_s(link: LinkSettings, manifest: Manifest) -> float:
    """What a file of 10 KB takes [s], for the ladder's last rung."""
    return waits_s(Question(Transfer(0), link, manifest.bridge, manifest.profile, server=SERVER), Load(((10_000, 1),)))
