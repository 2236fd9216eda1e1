"""The model against real TCP on settings drawn from a seed, the hard ones (low rates, large packets) among them.

    python tests/bench/link_rig.py [SEED] [CONGESTION_CONTROL] [OPTIONS]      as root, with /dev/net/tun

Prints each download, then how many lie within 5 % and inside the range, and what bytes times ten over baud would say.
The options change what every drawn line has; `--only` repeats some by their number, with nothing else under way.
"""

import argparse
import random
import sys
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from link.test_rig import modelled
from support.line_rig import LIMITS, Run, Setting, measure_all

WINDOWS, LATENCIES_S = [2, 3, 4, 6, 8], [0.01, 0.025, 0.05, 0.1, 0.15]


def parsed() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="The model against real TCP over a byte-clocked line.")
    parser.add_argument("seed", type=int, nargs="?", default=1)
    parser.add_argument("control", nargs="?", default="", help="the server's congestion control; the kernel's own")
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--only", type=int, nargs="+", metavar="NUMBER", help="of the drawn lines, from 1")
    parser.add_argument("--windows", type=int, nargs="+", default=WINDOWS, help="in segments, one is drawn")
    parser.add_argument("--latencies", type=float, nargs="+", default=LATENCIES_S, help="one way, in s; one is drawn")
    parser.add_argument("--buffer-packets", type=int, default=0, help="that the bridge holds; 0: any number")
    parser.add_argument("--limit", choices=LIMITS, default="small", help="how the client's window is limited")
    parser.add_argument("--error-rate", type=float, default=0.0, help="byte errors a byte, in both directions")
    parser.add_argument("--files", type=int, default=1, help="that the bytes are spread over, a connection each")
    return parser.parse_args()


def drawn(rng: random.Random, told: argparse.Namespace) -> Setting:
    rate, mtu = rng.choice([9600, 19_200, 38_400, 57_600, 115_200]), rng.choice([296, 576, 1006, 1500])
    setting = Setting(
        rate=rate, mtu=mtu, protocol=rng.choice(["slip", "cslip", "ppp"]),
        window=rng.choice(told.windows) * (mtu - 40), latency_s=rng.choice(told.latencies),
        size=int(rate * rng.uniform(0.8, 1.4)), control=told.control, joined=rng.random() < 0.5,
    )  # fmt: skip
    return replace(
        setting, size=setting.size // told.files, files=told.files, limit=told.limit, error_rate=told.error_rate,
        buffer_packets=told.buffer_packets,
    )  # fmt: skip


def compare(number: int, setting: Setting, run: Run) -> tuple[bool, bool, float]:
    """Prints one download; whether it is within 5 % and inside the range, and how far off the simple rule is."""
    measured, seconds = run.seconds, modelled(setting)
    off, held = seconds.expected / measured - 1, seconds.best <= measured <= seconds.worst
    dropped = f", {run.dropped} dropped" if setting.buffer_packets else ""
    print(f"{number:3} {setting.rate:6} {setting.protocol:5} {setting.mtu:4} W {setting.window:5} "
          f"{setting.latency_s:5} s {'joined' if setting.joined else 'apart '} {measured:7.2f} s, model "
          f"{seconds.best:7.2f} {seconds.expected:7.2f} {seconds.worst:7.2f} {off:+7.1%}{'' if held else ' OUT'}"
          f"{dropped}", flush=True)  # fmt: skip
    return abs(off) <= 0.05, held, setting.size * setting.files * 10 / setting.rate / measured - 1


def main() -> None:
    told = parsed()
    rng = random.Random(told.seed)
    settings = list(enumerate((drawn(rng, told) for _ in range(told.count)), 1))
    if told.only:
        settings = [(number, setting) for number, setting in settings if number in told.only]
    runs = measure_all([setting for _, setting in settings])
    found = [compare(number, setting, run) for (number, setting), run in zip(settings, runs, strict=True)]
    near, inside = sum(one[0] for one in found), sum(one[1] for one in found)
    rms = (sum(one[2] ** 2 for one in found) / len(found)) ** 0.5
    print(f"{near} of {len(found)} within 5 %, {inside} inside the range; ten bits a byte: {rms:.0%} r.m.s.")


if __name__ == "__main__":
    main()
