"""Who follows an advice waits no longer and gets no new trouble; who follows a note is rid of what it tells."""

import random
import re
from collections.abc import Iterator
from dataclasses import replace

import pytest

from discprep.link import advice, stepping
from discprep.link.advice import advise, told, troubles_of
from discprep.link.blocks import BLOCK_PROTOCOLS
from discprep.link.line import STANDARD_RATES_BIT_S
from discprep.link.transfer import Transfer
from discprep.link.trouble import SLOWER, worse
from discprep.link.vary import VARY, Question
from discprep.model import BridgeSettings, LinkSettings, Profile

NAMED = {
    "baud": r"(?:Set both(?: ends)? to|A rate of) ([0-9,]+)",
    "mtu": r"An MTU of ([0-9,]+)",
    "window": r"A receive window of ([0-9,]+)",
    "protocol": r"^(cslip) on both ends",
    "framing": r"^(8N1) on both ends",
    "accm": r"A map of ([0-9a-f]{8})",
}


def drawn(seed: int) -> Question:
    """A link as one might find it, not always a good one."""
    at = random.Random(seed)
    rate = at.choice([rate for rate in STANDARD_RATES_BIT_S if rate >= 1200])
    clocks = [(None, None), (1_843_200, "16n"), (3_546_895, "n+1"), (8_000_000, "16n/16"), (16_000_000, "16n")]
    flows = ["none", "rts-cts", "rts-cts", "xon-xoff"]
    flow = at.choice(flows)
    link = LinkSettings(
        rate, at.choice(["8N1", "8N1", "8E1"]), at.choice(["slip", "slip", "cslip", "ppp"]),  # type: ignore[arg-type]
        at.choice([296, 576, 1006, 1500, at.randint(100, 1500)]), at.choice([None, 1024, 2048, 4096, 16_384]),
        at.choice([0.005, 0.06, 0.4]), ack_every=at.choice([None, 1, 2]), error_rate=at.choice([0.0, 0.0, 1e-5]),
        accm=at.choice([None, 0, 0xFFFFFFFF]), field_compression=at.choice([None, False]),
        header_compression=at.choice([None, False]), name_lookup=False,
    )  # fmt: skip
    clock = at.choice(clocks)
    bridge = BridgeSettings(
        rate, link.framing, *clock, flow=at.choice([None, flow, at.choice(flows)]),  # type: ignore[arg-type]
        buffer_packets=at.choice([None, None, 3, 8]),
    )  # fmt: skip
    clock = at.choice(clocks)
    profile = Profile(
        "m", serial_clock_hz=clock[0], serial_divider=clock[1], serial_fifo=at.choice([1, 16]), serial_flow=flow,  # type: ignore[arg-type]
        serial_service_s=at.choice([None, 100e-6, 400e-6]), serial_auto_rts=at.random() < 0.3,
    )  # fmt: skip
    size = at.choice([3000, 20_000, 60_000])
    return Question(Transfer(size), link, bridge, at.choice([None, profile]), server=at.choice(["own", "other"]))


def following(question: Question, key: str, value: str) -> Question:
    return VARY[key](question, value.replace(",", ""))


def forget() -> None:
    stepping.course.cache_clear()
    advice._options.cache_clear()


@pytest.fixture
def short_courses(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The model steps through the first packets only: what is judged here is the advice, not the model."""
    monkeypatch.setattr(stepping, "STEPPED_SEGMENTS", 12)
    forget()
    yield
    forget()


@pytest.mark.usefixtures("short_courses")
@pytest.mark.parametrize("part", range(5))
def test_no_advice_hurts(part: int) -> None:
    """500 links: every change that is offered saves what it says and brings no trouble; every note's value rids of the
    trouble and brings none; and no note names a value that the table beside it withdraws."""
    followed = 0
    for seed in range(100 * part, 100 * part + 100):
        question = drawn(seed)
        before, now_s = told(question), question.expected_s
        kinds = {one.kind for one in before}
        table = {one.what: one.value for one in advise(question)}
        for what, value in table.items():
            after = following(question, what, value)
            assert after.expected_s < now_s, (seed, what)
            assert not worse(troubles_of(after), before), (seed, what)
        for trouble in before:
            for key, pattern in NAMED.items():
                found = re.search(pattern, trouble.notice.hint)
                if found:
                    followed += 1
                    after = following(question, key, found[1])
                    assert trouble.kind not in {one.kind for one in troubles_of(after)}, (seed, trouble)
                    more = re.search(r"Together with an? (MTU|receive window) of ([0-9]+)", trouble.notice.hint)
                    if more:
                        after = following(after, "mtu" if more[1] == "MTU" else "window", more[2])
                    if "sent again needlessly then" not in trouble.notice.hint:
                        assert not worse(troubles_of(after), before), (seed, trouble)
                    else:
                        assert all(one.weight <= SLOWER for one in troubles_of(after) if one.kind not in kinds)
                    if trouble.kind in ("resend", "overflow"):
                        assert after.expected_s <= now_s, (seed, trouble)
                    if not any(one.impossible for one in before):
                        assert table.get(key, found[1].replace(",", "")) == found[1].replace(",", ""), (seed, trouble)
    assert followed > 15


def test_what_costs_more_than_it_saves_is_not_named() -> None:
    """At 38,400 bit/s and 60 ms packets of 1,500 bytes may be sent again; smaller ones cost more headers than that."""
    question = Question(
        Transfer(200_000), LinkSettings(38_400, mtu_bytes=1500, window_bytes=8192, name_lookup=False),
        BridgeSettings(38_400), None, server="other",
    )  # fmt: skip
    assert not any(one.what == "mtu" and int(one.value) < 1500 for one in advise(question))
    for trouble in told(question):
        found = re.search(r"MTU of ([0-9]+)", trouble.notice.hint)
        assert not found or following(question, "mtu", found[1]).expected_s <= question.expected_s


def test_what_ppp_usually_gives_is_offered_where_less_is_set() -> None:
    """RFC 1662 7.1: a map of all controls costs an eighth of random bytes; under XON/XOFF 11 and 13 stay in it."""
    link = LinkSettings(38_400, protocol="ppp", mtu_bytes=576, window_bytes=4096, accm=0xFFFFFFFF,
                        field_compression=False, header_compression=False, name_lookup=False)  # fmt: skip
    found = {one.what: one.value for one in advise(Question(Transfer(60_000), link))}
    assert found["accm"] == "00000000" and found["header-compression"] == "on"
    taken = Profile("m", serial_flow="xon-xoff")
    found = {one.what: one.value for one in advise(Question(Transfer(60_000), link, None, taken))}
    assert found["accm"] == "000a0000"
    usual = Question(Transfer(60_000), LinkSettings(38_400, protocol="ppp", mtu_bytes=576, window_bytes=4096))
    assert not {"accm", "header-compression", "field-compression"} & {one.what for one in advise(usual)}


def test_an_impossible_link_gets_no_hints_for_speed() -> None:
    """First it must work at all."""
    hangs = Question(Transfer(9000), LinkSettings(9600, mtu_bytes=1500), None, Profile("m", serial_flow="xon-xoff"))
    assert advise(hangs) == ()
    assert advise(replace(hangs, profile=None))
    assert advise(replace(hangs, profile=None, blocks=BLOCK_PROTOCOLS["xmodem"])) == ()
