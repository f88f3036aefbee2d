"""Marks and what every test shares."""

from __future__ import annotations

import pytest


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Refuse a `published` mark without a source."""
    for item in items:
        for mark in item.iter_markers("published"):
            if not mark.args or not str(mark.args[0]).strip():
                raise pytest.UsageError(f"{item.nodeid}: published() needs its source")


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """List the published sources that the run was checked against."""
    sources = getattr(config, "loopmend_sources", {})
    if sources:
        terminalreporter.section("checked against")
        for source in sorted(sources):
            terminalreporter.write_line(f"{source}: {sources[source]} checks")


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Count the sources that this run uses."""
    sources = item.config.__dict__.setdefault("loopmend_sources", {})
    for mark in item.iter_markers("published"):
        label = str(mark.args[0]) + (" (from memory)" if mark.kwargs.get("from_memory") else "")
        sources[label] = sources.get(label, 0) + 1
