"""The estimate for this server against downloads over the simulated line, 100 of them drawn at random."""

import random

from support.line_client import Setting, run

from discprep.link.escapes import count_escapes
from discprep.link.pull import file_seconds
from discprep.link.transfer import REPLY_BYTES
from discprep.model import BridgeSettings, LinkSettings


def test_within_two_percent_in_95_of_100() -> None:
    """Rates, protocols, MTUs, windows, sizes and the machine's habit drawn; the model is told what the line is."""
    rng = random.Random(5)
    near = 0
    for seed in range(100):
        setting = Setting(
            rate=rng.choice([9_600, 19_200, 38_400, 57_600, 115_200]), protocol=rng.choice(["slip", "cslip", "ppp"]),
            mtu=rng.choice([296, 576, 1006, 1500]), window=rng.choice([2048, 4096, 8192]),
            size=rng.randrange(10_000, 50_000), ack_every=rng.choice([1, 2]), head=REPLY_BYTES, seed=seed,
        )  # fmt: skip
        outcome = run(setting)
        assert outcome.whole
        link = LinkSettings(
            setting.rate, protocol=setting.protocol, mtu_bytes=setting.mtu, window_bytes=setting.window,
            round_trip_s=setting.answer_s, ack_every=setting.ack_every, accm=0, field_compression=True,
            header_compression=True,
        )  # fmt: skip
        bridge = BridgeSettings(setting.rate, address="192.0.2.1", machine_address="192.0.2.2")
        body = outcome.payload
        expected_s = file_seconds(link, bridge, None)(len(body), count_escapes([body]))
        near += abs(expected_s / outcome.seconds - 1) <= 0.02
    assert near >= 95
