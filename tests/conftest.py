"""A test whose server or program is missing is skipped with its reason, but never in CI."""

import os
from collections.abc import Generator
from typing import Any

import pytest


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[Any]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    if report.skipped and not hasattr(report, "wasxfail") and os.environ.get("CI") == "true":
        reason = (
            str(report.longrepr[2]) if isinstance(report.longrepr, tuple) else str(report.longrepr)
        )
        if "needs" in reason:
            report.outcome = "failed"
            report.longrepr = f"{item.nodeid}: {reason} (in CI nothing may be missing)"
    return report
