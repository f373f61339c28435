"""Tells plugins that a run is finished; whatever one does then costs nothing but itself."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from catchpot.run.guard import fault_words, limited

if TYPE_CHECKING:
    from catchpot.outcome import RunOutcome
    from catchpot.plugins.registry import Plugin, Registry


def tell_finished(registry: Registry, outcome: RunOutcome) -> list[str]:
    """Call `run_finished` of every plugin that has it; a sentence for each that failed."""
    said = []
    for plugin in registry.plugins:
        if "run_finished" not in plugin.hooks:
            continue
        try:
            _tell(registry, plugin, replace(outcome, settings=registry.settings_of(plugin.name)))
        except KeyboardInterrupt:
            raise
        except BaseException as error:  # a plugin may exit, or panic below Python
            said.append(
                f"plugin {plugin.name} failed when told that the run is finished: {fault_words(error, plugin.module)}"
            )
    return said


def _tell(registry: Registry, plugin: Plugin, outcome: RunOutcome) -> None:
    assert registry.workshop is not None
    limit_s = registry.workshop.settings.plugins.time_limit_s
    if plugin.outside and registry.worker is not None:
        # The model's class may not be known by the name it has there: it is validated anew in the other process.
        registry.worker.ask(limit_s, "run_finished", plugin.name, replace(outcome, settings=None))
        return
    with limited(limit_s):
        plugin.module.run_finished(outcome=outcome)


__all__ = ["tell_finished"]
