"""One made-up workshop, with everything installed computed over it, for all plugins."""

from __future__ import annotations

import pytest

from catchpot.testing import made_up_data
from catchpot.testing.check_data import CheckData


@pytest.fixture(scope="session")
def data() -> CheckData:
    return made_up_data()
