"""The conformance kit: what every plugin must do, ours and anyone's.

    from catchpot.testing import check_plugin

    assert check_plugin("fill") == []                    # an entry point
    assert check_plugin(Path("plugins/weights.py")) == []  # a drop-in file

Each complaint is a sentence that names the check, the analysis or section, and what was seen.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType

from catchpot.plugins import Plugin
from catchpot.plugins.sources import Source, installed, said
from catchpot.run.graph import Step
from catchpot.testing import check_analysis, check_module, check_note, check_section
from catchpot.testing.check_data import CheckData, made_up_data

Check = Callable[[Step, CheckData], Iterator[str]]

ANALYSIS_CHECKS: dict[str, Check] = {
    "declaration": check_analysis.declaration,
    "computes": check_analysis.computes,
    "honours needs": check_analysis.honours_needs,
    "twice the same": check_analysis.twice_the_same,
    "a batch and its parts": check_analysis.batch_and_parts,
    "causal": check_analysis.causal,
    "adds up": check_analysis.adds_up,
    "odd shots": check_analysis.odd_shots,
}


def source_of(plugin: str | Path | ModuleType) -> Source:
    """Where a plugin is: the name of an entry point, the path of a drop-in file, or a module."""
    if isinstance(plugin, ModuleType):
        return Source(plugin.__name__, f"module {plugin.__name__}", plugin)
    if isinstance(plugin, Path):
        return Source(plugin.stem, str(plugin), plugin)
    found = [s for s in installed() if s.name == plugin]
    if not found:
        raise KeyError(f"no entry point {plugin!r}; there are {', '.join(s.name for s in installed())}")
    return found[0]


def check_plugin(plugin: str | Path | ModuleType, data: CheckData | None = None) -> list[str]:
    """Check a plugin; complaints as sentences, none where it conforms.

    plugin: the name of an entry point, a drop-in file, or a module (which is loaded already: no check of its imports).
    data: what `made_up_data()` gave, to be used for several plugins; made anew where it doesn't hold this plugin.
    """
    source = source_of(plugin)
    complaints = [f"module: {c}" for c in check_module.light_import(source)]
    if data is None or not any(p.name == source.name for p in data.registry.plugins):
        if isinstance(plugin, str):
            data = data or made_up_data()
        else:
            try:
                data = made_up_data(also=[(source.name, source.load())])
            except (Exception, SystemExit) as error:
                return [*complaints, f"module: can't be loaded: {said(error)}"]
    complaints += [f"module: {b.error}" for b in data.registry.broken if b.plugin == source.name]
    mine = [p for p in data.registry.plugins if p.name == source.name]
    for p in mine:
        complaints += _checked(p, data)
    return complaints


def _found(check: Check, step: Step, data: CheckData) -> list[str]:
    try:
        return list(check(step, data))
    except Exception as error:
        return [f"failed: {said(error)}"]


def _checked(plugin: Plugin, data: CheckData) -> Iterator[str]:
    for a in plugin.analyses:
        try:
            step = data.plan.step(a.name)
        except KeyError as error:
            yield f"plan: {error.args[0]}"
            continue
        for name, check in ANALYSIS_CHECKS.items():
            found = _found(check, step, data)
            yield from (f"{name}: analysis {a.name}: {complaint}" for complaint in found)
            if name == "computes" and found:
                break  # the other checks would only say the same again
    for s in plugin.sections:
        for complaint in check_section.section(s, data):
            yield f"section: {s.name}: {complaint}"
    for form in plugin.notes:
        for complaint in check_note.form(form, plugin.settings):
            yield f"note: {form.name}: {complaint}"
