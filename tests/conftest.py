"""Marks and what every test shares."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import settings

settings.register_profile("loopmend", deadline=None)  # a busy machine is no failure: speed is measured in benchmarks
settings.load_profile("loopmend")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Refuse a `published` mark without a source."""
    for item in items:
        for mark in item.iter_markers("published"):
            if not mark.args or not str(mark.args[0]).strip():
                raise pytest.UsageError(f"{item.nodeid}: published() needs its source")


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Note the sources that a test is checked against; it travels with the report, whichever process ran the test."""
    for mark in item.iter_markers("published"):
        label = str(mark.args[0]) + (" (from memory)" if mark.kwargs.get("from_memory") else "")
        item.user_properties.append(("published", label))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """List the published sources that the run was checked against."""
    reports = [report for kind in ("passed", "failed") for report in terminalreporter.stats.get(kind, [])]
    labels = [label for report in reports for name, label in report.user_properties if name == "published"]
    if labels:
        terminalreporter.section("checked against")
        for source, count in sorted(Counter(labels).items()):
            terminalreporter.write_line(f"{source}: {count} checks")
