"""A connection stepped through: what cannot be, and agreement with the closed form."""

import dataclasses
import itertools

import pytest
from support.links import window_rate

from discprep.link import tcp
from discprep.link.events import Clock, Line
from discprep.link.path import path_of
from discprep.link.receiver import EACH_SEGMENT, EVERY_SECOND, AckHabit, Receiver, usual_habit
from discprep.link.sender import RoundTrips, SenderHabit
from discprep.link.stepping import course
from discprep.model import LinkSettings

USUAL = usual_habit(0.1, RoundTrips(0.1).timeout_s, 8)
SENDERS = [
    SenderHabit(paced, apart, older) for paced, apart, older in itertools.product((False, True), repeat=3)
]


def path(rate: int, mtu: int, window: int, round_trip_s: float) -> tcp.Path:
    return path_of(LinkSettings(rate, mtu_bytes=mtu, window_bytes=window, round_trip_s=round_trip_s), None, None)


@pytest.mark.parametrize("sender", SENDERS, ids=str)
@pytest.mark.parametrize("habit", [EACH_SEGMENT, EVERY_SECOND, USUAL], ids=["1", "2", "usual"])
@pytest.mark.parametrize(
    ("rate", "mtu", "window", "round_trip_s"),
    [(1200, 1500, 8760, 0.01), (9600, 1500, 4096, 0.02), (19_200, 1500, 8192, 0.02), (38_400, 1006, 2048, 0.3),
     (115_200, 576, 536, 0.1), (115_200, 1500, 65_535, 0.01), (9600, 68, 1, 0.0)],
)  # fmt: skip
def test_every_connection_gets_on(
    sender: SenderHabit, habit: AckHabit, rate: int, mtu: int, window: int, round_trip_s: float
) -> None:
    """No state is a dead end; bytes and times rise, nothing arrives before the line can carry it."""
    way = path(rate, mtu, window, round_trip_s)
    found = course(way, sender, habit, 200)
    assert list(found.bytes_) == sorted(set(found.bytes_))
    assert list(found.arrived_s) == sorted(found.arrived_s)
    assert found.arrived_s[-1] >= found.bytes_[-1] / way.down_char_s
    assert found.resent_s[-1] <= found.arrived_s[-1]


@pytest.mark.parametrize("sender", SENDERS, ids=str)
@pytest.mark.parametrize("room", [1, 2, 4])
def test_every_connection_gets_on_through_a_small_bridge(sender: SenderHabit, room: int) -> None:
    """As above where the bridge drops packets; a drop takes no time of the line, so that it cannot beat it either."""
    for rate, mtu, window in ((9600, 1500, 8760), (57_600, 296, 2048), (115_200, 1006, 7728)):
        way = dataclasses.replace(path(rate, mtu, window, 0.05), buffer_packets=room)
        found = course(way, sender, USUAL, 200)
        assert list(found.bytes_) == sorted(set(found.bytes_)) and len(found.bytes_) > 100
        assert list(found.arrived_s) == sorted(found.arrived_s)
        assert found.arrived_s[-1] >= found.bytes_[-1] / way.down_char_s
        assert found.resent_s[-1] <= found.arrived_s[-1]


def test_a_bridge_with_room_drops_nothing() -> None:
    """Source: counting: the answer and a window of four segments are five packets."""
    way = path(57_600, 576, 2144, 0.05)
    for sender in SENDERS:
        roomy = course(dataclasses.replace(way, buffer_packets=6), sender, USUAL, 200)
        assert roomy == course(way, sender, USUAL, 200)


def test_a_line_without_room_drops() -> None:
    """Two places, one of them on the wire: of three things at once the last is dropped, until one has left."""
    clock, there = Clock(), []
    line = Line(clock, 0.0, 0.0, room=2)
    taken = [line.carry(1.0, lambda name=name: there.append(name)) for name in "abc"]  # type: ignore[misc]
    clock.at(1.0, lambda: taken.append(line.carry(1.0, lambda: there.append("d"))))
    clock.run(until=lambda: False)
    assert taken == [True, True, False, True] and there == ["a", "b", "d"] and clock.now == 3.0


