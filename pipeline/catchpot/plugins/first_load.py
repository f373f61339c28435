"""What code of others does to a process that loads it, tried in one of its own before ours loads it.

Every command loads every plugin, so code that ends, stops or bends the process that loads it would cost all commands,
without a word. What came off well is remembered by content, so that it is tried once. Errors that are raised as such
are no harm: the loader names them.

Run as `python -m catchpot.plugins.first_load HOME MEMORY_MB LIMIT_S NAME...`: a line of JSON before and after each.
"""

from __future__ import annotations

import hashlib
import json
import os
import signal
import subprocess
import sys
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from importlib.metadata import EntryPoint
from pathlib import Path
from types import ModuleType
from typing import Any

from catchpot import __version__
from catchpot.plugins import sources
from catchpot.plugins.sources import Broken, Source
from catchpot.whole import WriteError, make_folder, user_cache, write_whole

# Beyond the limit of loading: starting the process, and an end of it that takes its time.
START_S = 15.0
# What came off well, newest last.
REMEMBERED = 500

_tried: dict[str, str] = {}
"""What was tried in this process: key -> the harm, empty for none."""


def harms(found: Sequence[Source], home: Path, memory_mb: float, limit_s: float) -> list[Broken]:
    """Those of others among these that must not be loaded, and why. limit_s: for loading and registering."""
    keys = {s.name: key for s in found if s.outside and (key := _key(s))}
    known = _remembered()
    for_the_first_time = [n for n, key in keys.items() if key not in known and key not in _tried]
    if for_the_first_time:
        said = _try(for_the_first_time, home, memory_mb, limit_s)
        _tried.update({keys[n]: said[n] for n in for_the_first_time})
        _remember(known, [keys[n] for n in for_the_first_time if not said[n]])
    return [
        Broken(s.name, s.origin, f"can't be loaded: {why}")
        for s in found
        if (why := _tried.get(keys.get(s.name, ""), ""))
    ]


def _key(source: Source) -> str:
    """Digest of what would be loaded and of what it meets; empty where that is not known."""
    sha = hashlib.sha256(f"{sys.version}\0{__version__}\0{source.name}\0".encode())
    if isinstance(source.place, Path):
        sha.update((source.digest() or "").encode())
        return sha.hexdigest()
    if not isinstance(source.place, EntryPoint) or source.place.dist is None:
        return ""
    sha.update(source.origin.encode())
    for file in source.place.dist.files or ():
        if file.suffix == ".py":
            with suppress(OSError):
                stat = Path(str(file.locate())).stat()
                sha.update(f"{file}\0{stat.st_mtime_ns}\0{stat.st_size}\0".encode())
    return sha.hexdigest()


def _try(names: Sequence[str], home: Path, memory_mb: float, limit_s: float) -> dict[str, str]:
    """Harm by name, empty for none; after each that did harm a new process begins without it."""
    harm = dict.fromkeys(names, "")
    left = list(names)
    while left:
        culprit, why = _in_a_process(left, home, memory_mb, limit_s)
        if not why:
            break
        if culprit:
            harm[culprit] = why
            left.remove(culprit)
        elif len(left) == 1:
            harm[left[0]] = why
            break
        else:  # all did well and the end did not: each alone
            for name in left:
                harm |= _try([name], home, memory_mb, limit_s)
            break
    return harm


def _in_a_process(names: Sequence[str], home: Path, memory_mb: float, limit_s: float) -> tuple[str, str]:
    """The first that did harm (empty where the end of the process did not come off), and what; empty for none."""
    words = [sys.executable, "-m", "catchpot.plugins.first_load", str(home), f"{memory_mb:g}", f"{limit_s:g}", *names]
    over = f"loading it took longer than {limit_s:g} s"
    try:
        ran = subprocess.run(
            words, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
            timeout=START_S + limit_s * len(names), start_new_session=True, check=False,
        )  # fmt: skip
        said, code = ran.stdout, ran.returncode
    except subprocess.TimeoutExpired as late:
        said, code = late.stdout or b"", None
    begun = ""
    for line in said.splitlines():
        what, name, why = json.loads(line)
        if why:
            return name, why
        begun = name if what == "begin" else ""
    if code == 0:
        return "", ""
    if code is None:
        return begun, over if begun else "a process that has loaded it does not end"
    ended = f"signal {signal.Signals(-code).name}" if code < 0 else f"exit status {code}"
    return begun, f"{'loading it ends' if begun else 'once loaded, it changes the end of'} the process ({ended})"


