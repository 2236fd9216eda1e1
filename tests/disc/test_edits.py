"""Edits: exact counts, LF for every newline, untouched bytes kept. Expected values are worked out by hand, or come
from Python's own bytes.replace."""

import pytest
from hypothesis import given, seed
from hypothesis import strategies as st

from discprep.disc.edits import apply_edits, at_rate, follows_rate, renamed_mentions
from discprep.errors import DiscprepError, EditError, Faults
from discprep.manifest.substitute import RATE_MARKER, secret_marker
from discprep.model import Edit


def edit(find, replace, times=1, **fields):
    return Edit("line.cfg", find, replace, times, "first.toml:7", **fields)


def apply(data, *edits, **options):
    return apply_edits(data, edits, item="ip", charset=options.pop("charset", "cp437"), **options)


@pytest.mark.parametrize(
    ("data", "edits", "expected"),
    [
        pytest.param(b"a\nrate=19200\nb\n", [("rate=19200", "rate=57600")], b"a\nrate=57600\nb\n", id="lf"),
        pytest.param(b"a\r\nb\r\nc", [("a\nb", "x\ny\nz")], b"x\r\ny\r\nz\r\nc", id="crlf across lines"),
        pytest.param(b"a\rb\rc", [("b\n", "q\n")], b"a\rq\rc", id="cr"),
        pytest.param(b"a\r\nb\nc\r\nd\r", [("c", "C")], b"a\r\nb\nC\r\nd\r", id="mixed newlines stay"),
        pytest.param(b"a\r\nb", [("\nb", "")], b"a", id="starts at a newline"),
        pytest.param(b"a\r\nb\x1a", [("a", "\n")], b"\r\n\r\nb\x1a", id="end mark stays"),
        pytest.param(b"\x81\xff x", [("x", "\xe4")], b"\x81\xff \x84", id="cp437, the machine's"),
        pytest.param("é x".encode(), [("é x", "ü")], "ü".encode(), id="utf-8"),
        pytest.param(b"\xef\xbb\xbfx", [("x", "ö")], "\ufeffö".encode(), id="utf-8 with a mark"),
        pytest.param("xy\n".encode("utf-16"), [("y", "z")], "xz\n".encode("utf-16"), id="utf-16 with a mark"),
        pytest.param(b"one two", [("one", "two"), ("two", "one")], b"two one", id="edits see the file as it was"),
        pytest.param(b"abcd", [("ab", "1"), ("cd", "2")], b"12", id="edits side by side"),
        pytest.param(b"", [], b"", id="empty"),
    ],
)
def test_untouched_bytes_stay(data, edits, expected):
    """Charset, newline and everything outside a match are the file's own."""
    assert apply(data, *(edit(find, replace) for find, replace in edits)).data == expected


@seed(6)
@given(st.binary(max_size=60), st.text("ab\n", min_size=1, max_size=3), st.text("xy", max_size=4))
def test_same_as_bytes_replace(noise, find, replace):
    """On LF text without overlapping matches, the result is that of bytes.replace."""
    data = noise.replace(b"\r", b"a").replace(b"\x00", b"b")
    try:
        got = apply(data, edit(find, replace, max(1, data.count(find.encode()))), charset="latin-1").data
    except EditError as error:
        assert "found it nowhere" in error.message or "overlap" in error.message
    else:
        assert got == data.replace(find.encode(), replace.encode())


@seed(7)
@given(st.lists(st.sampled_from(["x", "k=1", "", "yy"]), max_size=8), st.lists(st.sampled_from(["\n", "\r\n", "\r"])))
def test_mixed_newlines_survive(lines, newlines):
    """Each line keeps its own newline, whatever stands in it."""
    stored = "".join(line + newline for line, newline in zip(lines, newlines, strict=False))
    times = stored.count("k=1")
    if times:
        assert apply(stored.encode(), edit("k=1", "k=22", times)).data == stored.replace("k=1", "k=22").encode()


