"""The netlist tools beside this file, as fixtures."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest


def _module(name: str) -> ModuleType:
    path = Path(__file__).with_name(f"{name}.py")
    spec = importlib.util.spec_from_file_location(f"ngspice_{name}", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def spice() -> ModuleType:
    """The module that runs the netlists and reads their results."""
    return _module("generate")


@pytest.fixture(scope="session")
def circuits() -> ModuleType:
    """The module that makes the simulated circuit of each netlist."""
    return _module("circuits")
