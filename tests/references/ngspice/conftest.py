"""The netlist tools beside this file, as a fixture."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture(scope="session")
def spice() -> ModuleType:
    """The module that runs the netlists and reads their results."""
    path = Path(__file__).with_name("generate.py")
    spec = importlib.util.spec_from_file_location("ngspice_references", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module
