"""catchpot: the memory and the judgement for vacuum-held closed-mould resin injection.

The public API for plugin writers: re-exports only, and nothing heavy.
"""

from catchpot.analysis import Analysis, Job, Kept, Refused, Result
from catchpot.hookspecs import hookimpl
from catchpot.tables import Column, Table

__version__ = "0.1.0"

__all__ = ["Analysis", "Column", "Job", "Kept", "Refused", "Result", "Table", "__version__", "hookimpl"]
