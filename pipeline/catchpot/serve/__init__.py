"""`catchpot serve`: the pages of the report from the store, and notes as forms where that is switched on."""
