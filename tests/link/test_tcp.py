"""Closed forms of TCP over the line. MB is 1,000,000 random bytes, 8N1, two ENDs a frame, unless said."""

from dataclasses import replace

import pytest
from support.links import window_rate

from discprep.link import tcp
from discprep.link.encapsulation import Encapsulation
from discprep.link.path import path_of
from discprep.link.transfer import Transfer, expected_case, parts_of
from discprep.model import LinkProtocol, LinkSettings


def settings(
    rate: int, mtu: int, protocol: LinkProtocol = "slip", round_trip_s: float = 0.05, framing: str = "8N1"
) -> LinkSettings:  # fmt: skip
    return LinkSettings(
        rate, framing=framing, protocol=protocol, mtu_bytes=mtu, window_bytes=10**6, round_trip_s=round_trip_s,
        name_lookup=False,
    )  # fmt: skip


def path(rate: int, mtu: int, protocol: LinkProtocol = "slip", round_trip_s: float = 0.05, d: int = 1) -> tcp.Path:
    return replace(path_of(settings(rate, mtu, protocol, round_trip_s), None, None), ack_every=d)


def line_s(link: LinkSettings, frame_bytes: float = 2.0, size_bytes: int = 1_000_000) -> float:
    """The file alone on the line: payload, headers, escapes, framing."""
    case = expected_case(link, None, None)
    wire = replace(case.path.encapsulation, frame_bytes=frame_bytes)
    case = replace(case, path=replace(case.path, encapsulation=wire))
    parts = parts_of(Transfer(size_bytes, reply_bytes=0), case, link)
    return sum(parts[name] for name in ("payload", "headers", "escapes", "framing"))


@pytest.mark.parametrize(("mtu", "mss"), [(296, 256), (576, 536), (1006, 966), (1500, 1460)])
def test_segment_size(mtu: int, mss: int) -> None:
    """V16. Source: RFC 879 part 3."""
    assert tcp.segment_size(mtu) == mss


@pytest.mark.parametrize(("mtu", "count"), [(1500, 685), (1006, 1036), (576, 1866), (296, 3907)])
def test_segments_of_a_megabyte(mtu: int, count: int) -> None:
    """V17: the framing part counts them, two bytes each. Source: arithmetic."""
    case = expected_case(settings(115_200, mtu), None, None)
    parts = parts_of(Transfer(1_000_000, reply_bytes=0), case, settings(115_200, mtu))
    assert parts["framing"] * 11_520 / 2 == pytest.approx(count)


def test_wire_bytes_of_a_megabyte() -> None:
    """V18, V19: D = E (B + n h) + n f. Source: RFC 1055, RFC 1144; arithmetic."""
    assert line_s(settings(115_200, 1500)) * 11_520 == pytest.approx(1_036_796.6, abs=0.1)
    assert line_s(settings(115_200, 1500), frame_bytes=1) * 11_520 == pytest.approx(1_036_111.6, abs=0.1)
    assert line_s(settings(115_200, 296, "cslip")) * 11_520 == pytest.approx(1_027_439.1, abs=0.1)


def test_time_on_the_line() -> None:
    """V20, V21, V40. Source: D / c."""
    assert line_s(settings(115_200, 1500)) == pytest.approx(90.000, abs=0.001)
    assert line_s(settings(115_200, 1500, framing="8E1")) == pytest.approx(98.9997, abs=0.001)
    assert line_s(settings(38_400, 296, "cslip")) == pytest.approx(267.562, abs=0.001)
    assert line_s(settings(115_200, 1500), size_bytes=100_000_000) == pytest.approx(8999.9, abs=1)


@pytest.mark.parametrize(
    ("rate", "mtu", "protocol", "seconds"),
    [(115_200, 1500, "slip", 0.13140), (38_400, 576, "slip", 0.15169), (19_200, 296, "cslip", 0.13699)],
)
def test_one_segment(rate: int, mtu: int, protocol: LinkProtocol, seconds: float) -> None:
    """V22. Source: (E (s + h) + f) / c."""
    assert path(rate, mtu, protocol).segment_wire_s == pytest.approx(seconds, abs=1e-5)


@pytest.mark.parametrize(("rate", "seconds"), [(38_400, 0.07414), (9600, 0.14655)])
def test_handshake(rate: int, seconds: float) -> None:
    """V23. Source: two packets of 44 bytes (RFC 9293 with the MSS option) and the round trip."""
    assert tcp.handshake_s(path(rate, 576)) == pytest.approx(seconds, abs=1e-5)


