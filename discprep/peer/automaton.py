"""The option negotiation automaton of PPP (RFC 1661 4): states, events and actions, for LCP and IPCP alike."""

from __future__ import annotations

from collections.abc import Callable, Sequence

RESTART_S = 3.0  # RFC 1661 4.6
MAX_CONFIGURE = 10
MAX_TERMINATE = 2

# RFC 1661 4.1, as printed there: a column a state (initial, starting, closed, stopped, closing, stopping, request sent,
# ack received, ack sent, opened), `-` for what cannot be, actions before the slash.
_TABLE = """
up    2       irc,scr/6  -        -           -      -        -          -            -        -
down  -       -          0        tls/1       0      1        1          1            1        tld/1
open  tls/1   1          irc,scr/6 3          5      5        6          7            8        9
close 0       tlf/0      2        2           4      4        irc,str/4  irc,str/4    irc,str/4 tld,irc,str/4
to+   -       -          -        -           str/4  str/5    scr/6      scr/6        scr/8    -
to-   -       -          -        -           tlf/2  tlf/3    tlf/3      tlf/3        tlf/3    -
rcr+  -       -          sta/2    irc,scr,sca/8 4    5        sca/8      sca,tlu/9    sca/8    tld,scr,sca/8
rcr-  -       -          sta/2    irc,scr,scn/6 4    5        scn/6      scn/7        scn/6    tld,scr,scn/6
rca   -       -          sta/2    sta/3       4      5        irc/7      scr/6        irc,tlu/9 tld,scr/6
rcn   -       -          sta/2    sta/3       4      5        irc,scr/6  scr/6        irc,scr/8 tld,scr/6
rtr   -       -          sta/2    sta/3       sta/4  sta/5    sta/6      sta/6        sta/6    tld,zrc,sta/5
rta   -       -          2        3           tlf/2  tlf/3    6          6            8        tld,scr/6
ruc   -       -          scj/2    scj/3       scj/4  scj/5    scj/6      scj/7        scj/8    scj/9
rxj+  -       -          2        3           4      5        6          6            8        9
rxj-  -       -          tlf/2    tlf/3       tlf/2  tlf/3    tlf/3      tlf/3        tlf/3    tld,irc,str/5
rxr   -       -          2        3           4      5        6          7            8        ser/9
"""


def _parse() -> dict[tuple[str, int], tuple[Sequence[str], int]]:
    moves: dict[tuple[str, int], tuple[Sequence[str], int]] = {}
    for line in _TABLE.strip().splitlines():
        event, *cells = line.split()
        for state, cell in enumerate(cells):
            if cell != "-":
                actions, _, target = cell.rpartition("/")
                moves[event, state] = ([*filter(None, actions.split(","))], int(target))
    return moves


_MOVES = _parse()


Act = Callable[[str], None]
"""Does one action of RFC 1661 4.4, by its name there: tlu, tld, scr, sca, scn, str, sta, scj, ser."""


class Automaton:
    """One protocol's negotiation. Time is told; timers are looked at in `tick`."""

    def __init__(self, act: Act) -> None:
        self._does = act
        self._state = 0
        self._counter = 0
        self.due_s: float | None = None  # when `tick` has something to do: the restart timer

    @property
    def opened(self) -> bool:
        return self._state == 9

    def event(self, name: str, now: float) -> None:
        """One event of RFC 1661 4.3; an event that cannot be in this state changes nothing."""
        move = _MOVES.get((name, self._state))
        if move is None:
            return
        actions, self._state = move
        if self._state not in (4, 5, 6, 7, 8):
            self.due_s = None
        elif self.due_s is None:
            self.due_s = now + RESTART_S
        for action in actions:
            self._act(action, now)

    def _act(self, action: str, now: float) -> None:
        if action == "irc":
            self._counter = MAX_CONFIGURE if self._state in (6, 7, 8) else MAX_TERMINATE
        elif action == "zrc":
            self._counter = 0
            self.due_s = now + RESTART_S
        elif action in ("scr", "str"):
            self._counter -= 1
            self.due_s = now + RESTART_S
            self._does(action)
        elif action not in ("tls", "tlf"):  # the layer below is a cable: there is nothing to start or to finish
            self._does(action)

    def tick(self, now: float) -> None:
        """Looks at the restart timer."""
        if self.due_s is not None and now >= self.due_s:
            self.due_s = None
            self.event("to+" if self._counter > 0 else "to-", now)
