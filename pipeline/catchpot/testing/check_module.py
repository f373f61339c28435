"""Whether a plugin's module is light to import: every command loads every plugin."""

from __future__ import annotations

import json
import subprocess
import sys
from importlib.metadata import EntryPoint
from pathlib import Path

from catchpot.plugins.sources import Source

HEAVY = (
    "duckdb", "jinja2", "matplotlib", "numpy", "pandas", "plotly", "polars", "pyarrow", "ruptures", "scipy", "sklearn",
    "statsmodels", "torch", "xarray",
)  # fmt: skip
_LOOK = """
import json, sys
from pathlib import Path
import catchpot.plugins
from catchpot.plugins.sources import Source
before = set(sys.modules)
kind, value = json.loads(sys.argv[1])
sys.path[:0] = json.loads(sys.argv[2])
if kind == "file":
    Source("p", "", Path(value)).load()
else:
    import importlib
    importlib.import_module(value)
print("\\n" + json.dumps(sorted(set(sys.modules) - before)))
"""


def light_import(source: Source) -> list[str]:
    """Complaints about heavy imports at module level, seen in a fresh process."""
    if isinstance(source.place, EntryPoint):
        what = ("module", source.place.module)
    elif isinstance(source.place, Path):
        what = ("file", str(source.place))
    else:
        return []
    done = subprocess.run(
        [sys.executable, "-c", _LOOK, json.dumps(what), json.dumps(sys.path)], capture_output=True, text=True
    )
    if done.returncode != 0:
        return [f"can't be imported in a fresh process: {done.stderr.strip().splitlines()[-1]}"]
    loaded = set(json.loads(done.stdout.splitlines()[-1]))
    heavy = [h for h in HEAVY if h in loaded]
    if not heavy:
        return []
    return [f"imports {', '.join(heavy)} at module level; import them in the functions that use them"]
