"""The machine's text form. Charset facts come from Python's codecs (code page 437: 0x81 is ü, Unicode's mapping table
CP437.TXT); newline forms are common practice, no source."""

import pytest
from hypothesis import given, seed
from hypothesis import strategies as st

from discprep.disc.textform import approximate, decode, line_numbers, machine_text, to_lf
from discprep.errors import EditError
from discprep.model import Profile

DOS = Profile("desk", charset="cp437", newline="\r\n", end_mark="\x1a")
OTHER = Profile("lamp", charset="latin-1", newline="\n")
CR = Profile("clock", charset="ascii", newline="\r")


@pytest.mark.parametrize(
    ("data", "profile", "expected"),
    [
        pytest.param("für\nalle\n".encode(), DOS, b"f\x81r\r\nalle\r\n\x1a", id="utf-8 to cp437"),
        pytest.param(b"f\x81r\r\n\x1a\x1a", DOS, b"f\x81r\r\n\x1a", id="one end mark"),
        pytest.param("für\r\nalle\r".encode(), OTHER, b"f\xfcr\nalle\n", id="utf-8 to latin-1"),
        pytest.param(b"a\r\nb\rc\nd\x1a", CR, b"a\rb\rc\rd", id="mixed to cr"),
        pytest.param(b"", OTHER, b"", id="empty"),
        pytest.param("\ufeffx\n".encode(), OTHER, b"x\n", id="mark dropped"),
        pytest.param("für\n".encode("utf-16"), DOS, b"f\x81r\r\n\x1a", id="utf-16"),
    ],
)
def test_conversion(data, profile, expected):
    """Charset, newline and end mark become the machine's."""
    assert machine_text(data, profile, where="readme", item="x") == expected


def test_what_the_charset_lacks_is_named():
    """Each character with its code point, name and lines; the file and the item too."""
    with pytest.raises(EditError) as caught:
        machine_text("a €\nb\n→ €\n".encode(), CR, where="readme", item="guide")
    assert "'€' (U+20AC EURO SIGN) in lines 1, 3" in caught.value.message
    assert "'→' (U+2192 RIGHTWARDS ARROW) in line 3" in caught.value.message
    assert (caught.value.where, caught.value.item) == ("readme", "guide")


def test_many_lacking_characters_and_lines_are_counted():
    """Eight are told, the rest counted; the same for lines (the numbers are the tool's own choice)."""
    with pytest.raises(EditError, match="and 2 more;"):
        machine_text("àèìòùáéíóú".encode(), CR, where="readme", item="guide")
    assert line_numbers([3]) == "line 3"
    assert line_numbers([*range(1, 9), 8]) == "lines 1, 2, 3, 4, 5, 6, 7, 8"
    assert line_numbers(range(1, 10)) == "lines 1, 2, 3, 4, 5, 6, 7, 8, …"


def test_a_program_is_no_text():
    """A NUL byte is refused with its line."""
    with pytest.raises(EditError, match="NUL byte in line 2"):
        machine_text(b"a\n\0", DOS, where="x", item="y")


@seed(8)
@given(st.binary(max_size=300), st.sampled_from(["cp437", "latin-1", "ascii", "utf-8", "shift_jis"]))
def test_decoding_loses_nothing(data, charset):
    """Any bytes decode, and encode to themselves."""
    body = decode(data, charset)
    assert body.encode(body.text) == data


@seed(9)
@given(st.text(st.characters(codec="latin-1", exclude_characters="\0\x1a\x85\x1c\x1d\x1e\x0b\x0c"), max_size=80))
def test_there_and_back(text):
    """Text in UTF-8 to the machine's form and back is the same text, newlines apart."""
    data = machine_text(text.encode(), OTHER, where="x", item="y")
    assert data.decode("latin-1") == to_lf(text)


def test_messages_are_approximated():
    """What the screen cannot show is said without accents, at worst as a question mark."""
    assert approximate("“für” – 日", "ascii") == '"fur" - ?'
    assert approximate("für", "cp437") == "für"