@pytest.mark.parametrize(
    ("data", "edits", "message"),
    [
        pytest.param(
            b"a\nb\na\n", [edit("a", "x")], r"expected 'a' once, found it in lines 1, 3 \(twice\)", id="twice"
        ),
        pytest.param(b"rate = 1", [edit("rate=2", "x")], "found it nowhere", id="never"),
        pytest.param(b"aaa", [edit("aa", "b", 2)], "overlap each other", id="overlaps itself"),
        pytest.param(b"aba\nzaaa", [edit("aa", "b", 2)], r"overlap each other \(line 2\)", id="further on"),
        pytest.param(
            b"z\nabc", [edit("ab", "1"), edit("bc", "2")], "two edits touch the same characters in line 2", id="overlap"
        ),
        pytest.param(b"\x80\x9a", [edit("\xdc", "€")], "cp437, which cannot express '€'", id="charset"),
    ],
)
def test_faults_name_file_and_lines(data, edits, message):
    """A wrong count, an overlap, a character the file cannot hold: nothing is changed and the lines are named."""
    with pytest.raises(EditError, match=message) as caught:
        apply(data, *edits)
    assert caught.value.item == "ip"
    assert caught.value.where == "first.toml:7: line.cfg"


def test_all_faults_of_a_file_at_once():
    """Two edits that match nowhere are two faults."""
    with pytest.raises(Faults) as caught:
        apply(b"x", edit("a", "1"), edit("b", "2"))
    assert len(caught.value.errors) == 2


def test_near_line_is_shown():
    """Where only spaces or capitals differ, the hint shows the line."""
    with pytest.raises(EditError) as caught:
        apply(b"[line]\nRate =  19200\n", edit("rate = 19200", "x"))
    assert caught.value.hint == "Line 2 is near: 'Rate =  19200'."


def test_lines_before_and_after():
    """The record of an edit has the whole lines it touches."""
    done = apply(b"a\r\nb=1 c\r\nd\r\nb=1\r\n", edit("b=1", "b=2\n!", 2)).applied[0]
    assert done.before == ("b=1 c", "b=1")
    assert done.after == ("b=2", "! c", "b=2", "!")


def test_matches_side_by_side_and_a_last_line_without_an_end():
    """They touch and do not overlap; the last line is whole in the record."""
    done = apply(b"x\nabab", edit("ab", "c", 2))
    assert done.data == b"x\ncc"
    assert done.applied[0].before == ("abab", "abab")
    assert apply(b"x\nk=1", edit("k=", "k:")).applied[0].after == ("k:1",)


def test_a_secret_is_written_but_never_shown():
    """The bytes have the secret, the record its mask; without values the mask stands in the bytes."""
    hidden = edit("KEY", secret_marker("wifi"), secret=True)
    shown = apply(b"k=KEY\n", hidden, secrets={"wifi": "pass-phrase"})
    assert shown.data == b"k=pass-phrase\n"
    assert "pass-phrase" not in repr(shown.applied)
    assert apply(b"k=KEY\n", hidden).data == b"k=********\n"


def test_an_edit_for_another_rate():
    """An edit whose text follows the line rate can be made for any."""
    one = edit("rate=9600", "rate=57600", template=f"rate={RATE_MARKER}")
    assert follows_rate(one) and not follows_rate(edit("a", "b", template="b"))
    assert at_rate(one, 19200).replace == "rate=19200"


def test_mentions_of_renamed_files():
    """Words that are old names are found whatever their capitals and the separators around them."""
    text = "run NET:Dial-Up.script now\r\nsee dial-up.script.\rplain dial-up\nmy notes.txt here\n"
    renamed = {"dial-up.script": "DIAL_UP.SCR", "my notes.txt": "MY_NOTES.TXT", "other": "OTHER1"}
    found = renamed_mentions(text, renamed, item="ip", file="start")
    assert [(n.where, n.message.split(" may ")[0]) for n in found] == [("start", "lines 1, 2"), ("start", "line 4")]


def test_errors_are_of_one_root():
    """Every fault here is a DiscprepError, so no traceback reaches a user."""
    with pytest.raises(DiscprepError):
        apply(b"x", edit("y", "z"))
