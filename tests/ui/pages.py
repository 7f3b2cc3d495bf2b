"""The app's pages, run without a browser."""

from __future__ import annotations

from functools import cache
from unittest.mock import patch

from streamlit.components.v2 import manifest_scanner
from streamlit.testing.v1 import AppTest

PATIENCE_S = 60
_scan_once = cache(manifest_scanner.scan_component_manifests)


def open_page(name: str) -> AppTest:
    """The app opened on one page."""
    return start(AppTest.from_function(_script, kwargs={"name": name}, default_timeout=PATIENCE_S))


def start(app: AppTest) -> AppTest:
    """Run an app for the first time.

    Each would look for components through all installed packages anew, which takes longer than the page.
    """
    with patch.object(manifest_scanner, "scan_component_manifests", _scan_once):
        return app.run()


def _script(name: str) -> None:
    from grainmatch.ui.site import show_site

    show_site(open_on=name)


def words(app: AppTest) -> str:
    """All text on a page."""
    kinds = ("title", "subheader", "markdown", "caption", "info", "error", "warning")
    return "\n".join(str(getattr(element, "value", "")) for kind in kinds for element in app.get(kind))


def press(app: AppTest, label: str) -> AppTest:
    """Press the button of that label."""
    return next(b for b in app.button if b.label == label).click().run()
