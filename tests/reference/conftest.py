"""Reference libraries: a missing one fails where every check must run, and skips by its name elsewhere."""

from __future__ import annotations

import importlib
import os
from types import ModuleType
from typing import Protocol

import pytest


class Library(Protocol):
    """Given the name of a module of a reference library, the module."""

    def __call__(self, name: str) -> ModuleType: ...


@pytest.fixture(scope="session")
def library() -> Library:
    """Imports a reference library."""

    def load(name: str) -> ModuleType:
        try:
            return importlib.import_module(name)
        except ModuleNotFoundError as error:
            if error.name != name.partition(".")[0]:
                raise  # it is there, but broken
            message = f"reference library {error.name} is not installed"
            if os.environ.get("CI", "").lower() in ("", "0", "false"):
                pytest.skip(message)
            pytest.fail(message)

    return load
