"""Load what lies in `scripts/`: modules by name, programs (no suffix) by file. Their folder must be on the path."""

from __future__ import annotations

import importlib
import sys
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader
from pathlib import Path
from types import ModuleType

SCRIPTS = Path(__file__).resolve().parent.parent / "scripts"


def script(name: str) -> ModuleType:
    """A module of `scripts/`."""
    return importlib.import_module(name)


def program(name: str) -> ModuleType:
    """A program of `scripts/`, not run."""
    spec = spec_from_loader(name, SourceFileLoader(name, str(SCRIPTS / name)))
    assert spec is not None
    module = module_from_spec(spec)
    assert spec.loader is not None
    sys.modules[name] = module  # dataclasses look their module up by name
    spec.loader.exec_module(module)
    return module
