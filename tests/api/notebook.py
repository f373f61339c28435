"""A workshop from a notebook, cell by cell: run as a script it prints what the cells would show."""

# %% open
import sys

from catchpot import open_session

session = open_session(sys.argv[1])
print(session)

# %% what is there
print(session.tables().filter(rows=0).height, "tables are empty")
print(session.moulds)

# %% a table as a polars frame
fill = session.table("fill", moulds=session.moulds[:1], columns=["shot", "injected_volume_l"])
print(fill.head(2))

# %% what an analysis would say of one mould, with another setting; nothing is stored
result = session.compute("drift", session.moulds[:1])
print(sorted(result.tables))

# %% what failed, and the whole error
for row in session.failures().iter_rows(named=True):
    print(row["analysis"], row["part"], row["error"])
