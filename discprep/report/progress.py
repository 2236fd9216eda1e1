"""Bars on a terminal, a plain line now and then elsewhere: how `model.Progress` looks to a person."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TextIO

from discprep.model import WHOLE
from discprep.units import format_bytes

_PLAIN_EVERY_S = 10.0
_APPEARS_AFTER_S = 0.4  # short work never flashes a bar
_REDRAWN_EVERY_S = 0.1
_NARROW_COLUMNS = 50
_LABEL_COLUMNS = 24


@dataclass(slots=True)
class _Piece:
    label: str
    total: int | None
    unit: str
    done: int = 0
    bar: Any = None


class Bars:
    """A bar for each running piece of work and one for all of them, on `stream`.

    Where `stream` is no terminal, or one that cannot move its cursor (`TERM=dumb`), a line of text every
    ten seconds at most takes their place. No colour is ever used, so NO_COLOR holds. Thread-safe. A stream
    that goes away silences the bars and never the work.
    """

    def __init__(self, stream: TextIO, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._stream = stream
        self._clock = clock
        self._lock = threading.RLock()
        self._pieces: dict[str, _Piece] = {}
        self._whole: _Piece | None = None
        self._declared = False
        self._said_s = clock()
        self._drawn = _moves_cursor(stream)
        self._mute = False

    def begin(self, key: str, label: str, total: int | None, unit: str = "B") -> None:
        """A piece of work named `key` starts; `total` in `unit`, None if unknown. `WHOLE`: the whole."""
        with self._lock:
            if key == WHOLE:
                self._declare(label, total, unit)
                return
            self.end(key)
            piece = self._pieces[key] = _Piece(_clean(label), total, unit)
            self._include(piece)
            self._show(piece)

    def advance(self, key: str, amount: int) -> None:
        """`amount` more of `key` is done; a negative amount takes work back that must be done again."""
        with self._lock:
            piece = self._pieces.get(key)
            if piece is None:
                return
            self._move(piece, amount)
            if self._whole is not None and self._whole.unit == piece.unit:
                self._move(self._whole, amount)
            if not self._drawn:
                self._now_and_then(piece)

    def end(self, key: str) -> None:
        """The work named `key` is over; with `WHOLE` the whole is."""
        with self._lock:
            if key == WHOLE:
                self.close()
                return
            piece = self._pieces.pop(key, None)
            if piece is not None:
                self._hide(piece)

    def say(self, message: str) -> None:
        """A line for the person, now, above the bars."""
        with self._lock:
            if self._drawn and any(p.bar is not None for p in self._pieces.values()):
                self._guard(lambda: _tqdm().write(_clean(message), file=self._stream))
            else:
                self._line(_clean(message))

    def close(self) -> None:
        """Takes every bar off the screen. The object can be used again."""
        with self._lock:
            for piece in [*self._pieces.values(), *([self._whole] if self._whole else [])]:
                self._hide(piece)
            self._pieces.clear()
            self._whole, self._declared = None, False

    def _declare(self, label: str, total: int | None, unit: str) -> None:
        if self._whole is not None:
            self._hide(self._whole)
        self._whole, self._declared = _Piece(_clean(label), total, unit), True
        self._show(self._whole)

    def _include(self, piece: _Piece) -> None:
        """Without a declared whole, the whole grows with each piece, and shows from the second on."""
        if self._declared:
            return
        if self._whole is None or self._whole.unit != piece.unit:
            if self._whole is not None:
                self._hide(self._whole)
            self._whole = _Piece("all", piece.total, piece.unit)
            return
        known = self._whole.total is not None and piece.total is not None
        self._whole.total = (self._whole.total or 0) + (piece.total or 0) if known else None
        if self._whole.bar is None and len(self._pieces) > 1:
            self._show(self._whole)
        elif self._whole.bar is not None:
            self._whole.bar.total = self._whole.total

    def _show(self, piece: _Piece) -> None:
        if self._drawn and not self._mute:
            self._guard(lambda: setattr(piece, "bar", _bar(piece, self._stream)))

    def _hide(self, piece: _Piece) -> None:
        bar, piece.bar = piece.bar, None
        if bar is not None:
            self._guard(bar.close)

    def _move(self, piece: _Piece, amount: int) -> None:
        piece.done += amount
        bar = piece.bar
        if bar is not None and amount < 0:
            bar.n = bar.last_print_n = max(0, bar.n + amount)
        elif bar is not None:
            self._guard(lambda: bar.update(amount))

    def _now_and_then(self, piece: _Piece) -> None:
        now_s = self._clock()
        if now_s - self._said_s < _PLAIN_EVERY_S:
            return
        self._said_s = now_s
        shown = self._whole or piece
        label = piece.label if shown.label == "all" and len(self._pieces) == 1 else shown.label
        total = f" of {_amount(shown.total, shown.unit)}" if shown.total else ""
        self._line(f"{label}: {_amount(shown.done, shown.unit)}{total}")

    def _line(self, text: str) -> None:
        def write() -> None:
            self._stream.write(text + "\n")
            self._stream.flush()

        self._guard(write)

    def _guard(self, draw: Callable[[], Any]) -> None:
        if self._mute:
            return
        try:
            draw()
        except (OSError, ValueError):  # the stream is closed, or its reader went away
            self._mute = True


def _moves_cursor(stream: TextIO) -> bool:
    try:
        return stream.isatty() and os.environ.get("TERM", "") not in ("dumb", "unknown")
    except ValueError:
        return False


def _size(stream: TextIO) -> tuple[int, int]:
    """Columns and lines of the terminal; 80 by 24 where it does not know (a serial console says 0 by 0)."""
    try:
        size = os.get_terminal_size(stream.fileno())
    except (OSError, ValueError):
        return 80, 24
    return size.columns or 80, size.lines or 24


def _bar(piece: _Piece, stream: TextIO) -> Any:
    columns, lines = _size(stream)
    narrow = columns < _NARROW_COLUMNS
    return _tqdm()(
        desc=piece.label[: _LABEL_COLUMNS if not narrow else max(4, columns - 8)],
        total=piece.total,
        initial=piece.done,
        unit=piece.unit if piece.unit == "B" else f" {piece.unit}",
        unit_scale=piece.unit == "B",
        file=stream,
        leave=False,
        ncols=columns - 1,
        nrows=lines,
        delay=_APPEARS_AFTER_S,
        mininterval=_REDRAWN_EVERY_S,
        miniters=0,
        ascii=None if "utf" in (getattr(stream, "encoding", "") or "").lower() else True,
        bar_format="{desc} {percentage:3.0f}%" if narrow and piece.total else None,
    )


def _tqdm() -> Any:
    """The bars' class, imported late; without its watcher thread and its lock between processes."""
    from tqdm import tqdm

    if tqdm.monitor_interval:
        tqdm.monitor_interval = 0
        tqdm.set_lock(threading.RLock())
    return tqdm


def _clean(text: str) -> str:
    """Names come from outside: nothing in them may steer the terminal."""
    return "".join(c if c.isprintable() else "?" for c in text)


def _amount(count: int | None, unit: str) -> str:
    return format_bytes(count or 0) if unit == "B" else f"{count or 0} {unit}"
