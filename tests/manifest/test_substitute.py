"""Filling names from a closed list: the project's own rule, tested on its promises."""

import pytest

from discprep.errors import ManifestError
from discprep.manifest.substitute import mask, reveal, secret_marker, secret_names, substitute

NAMES = {"link.rate": "57600", "secrets.wifi": secret_marker("wifi")}


@pytest.mark.parametrize(
    ("text", "filled"),
    [
        ("{link.rate}", "57600"),
        ("{{link.rate}}", "{link.rate}"),
        ("", ""),
        ("{{{link.rate}}}", "{57600}"),
        ("$1\\n", "$1\\n"),
    ],
)
def test_fills(text: str, filled: str) -> None:
    """Doubled braces are braces, all else stays."""
    assert substitute(text, NAMES) == filled


@pytest.mark.parametrize(
    "text", ["{", "}", "{x", "{link.rat}", "{}", "{0}", "{link.rate!r}", "{link.rate:>5}", "{a{b}}"]
)
def test_refuses(text: str) -> None:
    """Lone braces, unknown names and anything of Python's own formatting."""
    with pytest.raises(ManifestError):
        substitute(text, NAMES, "m.toml:3", item="a")


def test_names_the_nearest() -> None:
    """A near miss is a hint."""
    with pytest.raises(ManifestError) as caught:
        substitute("{link.rat}", NAMES, "m.toml:3")
    assert caught.value.hint == "Did you mean {link.rate}?" and caught.value.where == "m.toml:3"


def test_a_secret_is_a_marker_until_it_is_revealed() -> None:
    """The value appears nowhere before."""
    filled = substitute("key={secrets.wifi};", NAMES)
    assert secret_names(filled) == ("wifi",)
    assert mask(filled) == "key=********;"
    assert reveal(filled, {"wifi": "open{sesame}"}) == "key=open{sesame};"
    with pytest.raises(KeyError):
        reveal(filled, {})
