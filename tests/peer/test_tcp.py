"""Downloads over a simulated line in virtual time: exact bytes, near the limit, nothing sent again without need."""

from dataclasses import replace

import pytest
from support.line_client import Setting, limit_s, run

LINES = [(rate, mtu, window) for rate in (9_600, 115_200) for mtu in (296, 1500) for window in (2048, 8192)]


@pytest.mark.parametrize("protocol", ["slip", "cslip", "ppp"])
def test_a_clean_line_is_used_to_its_limit(protocol: str) -> None:
    """At most 1.03 of the least time that the line can take, and no byte twice."""
    for rate, mtu, window in LINES:
        setting = Setting(rate, protocol, mtu, window, size=60_000)
        outcome = run(setting)
        assert outcome.whole and outcome.again == 0
        assert outcome.seconds <= 1.03 * limit_s(setting, outcome.payload), setting


def test_the_line_never_waits_for_a_number_that_rounds() -> None:
    """Asked at the very moment at which it wants more, it gets more, however that moment's number is rounded."""
    setting = Setting(115_200, "ppp", 576, 4096)
    outcome = run(setting)
    assert outcome.seconds <= 1.005 * limit_s(setting, outcome.payload)


@pytest.mark.parametrize("protocol", ["slip", "ppp"])
def test_a_computer_that_wakes_us_late(protocol: str) -> None:
    """Up to 0.12 s late, four times what the line holds at first: it holds more then, and nothing is sent again."""
    setting = Setting(115_200, protocol, 576, 4096, size=100_000, late_s=0.12)
    outcome = run(setting)
    assert outcome.whole and outcome.again == 0
    assert outcome.seconds <= 1.02 * limit_s(setting, outcome.payload)


@pytest.mark.parametrize("protocol", ["slip", "cslip", "ppp"])
@pytest.mark.parametrize("keeps", [True, False])
def test_errors_cost_little(protocol: str, keeps: bool) -> None:
    """A byte error in 100,000: the mean of a few lines is near the limit, whether or not the machine keeps what comes
    behind a gap, and every byte is exact."""
    spent = least = 0.0
    for seed in range(1, 5):
        setting = Setting(57_600, protocol, 576, 4096, size=100_000, error_rate=1e-5, keeps=keeps, seed=seed)
        outcome = run(setting)
        assert outcome.whole
        spent, least = spent + outcome.seconds, least + limit_s(setting, outcome.payload)
    assert spent <= 1.06 * least


@pytest.mark.parametrize("protocol", ["slip", "cslip", "ppp"])
@pytest.mark.parametrize("error_rate", [1e-4, 6e-4])
def test_a_bad_line_gives_exact_bytes(protocol: str, error_rate: float) -> None:
    """5 and 30 % of the packets hurt (576 bytes): slower, and exact all the same."""
    setting = Setting(57_600, protocol, 576, 4096, size=30_000, error_rate=error_rate, seed=3)
    outcome = run(setting)
    assert outcome.whole


@pytest.mark.parametrize("protocol", ["slip", "cslip", "ppp"])
@pytest.mark.parametrize("rate", [9_600, 115_200])
def test_a_stall_costs_no_burst(protocol: str, rate: int) -> None:
    """The machine reads nothing for 10 s: one segment is tried now and then, and afterwards nothing is made up for
    twice."""
    setting = Setting(rate, protocol, 576, 4096, pause_s=(3.0, 13.0))
    outcome = run(setting)
    plain = run(replace(setting, pause_s=None))
    assert outcome.whole
    assert outcome.again <= 7
    assert outcome.seconds <= plain.seconds + 11


def test_acknowledgements_that_come_late_bring_no_repeats() -> None:
    """Every second segment acknowledged, or after 0.2 s (RFC 1122 4.2.3.2), or a machine that thinks for a while."""
    for delay in (0.05, 0.5):
        for every in (1, 2, 4):
            outcome = run(Setting(38_400, "cslip", 576, 4096, ack_every=every, answer_s=delay))
            assert outcome.whole and outcome.in_vain == 0 and outcome.again == 0, (delay, every)


@pytest.mark.parametrize("mtu", [68, 90])
def test_no_packet_is_larger_than_the_smallest_mtu(mtu: int) -> None:
    """RFC 791 3.1: 68 bytes is what every link carries; 28 bytes of a file go into it, fewer than we would take as a
    machine's wish."""
    outcome = run(Setting(9_600, "slip", mtu, 2048, size=1400, zeros=True))
    segments = -(-1400 // (mtu - 40))
    assert outcome.whole and outcome.wire_bytes >= 1400 + segments * 42
