"""A headless chromium for those tests that open pages; skipped with a message where there is none."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from typing import TYPE_CHECKING, NoReturn

import pytest
from hypothesis import HealthCheck, settings

if TYPE_CHECKING:
    from playwright.sync_api import Browser

# What processes compile (templates; modules too, where Python is told to keep nothing beside them) is kept for the
# hundred others that tests start, in a folder that goes when the tests end.
if "PYTEST_XDIST_WORKER" not in os.environ:
    COMPILED = tempfile.TemporaryDirectory(prefix="catchpot-compiled-", ignore_cleanup_errors=True)
    os.environ["XDG_CACHE_HOME"] = COMPILED.name
    if os.environ.pop("PYTHONDONTWRITEBYTECODE", ""):
        os.environ.setdefault("PYTHONPYCACHEPREFIX", COMPILED.name)

# examples are judged by what they show, not by how busy the machine is that draws them
settings.register_profile("any machine", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("any machine")

REQUIRED = os.environ.get("CATCHPOT_BROWSER") == "required"
NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")


def _without(reason: str) -> NoReturn:
    if REQUIRED:
        pytest.fail(f"CATCHPOT_BROWSER=required, but {reason}")
    pytest.skip(reason)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Debian's or anyone's chromium, driven by playwright."""
    found = next((path for name in NAMES if (path := shutil.which(name))), None)
    if found is None:
        _without(f"no browser is installed here under {', '.join(NAMES)}")
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        _without("playwright is not installed (extra dev)")
    with sync_playwright() as driver:
        # As root in a container chromium's own sandbox can't start.
        started = driver.chromium.launch(executable_path=found, args=["--no-sandbox"])
        yield started
        started.close()
