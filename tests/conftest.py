"""Fixtures live beside what they are for, each module under a name of its own."""

pytest_plugins = ["demo_run", "hands", "panel_fixtures"]
