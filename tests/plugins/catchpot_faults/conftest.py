"""One made-up mould with faults known by shot, judged once for all tests of this room."""

from __future__ import annotations

import pytest
from tests.plugins.catchpot_faults.made import Judged, bow


@pytest.fixture(scope="session")
def judged() -> Judged:
    return bow()
