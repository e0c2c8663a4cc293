"""Fixtures live beside what they are for, each module under a name of its own.

Tests run on two workers, a file's tests together, since they share what they set up. Of the files that look at the
one run of the demo, one goes first and the others last, so that no worker waits for it.
"""

import pytest

pytest_plugins = ["demo_run", "hands", "panel_fixtures"]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    looking = [item.path for item in items if "demo_once" in getattr(item, "fixturenames", ())]
    first = looking[0] if looking else None
    items.sort(key=lambda item: 0 if item.path == first else 2 if item.path in looking else 1)
