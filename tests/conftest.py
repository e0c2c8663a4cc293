"""Fixtures live beside what they are for, each module under a name of its own.

Tests run on two workers. A file's tests stay together, since they share what they set up; so do all that look at the
one run of the demo, and those go first, being the longest.
"""

import pytest

pytest_plugins = ["demo_run", "hands", "panel_fixtures"]


@pytest.hookimpl(tryfirst=True)  # xdist reads the groups in the same hook
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        looks_at_demo = "demo_once" in getattr(item, "fixturenames", ())
        item.add_marker(pytest.mark.xdist_group("the demo" if looks_at_demo else str(item.path)))
    items.sort(key=lambda item: "demo_once" not in getattr(item, "fixturenames", ()))
