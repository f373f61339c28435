"""The command `profile FILE`."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from catchpot import emit, warn

Json = Annotated[bool, Parameter(name="--json", negative=(), help="Print one JSON document instead of sentences.")]
Trust = Annotated[
    bool,
    Parameter(
        name="--trust-plugins", negative=(), help="Run the plugins in the workshop's plugins/ folder: they are code."
    ),
]


def profile(file: Path, *, write: bool = False, json: Json = False, trust_plugins: Trust = False) -> int:
    """Look at a log of any layout and propose a log profile for it; nothing is written unless asked.

    Parameters
    ----------
    file
        The log to look at.
    write
        Append the proposal to catchpot.toml.
    """
    from catchpot.ingest.reader import LogRefused
    from catchpot.plugins import load
    from catchpot.workshop import open_with_last_good
    from catchpot_logs.propose import propose, write_proposal

    workshop = open_with_last_good(Path(os.environ.get("CATCHPOT_HOME") or "."))
    registry = load(workshop, trust=trust_plugins)
    warn([*registry.warnings, *map(str, (*workshop.stale, *workshop.lacking, *workshop.set_aside))])
    if not file.is_file():
        warn([f"{file}: there is no such file"])
        return 2
    try:
        proposal = propose(file.resolve(), workshop, registry.readers)
    except LogRefused as refused:
        warn([f"{file}: {refused}"])
        return 2
    rows = [] if proposal.rows is None else proposal.rows.head(5).to_dicts()
    shown = [", ".join(f"{k} {v:g}" for k, v in r.items() if isinstance(v, int | float)) for r in rows]
    written = write_proposal(workshop, proposal) if write else None
    emit(
        {
            "name": proposal.name,
            "profile": proposal.toml,
            "assumed": proposal.assumed,
            "could_not_tell": proposal.unsure,
            "first_rows": rows,
            "problem": proposal.problem,
            "written": written,
        },
        [
            *proposal.toml.rstrip().splitlines(),
            "",
            *(f"assumed: {a}" for a in proposal.assumed),
            *(f"could not tell: {u}" for u in proposal.unsure),
            *(f"not readable yet: {x}" for x in [proposal.problem] if x),
            *(["the first rows as they would be read:", *shown] if shown else []),
            f"appended to {written}" if written else "nothing was written; --write appends it to catchpot.toml",
        ],
        as_json=json,
    )
    return 0
