"""The real `serve` over a line made of time, with what it knows of the line and without, against the line's limit.

    python tests/bench/bounded_line.py [--seed N] [--count N] [--told-only]      as root, with /dev/net/tun

Eight settings, some drawn from a seed whose window holds the line's round trip, two clients at once, machines that
acknowledge every second segment or late, and a bridge that holds four packets. For each: the time over the limit, the
packets that went again, those that the bridge dropped, and the estimate's error. Run it as `chrt -f 10 …` on a busy
computer, so that the clock holds.
"""

import argparse
import random
import sys
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from support.line_rig import CLIENT, SERVER, Setting
from support.line_serve import Evening, evening, limit_s

LINES = [
    (9600, "slip", 1006, 4096, 5), (9600, "slip", 1500, 8192, 60), (19_200, "slip", 1500, 8192, 5),
    (19_200, "slip", 1006, 8192, 5), (38_400, "ppp", 1500, 8192, 20), (57_600, "cslip", 576, 4096, 40),
    (9600, "slip", 296, 2048, 30), (115_200, "slip", 1500, 8192, 5),
]  # fmt: skip
FILE_S = 25
TOGETHER = 10
_TOLD = {True: 'told', False: 'untold'}


@dataclass
class Case:
    name: str
    setting: Setting
    clients: int = 1


def setting(rate: int, protocol: str, mtu: int, window: int, one_way_ms: float, seconds: float = FILE_S) -> Setting:
    growth = 1.19 if protocol == "ppp" else 1.05
    size = int(rate / 10 * seconds / growth)
    return Setting(rate, protocol, mtu, window, one_way_ms / 1000, size, seed=rate + mtu + window)


def drawn(rng: random.Random) -> Setting:
    """A line whose window holds what the line carries in a round trip, and three segments more."""
    while True:
        rate = rng.choice([4800, 9600, 14_400, 19_200, 28_800, 38_400, 57_600, 115_200])
        mtu, window = rng.choice([296, 576, 1006, 1500]), rng.choice([2048, 4096, 6144, 8192, 16_384])
        one_way_ms = rng.choice([1, 5, 10, 20, 40, 60, 100, 150])
        if window >= 3 * (mtu - 40) + rate / 10 * (2 * one_way_ms / 1000 + 42 * 10 / rate):
            return setting(rate, rng.choice(["slip", "cslip", "ppp"]), mtu, window, one_way_ms)


def cases(seed: int, count: int) -> list[Case]:
    eight = [setting(*line) for line in LINES]
    rng = random.Random(seed)
    found = [Case("set", one) for one in eight] + [Case("drawn", drawn(rng)) for _ in range(count)]
    found += [Case("two clients", replace(one, size=one.size // 2), 2) for one in eight]
    found += [Case("acks for every second", replace(one, acks="second")) for one in eight]
    found += [Case("acks 0.2 s late", replace(one, acks="late")) for one in eight]
    found += [Case("bridge of 4 packets", replace(one, buffer_packets=4)) for one in eight]
    return found + [Case("over a minute", setting(*line, seconds=75)) for line in LINES[:3]]


def estimated_s(case: Case, *, told: bool) -> float:
    """What `estimate` says of the same download."""
    from discprep.link.transfer import Transfer, estimate
    from discprep.model import BridgeSettings, LinkSettings

    one = case.setting
    link = LinkSettings(
        one.rate, "8N1", one.protocol, one.mtu, one.window, 2 * one.latency_s, accm=one.accm, field_compression=False,
        header_compression=False, name_lookup=False,
    )  # fmt: skip
    bridge = BridgeSettings(one.rate, address=SERVER, machine_address=CLIENT)
    server = "own" if told else "other"
    return estimate(Transfer(one.size * case.clients), link, bridge, None, server=server).seconds.expected


def together(chosen: list[Case], told: bool) -> list[Evening]:
    """Some at a time; their lines start when all servers stand, so that no start disturbs a clock."""
    found: list[Evening] = []
    for at in range(0, len(chosen), TOGETHER):
        some = chosen[at : at + TOGETHER]
        stand = threading.Barrier(len(some))
        with ThreadPoolExecutor(len(some)) as pool:
            found += pool.map(lambda entry: one_run(*entry), [(case, told, stand, n) for n, case in enumerate(some)])
    return found


def one_run(case: Case, told: bool, stand: threading.Barrier, number: int) -> Evening:
    def ready() -> None:
        stand.wait()
        time.sleep(1 + 0.2 * number)

    with tempfile.TemporaryDirectory() as folder:
        return evening(case.setting, Path(folder), told=told, clients=case.clients, ready=ready)


def show(case: Case, told: bool, found: Evening) -> tuple[float, int, float]:
    one = case.setting
    took = max(pulled.seconds for pulled in found.pulled)
    limit = limit_s(one, found.pulled[0].head_bytes, case.clients)
    off = estimated_s(case, told=told) / took - 1
    print(f"{case.name:22} {_TOLD[told]:6} {one.rate:6} {one.protocol:5} {one.mtu:4} W {one.window:5} "
          f"{one.latency_s * 1000:4.0f} ms {took:7.2f} s, limit {limit:6.2f}, {took / limit:.3f}; again "
          f"{found.run.again:2}, dropped {found.run.dropped:2}, waiting {found.run.most_waiting:2}; estimate "
          f"{off:+.1%}", flush=True)  # fmt: skip
    return took / limit, found.run.again, off


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--told-only", action="store_true")
    parser.add_argument("--only", default="", help="a case's name")
    words = parser.parse_args()
    chosen = [case for case in cases(words.seed, words.count) if words.only in case.name]
    for told in (True,) if words.told_only else (True, False):
        results = [show(case, told, found) for case, found in zip(chosen, together(chosen, told), strict=True)]
        near = sum(abs(off) <= 0.03 for _, _, off in results)
        print(f"{'told' if told else 'untold'}: worst {max(r for r, _, _ in results):.3f} of the limit, "
              f"{sum(r <= 1.05 for r, _, _ in results)} of {len(results)} within 1.05, "
              f"{sum(a for _, a, _ in results)} packets again, estimate within 3 % in {near}")  # fmt: skip


if __name__ == "__main__":
    main()
