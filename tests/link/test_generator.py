"""Line rates as real clocks make them."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from discprep.link.generator import generate
from discprep.model import Divider

# clock, divider, rate, divisor, actual or None, error %, tolerance of actual; V03 to V08
MADE = [
    (1_843_200, "16n", 110, 1047, None, 0.026),  # V03: 16550-type data sheet, divisor table (magnitudes)
    (1_843_200, "16n", 134.5, 857, None, -0.058),
    (1_843_200, "16n", 2000, 58, None, -0.690),
    (1_843_200, "16n", 56_000, 2, None, 2.857),
    (3_546_895, "n+1", 115_200, 30, 114_416.0, -0.681),  # V04: clock / (n + 1)
    (3_546_895, "n+1", 230_400, 14, 236_459.7, 2.630),  # V05
    (3_579_545, "n+1", 230_400, 15, None, -2.899),  # V06
    (3_579_545, "n+1", 38_400, 92, None, 0.234),
    (16_000_000, "16n/16", 115_200, 8.6875, 115_107.9, -0.080),  # V07: RM0390 table 149
    (8_000_000, "16n/16", 230_400, 2.1875, 228_571.4, -0.794),  # V08: RM0390 table 151
    (16_000_000, "16n", 57_600, 17, None, 2.124),  # the sheet's 2.3, computed there
    (16_000_000, "16n", 115_200, 9, None, -3.549),
]


@pytest.mark.parametrize(("clock", "divider", "rate", "divisor", "actual", "percent"), MADE)
def test_published_divisors(
    clock: int, divider: Divider, rate: float, divisor: float, actual: float | None, percent: float
) -> None:
    """Divisor, rate and signed error."""
    made = generate(clock, divider, rate)
    assert made.divisor == divisor
    assert made.error * 100 == pytest.approx(percent, abs=0.0011)
    if actual:
        assert made.actual_bit_s == pytest.approx(actual, abs=0.1)


@settings(max_examples=200, derandomize=True)
@given(
    st.integers(1_000_000, 50_000_000),
    st.sampled_from(["n", "n+1", "16n", "16n/16"]),
    st.sampled_from([1200, 9600, 19_200, 57_600]),
)
def test_no_neighbour_is_closer(clock: int, divider: Divider, rate: int) -> None:
    """Source: the definition of the closest divisor; a second way to compute it, by trying the neighbours."""
    made = generate(clock, divider, rate)
    step = 1 / 16 if divider == "16n/16" else 1
    least = {"n": 1, "n+1": 0, "16n": 1, "16n/16": 1}[divider]
    for divisor in (made.divisor - step, made.divisor + step):
        if divisor >= least:
            denominator = {"n": divisor, "n+1": divisor + 1}.get(divider, 16 * divisor)
            assert abs(made.error) <= abs(clock / denominator / rate - 1) + 1e-12
