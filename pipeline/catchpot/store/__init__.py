"""The store: the only room with SQL. It knows no plugin."""

from catchpot.store.connection import StoreBusy, StoreError
from catchpot.store.reading import Reading, UnknownTableError
from catchpot.store.store import Store, Writing

__all__ = ["Reading", "Store", "StoreBusy", "StoreError", "UnknownTableError", "Writing"]
