"""The schema of a command language: every fault is named with its key, and a right section is carried whole."""

import pytest
from pydantic import ValidationError

from discprep.manifest.shell import TEMPLATES, ShellSchema
from discprep.model import AttributeBit

LINES = {
    "script_name": "P{part}",
    "make_folder": "md {path}",
    "copy": "copy {source} {target}",
    "message": "echo {text}",
    "stop": "goto END",
    "goto": "goto {label}",
    "label": ":{label}",
    "if_exists": "if exist {path} {then}",
    "if_missing": "if not exist {path} {then}",
}
BLOCKS = {
    **{key: value for key, value in LINES.items() if key not in ("goto", "label")},
    "if_exists": ["given {path}", "  {then}", "done"],
    "if_missing": ["lacking {path}", "  {then}", "done"],
}


def checked(base=LINES, **changes):
    return ShellSchema.model_validate({**base, **changes})


def test_both_families_of_languages():
    """One-line conditions with jumps, and blocks without."""
    assert not checked().record().blocks
    assert checked(BLOCKS).record().blocks


def test_a_language_without_conditions():
    """It wants neither goto nor label; where a failure ends the script, a check needs no `tells`."""
    bare = {key: value for key, value in LINES.items() if not key.startswith(("if_", "goto", "label"))}
    assert not checked(bare).record().conditions and checked().record().conditions
    stops = checked(bare, stops_at_failure=True, check_size="weigh {path} {size}", delete="del {path}").record()
    assert stops.stops_at_failure and stops.check_size
    with pytest.raises(ValidationError, match="if_folder needs if_exists"):
        checked(bare, if_folder="f {path} {then}", if_no_folder="n {path} {then}")


def test_the_record_has_every_template():
    """A text becomes one line; the section's own tables become fields."""
    attributes = {
        "system": "dos",
        "command": "attrib {attributes} {path}",
        "bits": [{"bit": 0, "set": "+r"}],
        "plain": 32,
    }
    shell = checked(attributes=attributes, separator="\\", text_escapes={"%": "%%"}).record()
    assert shell.copy == ("copy {source} {target}",)
    assert shell.attribute_bits == (AttributeBit(0, "+r", ""),)
    assert (shell.attribute_system, shell.set_attributes, shell.plain_attributes) == (
        "dos",
        ("attrib {attributes} {path}",),
        32,
    )
    assert (shell.after_volume, shell.text_escapes) == ("\\", (("%", "%%"),))
    assert checked(after_volume="").record().after_volume == ""
    assert {key for key in TEMPLATES if not hasattr(shell, key)} == set()


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        pytest.param(
            {"copy": "copy {from} {target}"},
            r"copy: nothing is called \{from\}; it may use \{source\}, \{target\}",
            id="name",
        ),
        pytest.param({"stop": "goto {"}, "stop: a lone '{'", id="brace"),
        pytest.param({"if_exists": "if exist {path}"}, "if_exists needs {then} exactly once", id="no then"),
        pytest.param({"if_missing": ["x {path}", "{then}"]}, "if_missing and if_exists must both", id="two families"),
        pytest.param({"goto": []}, "need goto", id="no goto"),
        pytest.param({"if_folder": "if {path} {then}"}, "if_folder and if_no_folder go together", id="half a pair"),
        pytest.param({"check_size": "size {path} {size}"}, "check_size says nothing unless tells has it", id="untold"),
        pytest.param({"checksum": "sum {path} {sum}"}, "checksum needs checksum_kind", id="kind"),
        pytest.param({"tells": ["copy"]}, "tells needs if_failed", id="failed"),
        pytest.param({"tells": ["copy"], "if_failed": "if bad {then}"}, "needs delete", id="delete"),
        pytest.param({"if_full": "full {room} {trial} {then}"}, "if_full and room_file go together", id="room"),
        pytest.param({"call": "call {path}"}, "call needs first and second", id="call"),
        pytest.param({"script_name": "SETUP"}, "script_name needs {part}", id="part"),
        pytest.param({"rate_name": "R"}, "rate_name needs {rate}", id="rate"),
        pytest.param({"text_escapes": {"ab": "c"}}, "replace single characters", id="escape"),
        pytest.param({"cpoy": "x"}, "cpoy", id="unknown key"),
        pytest.param({"line_max": 10}, "line_max", id="line too short"),
        pytest.param({"save_folder": "A/B"}, "save_folder", id="path as a name"),
        pytest.param({"copy": "a\nb {source} {target}"}, "copy", id="two lines in one"),
    ],
)
def test_faults(changes, message):
    """Each contradiction is told in words."""
    with pytest.raises(ValidationError, match=message.replace("{then}", r"\{then\}").replace("'{'", r"'\{'")):
        checked(**changes)


def test_all_faults_at_once():
    """Two faults, one message that has both."""
    with pytest.raises(ValidationError) as caught:
        checked(script_name="SETUP", stop="goto {x}")
    assert "script_name needs {part}" in str(caught.value) and "stop: nothing is called {x}" in str(caught.value)
