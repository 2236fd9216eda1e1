"""-lh1-: one Huffman code that follows the frequencies of what came so far, and a fixed one for distances.

The algorithm is the one of the dynamic Huffman tree published with LZHUF (1989): nodes stand in the order of their
weights, the two children of a node side by side; a symbol that came adds one to the weights from its leaf to the root,
and a node whose weight would break the order first changes places with the last one of its weight. When the root is
full, the weights of all leaves are halved and the tree is made anew.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator
from itertools import repeat

from discprep.archives.lha_bits import Bits, History, code_table

WINDOW_BYTES = 4096
SHORTEST, LONGEST = 3, 60  # bytes of a copy
SYMBOLS = 256 + LONGEST - SHORTEST + 1
ROOT = 2 * SYMBOLS - 2
FULL = 0x8000  # the root's weight
LOW_BITS = 6  # of a distance; the others have the fixed code
# Lengths of the codes for the upper six bits: one of 3, three of 4, eight of 5, …
FAR = code_table([3, *[4] * 3, *[5] * 8, *[6] * 12, *[7] * 24, *[8] * 16])


class Tree:
    """The code. Node 0 has the least weight, ROOT the greatest.

    Attributes:
        below: the first of a node's two children; of a leaf, its symbol less SYMBOLS, which is below zero
        weights: of the nodes, and one without end behind them
        above: the parent of each node
        leaves: the node of each symbol
    """

    def __init__(self) -> None:
        self.weights = [1] * SYMBOLS
        self.below = [symbol - SYMBOLS for symbol in range(SYMBOLS)]
        self.above = [0] * (ROOT + 1)
        self.leaves = list(range(SYMBOLS))
        self._grow()

    def _grow(self) -> None:
        """Inner nodes over the leaves, which are there in the order of their weights: each over the next two nodes,
        and put behind all that are no heavier."""
        weights, below = self.weights, self.below
        for first in range(0, ROOT, 2):
            weight = weights[first] + weights[first + 1]
            at = len(weights)
            while weights[at - 1] > weight:
                at -= 1
            weights.insert(at, weight)
            below.insert(at, first)
        weights.append(2 * FULL)
        for node, child in enumerate(below):
            if child < 0:
                self.leaves[child] = node
            else:
                self.above[child] = self.above[child + 1] = node

    def halve(self) -> None:
        """Halves the weights of the leaves, rounded up, and makes the tree anew."""
        nodes = [node for node in range(ROOT + 1) if self.below[node] < 0]
        self.weights = [(self.weights[node] + 1) // 2 for node in nodes]
        self.below = [self.below[node] for node in nodes]
        self._grow()

    def count(self, symbol: int) -> None:
        """Takes notice of a symbol that came."""
        if self.weights[ROOT] == FULL:
            self.halve()
        weights, below, above, leaves = self.weights, self.below, self.above, self.leaves
        node = leaves[symbol]
        while True:
            weight = weights[node] + 1
            if weights[node + 1] < weight:
                last = bisect_left(weights, weight, node + 2) - 1
                weights[last] = weight
                mine, other = below[node], below[last]
                below[node], below[last] = other, mine
                if mine < 0:
                    leaves[mine] = last
                else:
                    above[mine] = above[mine + 1] = last
                if other < 0:
                    leaves[other] = node
                else:
                    above[other] = above[other + 1] = node
                node = last
            else:
                weights[node] = weight
            if node == ROOT:
                return
            node = above[node]


def decode(chunks: Iterable[bytes], size_bytes: int) -> Iterator[bytes]:
    bits, history, tree = Bits(chunks), History(b" " * WINDOW_BYTES, size_bytes), Tree()
    while (left := history.left) > 0:
        # So few that neither the words at hand nor the member can end among them.
        _symbols(bits, history, tree, min(bits.load(4) // 2, max(left // LONGEST, 1)))
        bits.check()
        yield from history.pieces()


def _symbols(bits: Bits, history: History, tree: Tree, count: int) -> None:
    """Decodes `count` symbols; `bits` has two words for each at hand."""
    out = history.bytes
    for _ in repeat(None, count):
        kept, held = bits.kept, bits.held
        if held < 32:  # no leaf is so deep: the root's weight would be more
            kept = (kept & 0xFFFFFFFF) << 32 | bits.words[bits.at]
            bits.kept = kept
            bits.at += 1
            held += 32
        below, node = tree.below, ROOT
        while (node := below[node]) >= 0:
            held -= 1
            node += kept >> held & 1
        bits.held = held
        symbol = node + SYMBOLS
        tree.count(symbol)
        if symbol < 256:
            out.append(symbol)
        else:
            far = bits.symbol(FAR) << LOW_BITS
            history.copy((far | bits.take(LOW_BITS)) + 1, symbol - 256 + SHORTEST)
