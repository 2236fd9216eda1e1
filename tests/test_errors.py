"""Exit codes (design: 2 before 1 before 3, 4 our own bug) and the shape of a fault."""

import pytest

from discprep import errors as e


@pytest.mark.parametrize(
    ("faults", "code"),
    [
        ([], 0),
        ([e.FetchError("x")], 3),
        ([e.FetchError("x"), e.IntegrityError("y")], 1),
        ([e.FetchError("x"), e.IntegrityError("y"), e.ManifestError("z")], 2),
        ([e.ManifestError("z"), e.DiscprepError("bug")], 4),
        ([e.Faults([e.FetchError("x"), e.Faults([e.UsageError("u")])])], 2),
    ],
)
def test_exit_code(faults: list[e.DiscprepError], code: int) -> None:
    assert e.exit_code(faults) == code


def test_a_fault_reads_from_the_outside_in() -> None:
    assert str(e.IntegrityError("too short", where="a.lha: x", item="tools")) == "a.lha: x: [tools] too short"


def test_raise_all() -> None:
    one, two = e.UsageError("1"), e.UsageError("2")
    e.raise_all([])
    with pytest.raises(e.UsageError):
        e.raise_all([one])
    with pytest.raises(e.Faults) as caught:
        e.raise_all([one, two])
    assert caught.value.errors == (one, two) and caught.value.exit_code == 2
    with pytest.raises(ValueError, match="at least one"):
        e.Faults([])
