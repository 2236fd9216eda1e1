"""The examples in the docstrings."""

import doctest
import importlib
from pathlib import Path

import pytest

import discprep.plan

MODULES = sorted(path.stem for path in Path(discprep.plan.__file__).parent.glob("[a-z]*.py"))


@pytest.mark.parametrize("name", MODULES)
def test_examples(name):
    """Each prints what it says."""
    assert doctest.testmod(importlib.import_module(f"discprep.plan.{name}")).failed == 0


def test_there_are_examples():
    """The list above is not all empty modules."""
    assert doctest.testmod(importlib.import_module("discprep.plan.gain")).attempted >= 4
