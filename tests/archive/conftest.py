"""What verification opens, watched."""

from __future__ import annotations

import pytest

from analyze.archive.bag_reading import Inventory


@pytest.fixture
def opened(monkeypatch) -> list[str]:
    """The files that verification opens."""
    names, own = [], Inventory.open

    def noted(self: Inventory, name: str):
        names.append(name)
        return own(self, name)

    monkeypatch.setattr(Inventory, "open", noted)
    return names