@pytest.mark.parametrize(("segments", "quick"), [(1, 2), (3, 1), (4, 2), (8, 4), (100, 16)])
def test_half_a_window_is_acknowledged_one_by_one_at_first(segments: int, quick: int) -> None:
    """Source: acknowledgements of a general-purpose kernel with small buffers as seen on the rig: 3, 4 and 8 segments
    had 1, 2 and 4 of them; 16 are the most, 2 with a window of one segment (the kernel's source, from memory)."""
    assert usual_habit(0.1, 0.4, segments).quick == quick


def test_what_lies_beyond_a_gap_is_kept_and_answered_at_once() -> None:
    """Source: RFC 5681 4.2: a duplicate acknowledgement at once for each segment beyond a gap, and one at once when
    the gap is filled."""
    told: list[int] = []
    receiver = Receiver(Clock(), 100, 1000, EVERY_SECOND, told.append)
    for start in (0, 100, 300, 500, 200, 400):
        receiver.take(start, start + 100)
    assert told == [200, 200, 200, 400, 600]


@pytest.mark.parametrize("d", [1, 2])
@pytest.mark.parametrize("segments", [2, 4, 6])
def test_small_windows_run_at_the_closed_form_s_rate(d: int, segments: int) -> None:
    """Source: the closed form of window-limited rates, checked against real TCP to 1.2 % (the sheet's 4.3)."""
    way = path(115_200, 576, 536 * segments, 0.3)
    found = course(way, SenderHabit(paced=False), EACH_SEGMENT if d == 1 else EVERY_SECOND, 200)
    rate = (found.bytes_[-1] - found.bytes_[200]) / (found.arrived_s[-1] - found.arrived_s[200])
    closed = window_rate(tcp.Path(way.down_char_s, way.up_char_s, way.encapsulation, 536, 536 * segments, 0.3, d))
    assert rate == pytest.approx(closed, rel=0.02)


@pytest.mark.parametrize(("mtu", "window"), [(296, 512), (576, 1072), (1006, 1932)])
def test_a_window_of_two_segments_is_acknowledged_one_by_one(mtu: int, window: int) -> None:
    """Long after the first quick ones: a segment is half of such a window, and half is told at once when it is read
    (RFC 1122 4.2.3.3). Source: the closed form with d = 1; a general-purpose kernel with such buffers sent 112
    acknowledgements for 112 segments."""
    way = path(115_200, mtu, window, 0.4)
    found = course(way, SenderHabit(paced=False), USUAL, 200)
    rate = (found.bytes_[-1] - found.bytes_[200]) / (found.arrived_s[-1] - found.arrived_s[200])
    assert rate == pytest.approx(window_rate(dataclasses.replace(way, ack_every=1)), rel=0.02)


def test_one_needless_timeout_costs_one_segment_when_it_is_doubted() -> None:
    """Source: RFC 5682: the first acknowledgement of what was sent but once clears the timeout."""
    way = path(38_400, 1500, 65_535, 0.05)
    doubting = course(way, SenderHabit(paced=False), EACH_SEGMENT, 200)
    older = course(way, SenderHabit(paced=False, older=True), EACH_SEGMENT, 200)
    assert doubting.resent_s[-1] == pytest.approx(way.segment_wire_s)
    assert older.resent_s[-1] > doubting.resent_s[-1]


def test_the_timeout_follows_the_standard_when_round_trips_are_steady() -> None:
    """Source: RFC 6298 2.2 and 2.3; after many equal round trips only the floor of 0.2 s remains of the variance."""
    trips = RoundTrips(0.5)
    assert trips.timeout_s == pytest.approx(1.5)
    for count in range(400):
        trips.measure(0.5, count * 10 + 10, count * 10 + 20)
    assert trips.timeout_s == pytest.approx(0.7, abs=0.01)