@pytest.mark.parametrize(
    ("protocol", "request_bytes", "answer_bytes", "close_bytes"),
    [("slip", 44 + 134, 44, 44 + 44), ("cslip", 45 + 95, 45, 6 + 45)],
)
def test_small_packets_before_the_data(
    protocol: LinkProtocol, request_bytes: int, answer_bytes: int, close_bytes: int
) -> None:
    """ACK and request of 90 bytes up, the server's ACK down, the last ACK and FIN up at the end, 9,600 bit/s. Source:
    wire bytes of a general-purpose kernel's packets as counted on the rig, at most 3 off for what happened to be
    escaped; under RFC 1144 the first of each direction and the FIN are whole (3.2.3), the last ACK had 6 to 9 bytes."""
    way = path(9600, 296, protocol)
    assert (tcp.request_s(way, 90) - way.round_trip_s) * 960 == pytest.approx(request_bytes, abs=4)
    assert tcp.answer_s(way) * 960 == pytest.approx(answer_bytes, abs=3)
    assert tcp.close_s(way) * 960 == pytest.approx(close_bytes, abs=4)


def test_name_look_up() -> None:
    """V24, for a name of 17 characters. Source: RFC 1035 3.1, 4.1 (from memory)."""
    assert tcp.query_bytes("www.files.example") == (63, 79)
    assert tcp.lookup_s(path(38_400, 576), "www.files.example") == pytest.approx(0.08831, abs=1e-5)


def test_initial_window() -> None:
    """V25. Source: RFC 6928 part 2; RFC 5681 3.1."""
    assert [tcp.initial_window(mss) for mss in (1460, 536, 256)] == [14_600, 5360, 2560]
    assert [tcp.initial_window_older(mss) for mss in (1460, 536)] == [3, 4]


@pytest.mark.parametrize(
    ("mtu", "segments", "round_trip_s", "d", "rate"),
    [
        (1500, 2, 0.2, 1, 8714.5),  # V26
        (1500, 2, 0.2, 2, 6259.8),
        (576, 4, 0.3, 1, 6052.4),  # V27
        (576, 4, 0.3, 2, 5296.4),
        (576, 1, 0.1, 2, 1513.1),
        (1500, 3, 0.2, 2, 8714.5),  # V28
    ],
)
def test_window_limits_the_rate(mtu: int, segments: int, round_trip_s: float, d: int, rate: float) -> None:
    """Source: window / round trip with the serialisation of d segments; RFC 1122 4.2.3.2 for d."""
    narrow = replace(path(115_200, mtu, round_trip_s=round_trip_s, d=d), window_bytes=segments * (mtu - 40))
    assert window_rate(narrow) == pytest.approx(rate, abs=0.5)


@pytest.mark.parametrize(
    ("rate", "mtu", "protocol", "d", "resent"),
    [
        (57_600, 1500, "slip", 1, True),
        (38_400, 576, "slip", 1, False),
        (9600, 296, "cslip", 1, False),
        (38_400, 576, "slip", 2, True),
        (115_200, 1006, "slip", 2, False),
    ],
)
def test_needless_retransmission(rate: int, mtu: int, protocol: LinkProtocol, d: int, resent: bool) -> None:
    """V29: classified as real TCP was seen to do. Source: RFC 6298 2.2 with the variance term at 0.2 s or more."""
    assert tcp.resends_needlessly(path(rate, mtu, protocol, d=d)) is resent


def test_first_timeout() -> None:
    """V30. Source: as above; the cap on a packet keeps d segments within 0.2 s (RFC 1144 part 2)."""
    for rate, seconds in ((115_200, 0.2580), (38_400, 0.2741), (9600, 0.4396)):
        assert tcp.first_timeout_s(path(rate, 576)) == pytest.approx(seconds, abs=1e-4)


def test_losses() -> None:
    """V31: p and the number of losses of a megabyte. Source: 1 - (1 - e)^F."""
    loss = tcp.segment_loss(path(115_200, 1500), 1e-5)
    assert loss * 100 == pytest.approx(1.502, abs=0.001)
    assert 685 * loss / (1 - loss) == pytest.approx(10.45, abs=0.01)


@pytest.mark.parametrize(("data", "efficiency"), [(40, 0.833), (192, 0.960), (568, 0.986)])
def test_efficiency_of_compressed_headers(data: int, efficiency: float) -> None:
    """V34. Source: RFC 1144 5.2: headers of 4, link bytes of 4, nothing escaped."""
    wire = Encapsulation(1, 1, 4, segment_header=4, ack_header=4, full_header=40, compressed=True)
    assert data / wire.segment_bytes(data) == pytest.approx(efficiency, abs=0.001)


def test_a_small_window_makes_smaller_segments() -> None:
    """Source: RFC 1122 4.2.3.4, half of the largest window; below the default MSS the whole of it."""
    assert tcp.sent_segment_size(1500, 8760) == 1460
    assert tcp.sent_segment_size(1500, 2048) == 1024
    assert tcp.sent_segment_size(1500, 512) == 512
    assert tcp.sent_segment_size(1500, 1) == 1
