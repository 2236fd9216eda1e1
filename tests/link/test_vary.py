"""Tables, curves and advice."""

from dataclasses import replace

import pytest

from discprep.link.advice import advise
from discprep.link.blocks import BLOCK_PROTOCOLS
from discprep.link.transfer import Transfer
from discprep.link.vary import VARY, Question, over
from discprep.model import BridgeSettings, LinkSettings, Profile

SLOW = Question(
    Transfer(100_000),
    LinkSettings(19_200, mtu_bytes=1500, window_bytes=2920, round_trip_s=0.4, name_lookup=False),
    BridgeSettings(19_200),
    Profile("m", serial_flow="rts-cts"),
)


def test_a_faster_line_is_faster_at_every_step() -> None:
    """Source: the line is the limit at MTU 296 and a wide window."""
    question = replace(SLOW, link=replace(SLOW.link, mtu_bytes=296, window_bytes=16_384))
    times = [point.seconds.expected for point in over(question, "baud", ["9600", "19200", "38400", "57600"])]
    assert times == sorted(times, reverse=True)
    assert times[0] / times[1] == pytest.approx(2, rel=0.05)


def test_protocols_of_both_kinds_stand_in_one_table() -> None:
    points = over(SLOW, "protocol", ["slip", "cslip", "zmodem"])
    assert [point.value for point in points] == ["slip", "cslip", "zmodem"]
    assert len({point.seconds.expected for point in points}) == 3


@pytest.mark.parametrize(
    ("key", "value"),
    [("speed", "1"), ("baud", "fast"), ("baud", "0"), ("mtu", "40"), ("protocol", "x25"), ("framing", "9N1"),
     ("ack-every", "3"), ("error-rate", "0.5"), ("latency-ms", "-1"), ("latency-ms", "nan"), ("files", "0")],
)  # fmt: skip
def test_what_cannot_vary_is_refused(key: str, value: str) -> None:
    with pytest.raises(ValueError, match=r"\w"):
        over(SLOW, key, [value])


def test_every_key_has_a_value_that_works() -> None:
    """No key of the table is dead: each changes the time or is told to the model."""
    values = {
        "baud": "9600", "framing": "8E1", "protocol": "cslip", "mtu": "576", "window": "8192", "latency-ms": "500",
        "round-trip-ms": "10", "error-rate": "1e-4", "ack-every": "2", "files": "9", "size-bytes": "5000",
        "accm": "ffffffff", "field-compression": "off", "header-compression": "off", "turnaround-ms": "3",
    }  # fmt: skip
    assert set(values) == set(VARY)
    ppp = replace(SLOW, link=replace(SLOW.link, protocol="ppp"))
    others = {"turnaround-ms": replace(SLOW, blocks=BLOCK_PROTOCOLS["xmodem"])}
    others |= dict.fromkeys(("accm", "field-compression", "header-compression"), ppp)
    for key, value in values.items():
        question = others.get(key, SLOW)
        assert over(question, key, [value])[0].seconds != question.seconds, key


def test_advice_keeps_its_word() -> None:
    """Each change, made, takes what the advice said; the largest saving stands first."""
    advice = advise(SLOW)
    assert {"baud", "protocol"} <= {one.what for one in advice}
    assert [one.saves_s for one in advice] == sorted((one.saves_s for one in advice), reverse=True)
    for one in advice:
        assert over(SLOW, one.what, [one.value])[0].seconds.expected == pytest.approx(one.expected_s)
        assert one.saves_s >= 0.02 * SLOW.seconds.expected


@pytest.mark.slow
def test_a_smaller_window_is_advised_where_it_helps() -> None:
    """At 9,600 bit/s a server's timer rings while eight large packets are queued (RFC 6298 (2.1): one second at first);
    two are not enough to queue so long. None is advised that no whole packet fits into."""
    queued = Question(Transfer(40_000), LinkSettings(9600, mtu_bytes=1006, window_bytes=8192), server="other")
    found = {one.what: one for one in advise(queued)}
    assert int(found["window"].value) in (2048, 4096)
    wide = replace(queued, link=replace(queued.link, mtu_bytes=4000))
    assert all(int(one.value) >= 3960 for one in advise(wide) if one.what == "window")


def test_block_protocols_get_no_advice_about_packets() -> None:
    assert advise(replace(SLOW, blocks=BLOCK_PROTOCOLS["xmodem"])) == ()
