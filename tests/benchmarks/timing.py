"""How long a piece of work takes, for ratios within one run."""

from __future__ import annotations

import time
from collections.abc import Callable


def best(function: Callable[[], object], times: int = 3) -> float:
    """The least of some times, s, after one run that warms up."""
    function()
    taken = []
    for _ in range(times):
        began = time.perf_counter()
        function()
        taken.append(time.perf_counter() - began)
    return min(taken)
