"""Made-up workshops with known truth, and the checks every plugin must pass."""

from catchpot.testing.check import check_plugin
from catchpot.testing.check_data import made_up_data
from catchpot.testing.check_reader import check_reader

__all__ = ["check_plugin", "check_reader", "made_up_data"]
