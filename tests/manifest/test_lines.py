"""Line numbers of keys, against a hand count."""

import pytest

from discprep.manifest.lines import LineIndex

TEXT = '''\
a = 1
"b c".d = """
[not.a.table]
e = 5 """
[t]
  list = [ # [x]
    "]",
    {k = "v"},
  ]
next = 2
[[item]]
id = "one"
[[item.edit]]
find = '[['
[[item]]
id = "two"
[[item.edit]]
find = "x"
[[item.edit]]
find = \'\'\'
[t2]\'\'\'
last = 1
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("a",), 1),
        (("b c", "d"), 2),
        (("t",), 5),
        (("t", "list"), 6),
        (("t", "list", 1, "k"), 6),
        (("t", "next"), 10),
        (("item", 0, "id"), 12),
        (("item", 0, "edit", 0, "find"), 14),
        (("item", 1), 15),
        (("item", 1, "edit", 1), 19),
        (("item", 1, "edit", 1, "last"), 22),
        (("item", 1, "edit", 0, "missing"), 17),
        (("t2",), 0),
        (("not",), 0),
    ],
)
def test_line_of(path: tuple[str | int, ...], line: int) -> None:
    """Multi-line strings and lists hide what looks like tables; a missing key has its table's line."""
    assert LineIndex(TEXT).line(path) == line
