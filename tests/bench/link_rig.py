"""The model against real TCP on settings drawn from a seed, the hard ones (low rates, large packets) among them.

    python tests/bench/link_rig.py [SEED] [CONGESTION_CONTROL]      as root, with /dev/net/tun

Prints each download, then how many lie within 5 % and inside the range, and what bytes times ten over baud would say.
"""

import random
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from link.test_rig import modelled
from support.line_rig import Setting, measure_all

COUNT = 40


def drawn(rng: random.Random, control: str) -> Setting:
    rate, mtu = rng.choice([9600, 19_200, 38_400, 57_600, 115_200]), rng.choice([296, 576, 1006, 1500])
    return Setting(
        rate=rate, mtu=mtu, protocol=rng.choice(["slip", "cslip", "ppp"]),
        window=rng.choice([2, 3, 4, 6, 8]) * (mtu - 40), latency_s=rng.choice([0.01, 0.025, 0.05, 0.1, 0.15]),
        size=int(rate * rng.uniform(0.8, 1.4)), control=control, joined=rng.random() < 0.5,
    )  # fmt: skip


def main() -> None:
    rng = random.Random(int(sys.argv[1]) if len(sys.argv) > 1 else 1)
    settings = [drawn(rng, sys.argv[2] if len(sys.argv) > 2 else "") for _ in range(COUNT)]
    near = inside = 0
    simple = []
    for setting, run in zip(settings, measure_all(settings), strict=True):
        measured = run.seconds
        seconds = modelled(setting)
        off, held = seconds.expected / measured - 1, seconds.best <= measured <= seconds.worst
        near, inside = near + (abs(off) <= 0.05), inside + held
        simple.append(setting.size * 10 / setting.rate / measured - 1)
        print(f"{setting.rate:6} {setting.protocol:5} {setting.mtu:4} W {setting.window:5} {setting.latency_s:5} s "
              f"{'joined' if setting.joined else 'apart '} {measured:7.2f} s, model {seconds.best:7.2f} "
              f"{seconds.expected:7.2f} {seconds.worst:7.2f} {off:+7.1%}{'' if held else ' OUT'}")  # fmt: skip
    rms = (sum(value**2 for value in simple) / COUNT) ** 0.5
    print(f"{near} of {COUNT} within 5 %, {inside} inside the range; ten bits a byte: {rms:.0%} r.m.s.")


if __name__ == "__main__":
    main()
