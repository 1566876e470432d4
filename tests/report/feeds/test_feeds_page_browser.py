# ruff: noqa: F811
"""The page of in-ear feeds in a real browser: phone, desktop, dark."""

from __future__ import annotations

import pytest

from shaping.report.feeds.page import feeds_page
from tests.report.feeds.test_feeds_report import report  # noqa: F401
from tests.report.test_page_browser import VIEWS, browser, show  # noqa: F401

pytestmark = pytest.mark.browser


@pytest.mark.parametrize(("width", "scheme"), VIEWS)
def test_the_page_reads_well(report, show, width, scheme):
    found = show(feeds_page(report), width, scheme)
    assert found["faults"] == []
    assert found["dark"] is (scheme == "dark")
