"""Reference libraries: a missing one fails where every check must run, and skips by its name elsewhere."""

from __future__ import annotations

import importlib
import os
from collections.abc import Callable
from types import ModuleType

import pytest


@pytest.fixture(scope="session")
def library() -> Callable[[str], ModuleType]:
    """Imports a module of a reference library by its name."""

    def load(name: str) -> ModuleType:
        try:
            return importlib.import_module(name)
        except ModuleNotFoundError as error:
            if error.name != name.partition(".")[0]:
                raise  # it is there, but broken
            message = f"reference library {error.name} is not installed"
            if os.environ.get("CI", "").lower() not in ("", "0", "false"):
                pytest.fail(message)
            pytest.skip(message)

    return load
