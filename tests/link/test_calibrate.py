"""A stopwatch against the model."""

import pytest

from discprep.link.calibrate import Measured, calibrate, calibrated, parse_measured
from discprep.model import Seconds


def model(size_bytes: int) -> Seconds:
    """Ten bytes a second, 10 % faster to 50 % slower."""
    expected = size_bytes / 10
    return Seconds(0.9 * expected, expected, 1.5 * expected, (("payload", expected),))


def test_a_measurement_moves_the_expected_value_and_narrows_the_range() -> None:
    """Measured half way to the worst: another size is expected half way to its worst."""
    calibration, notices = calibrate([Measured(1000, 125.0)], model)
    after = calibrated(model(5000), calibration)
    assert not notices
    assert after.expected == pytest.approx(625)
    assert 500 < after.best < 625 < after.worst < 750
    assert sum(value for _, value in after.parts) == pytest.approx(after.expected)


def test_several_measurements_span_the_range() -> None:
    """The range holds each of them."""
    calibration, _ = calibrate([Measured(1000, 110.0), Measured(1000, 120.0), Measured(1000, 140.0)], model)
    after = calibrated(model(1000), calibration)
    assert after.expected == pytest.approx(120)
    assert after.best <= 110 and after.worst >= 140


@pytest.mark.parametrize(
    ("elapsed_s", "cause"), [(200.0, "overrun"), (50.0, "set higher than told")]
)
def test_what_no_setting_explains_is_called_out(elapsed_s: float, cause: str) -> None:
    """With likely causes; the measurement is still followed."""
    calibration, notices = calibrate([Measured(1000, elapsed_s)], model)
    assert cause in str(notices[0])
    assert calibrated(model(2000), calibration).expected == pytest.approx(2 * elapsed_s)


def test_bytes_and_seconds_are_read() -> None:
    assert parse_measured("412331:78.5") == Measured(412_331, 78.5)


@pytest.mark.parametrize("text", ["", "5", "5:", ":5", "0:5", "5:0", "-5:5", "5:nan", "5:inf", "a:b", "1:2:3"])
def test_what_is_no_measurement_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="BYTES:SECONDS"):
        parse_measured(text)
