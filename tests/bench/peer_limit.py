"""How near the own sender comes to what the line can carry: 4 rates x 4 MTUs x 3 windows with SLIP, compressed SLIP and
PPP, in virtual time against a simulated machine.

The limit is the wire time of handshake, request and the file in full segments with the smallest headers of the
protocol. `--errors 1e-5` hurts bytes in both directions (mean of `--seeds` runs a setting).
"""

import argparse
import statistics
import sys
from itertools import product
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from support.line_client import Setting, limit_s, run

RATES, MTUS, WINDOWS = (9_600, 19_200, 57_600, 115_200), (296, 576, 1006, 1500), (2048, 4096, 8192)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--errors", type=float, default=0.0)
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--size", type=int, default=100_000)
    parser.add_argument("--drops", action="store_true", help="the machine keeps nothing behind a gap")
    parser.add_argument("--ack-every", type=int, default=1)
    options = parser.parse_args()
    worst = 0.0
    for protocol in ("slip", "cslip", "ppp"):
        ratios, again = [], 0
        for rate, mtu, window in product(RATES, MTUS, WINDOWS):
            mine = []
            for seed in range(1, options.seeds + 1):
                setting = Setting(
                    rate, protocol, mtu, window, options.size, error_rate=options.errors, seed=seed,
                    keeps=not options.drops, ack_every=options.ack_every,
                )  # fmt: skip
                outcome = run(setting)
                assert outcome.whole, setting
                mine.append(outcome.seconds / limit_s(setting, outcome.payload))
                again += outcome.again
            ratios.append((statistics.mean(mine), rate, mtu, window))
        values = [ratio for ratio, *_ in ratios]
        top, *where = max(ratios)
        worst = max(worst, top)
        print(
            f"{protocol:6} {len(values)} settings: {min(values):.4f} to {top:.4f} of the limit, "
            f"middle {statistics.median(values):.3f}; most at {where}; sent again: {again}"
        )
    print(f"most: {worst:.3f}")


main()