def _place() -> Path:
    return user_cache() / "loads.json"


def _remembered() -> list[str]:
    with suppress(OSError, ValueError):
        known = json.loads(_place().read_text(encoding="utf-8"))
        if isinstance(known, list):
            return [str(k) for k in known]
    return []


def _remember(known: Sequence[str], well: Sequence[str]) -> None:
    if well:
        with suppress(WriteError, OSError):
            make_folder(_place().parent, through_links=True)
            write_whole(_place(), json.dumps([*known, *well][-REMEMBERED:]))


def _settings(home: Path) -> Mapping[str, Any]:
    with suppress(OSError, ValueError, RecursionError):
        return tomllib.loads((home / "catchpot.toml").read_text(encoding="utf-8-sig"))
    return {}


def _load_and_register(source: Source, settings: Mapping[str, Any]) -> None:
    """What our process will do with it: load it, let it register, look at its settings."""
    from cyclopts import App

    module = source.load()
    given: Mapping[str, Mapping[str, Any]] = {
        "register_analyses": {"settings": settings},
        "register_commands": {"app": App()},
    }
    for hook in ("register_readers", "register_sections", "register_notes", "register_settings", *given):
        if callable(work := vars(module).get(hook)):
            made = work(**given.get(hook, {}))
            for item in made if hook == "register_analyses" else ():
                with suppress(Exception):
                    item.params.model_validate(settings.get("analyses", {}).get(item.name, {}))


def _held_now() -> dict[str, object]:
    """What of the process a plugin has no business with."""
    import builtins

    now: dict[str, object] = {"the working folder": Path.cwd()}
    now["standard input, output or error"] = (sys.stdin, sys.stdout, sys.stderr, *map(_open, (0, 1, 2)))
    now["what signals do"] = tuple(signal.getsignal(s) for s in (signal.SIGINT, signal.SIGTERM, signal.SIGALRM))
    ours = [(n, m) for n, m in sys.modules.items() if n.partition(".")[0] == "catchpot" and isinstance(m, ModuleType)]
    for name, module in [*ours, ("builtins", builtins)]:
        now[f"the module {name}"] = dict(vars(module))
    return now


def _open(number: int) -> bool:
    try:
        os.fstat(number)
    except OSError:
        return False
    return True


def _bent(before: Mapping[str, object], after: Mapping[str, object]) -> Iterator[str]:
    for what, was in before.items():
        now = after.get(what)
        if isinstance(was, dict) and isinstance(now, dict):  # names may come, and be replaced only by their makers
            changed = [n for n, v in was.items() if not n.startswith("__") and n in now and now[n] is not v]
            if changed:
                yield f"loading it changes {what} ({changed[0]})"
        elif now != was:
            yield f"loading it changes {what}"


def _harm(source: Source, settings: Mapping[str, Any], limit_s: float) -> str:
    from catchpot.errors import PluginFault
    from catchpot.run.guard import limited

    before = _held_now()
    try:
        with limited(limit_s, "loading it took longer than {:g} s"):
            _load_and_register(source, settings)
    except MemoryError:
        return "loading it takes more memory than memory_limit_mb in [plugins] allows"
    except KeyboardInterrupt:
        return "loading it raises KeyboardInterrupt, as if someone had stopped the program"
    except PluginFault as over:
        return str(over)
    except BaseException:  # the loader says it; what it did before it raised counts all the same
        pass
    return next(_bent(before, _held_now()), "")


def main(home: Path, memory_mb: float, limit_s: float, names: Sequence[str]) -> None:
    """Load these plugins one after the other, as long as they do no harm."""
    from catchpot.run.worker import limit_memory

    told = os.fdopen(os.dup(1), "w")
    os.dup2(2, 1)  # whatever the plugin prints must not get between
    limit_memory(memory_mb)
    import catchpot.report.section
    import catchpot.store
    import catchpot.workshop  # noqa: F401 - what is loaded must be there to be compared

    found = {s.name: s for s in [*sources.dropped_in(home / "plugins"), *sources.installed()]}
    settings = _settings(home)
    for name in names:
        print(json.dumps(["begin", name, ""]), file=told, flush=True)
        why = _harm(found[name], settings, limit_s) if name in found else ""
        print(json.dumps(["end", name, why]), file=told, flush=True)
        if why:
            os._exit(0)


if __name__ == "__main__":
    main(Path(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3]), sys.argv[4:])


__all__ = ["harms"]
