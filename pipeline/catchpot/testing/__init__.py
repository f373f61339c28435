"""Made-up workshops with known truth, and the checks every plugin must pass."""

from catchpot.testing.check import check_plugin
from catchpot.testing.check_data import made_up_data

__all__ = ["check_plugin", "made_up_data"]
