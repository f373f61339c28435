"""The command line: thin. Each command opens the workshop, calls one function of the core and prints what came out."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from cyclopts import App, CycloptsError, Parameter

from catchpot import __version__, note_commands
from catchpot.errors import CatchpotError
from catchpot.output import answers_only, confirm, emit, progress_bars, stdout, warn
from catchpot.serve import command as serve_command

if TYPE_CHECKING:
    from catchpot.ingest.load import IngestOutcome
    from catchpot.plugins import Registry
    from catchpot.run.outcome import AnalyseOutcome
    from catchpot.workshop import Problem, Workshop

DONE, FAILED, WRONG = 0, 1, 2

app = App(
    name="catchpot",
    help="The memory and the judgement for vacuum-held closed-mould resin injection.\n\n"
    "Advice only: it sets no pressure, ratio or valve and replaces no interlock.",
    version=__version__,
    suppress_keyboard_interrupt=False,  # what was finished by then is said
)

Json = Annotated[bool, Parameter(name="--json", negative=(), help="Print one JSON document instead of sentences.")]
Trust = Annotated[
    bool,
    Parameter(
        name="--trust-plugins", negative=(), help="Run the plugins in the workshop's plugins/ folder: they are code."
    ),
]


note_commands.register(app)
serve_command.register(app)


def home() -> Path:
    """The workshop folder: `--home`, else the environment's CATCHPOT_HOME, else the current folder."""
    return Path(os.environ.get("CATCHPOT_HOME") or ".")


def _open(trust: bool = False) -> tuple[Workshop, Registry]:
    """The workshop, with mould book and ledgers as they were last good where they are wrong now, and its plugins."""
    from catchpot.plugins import load
    from catchpot.workshop import open_with_last_good

    workshop = open_with_last_good(home())
    registry = load(workshop, trust=trust)
    warn(registry.warnings)
    warn(map(str, (*workshop.stale, *workshop.lacking, *workshop.set_aside)))
    if workshop.stale:
        warn([f"{workshop.stale_sentence()}."])
    return workshop, registry


def _status(workshop: Workshop, registry: Registry, complaints: Sequence[str]) -> int:
    """The exit status of a command that did what it could; a plugin that could not be used is a failure too."""
    if workshop.stale or workshop.lacking or workshop.set_aside:
        return WRONG
    return FAILED if complaints or registry.broken else DONE


def _need_ledgers(workshop: Workshop) -> None:
    """End here where a ledger is wrong and was never good: what would be computed without it is not what is meant."""
    if workshop.lacking:
        names = ", ".join(sorted({Path(p.file).name for p in workshop.lacking}))
        error = CatchpotError(f"{names}: wrong, as said above, and never seen good before; no analysis was run")
        error.status = WRONG
        raise error


@app.command
def init(*, json: Json = False) -> int:
    """Write a commented starter workshop into the folder; existing files are left alone."""
    from catchpot.workshop import init_workshop

    written = init_workshop(home())
    lines = [f"wrote {path}" for path in written] or ["nothing written: all files are there already"]
    emit({"home": home(), "written": written}, [*lines, "next: put logs into logs/, then catchpot run"], as_json=json)
    return DONE


@app.command
def check(*, store: bool = False, json: Json = False, trust_plugins: Trust = False) -> int:
    """Check catchpot.toml, moulds.toml, events.csv and parts.csv; say everything that is wrong, at once.

    Parameters
    ----------
    store
        Read the whole store too and compare what it holds; what is torn is read anew at the next ingest.
    """
    from catchpot.plugins import load
    from catchpot.workshop import check_workshop, open_workshop

    problems = check_workshop(home())
    if not any(p.severity == "error" for p in problems):
        registry = load(open_workshop(home()), trust=trust_plugins)
        warn(registry.warnings)
        problems += registry.check_settings()
        problems += _unknown_shots()
    wrong = [p for p in problems if p.severity != "warning"]
    faults = _check_store(home()) if store else []
    emit(
        {"problems": [p._asdict() for p in problems], **({"store": faults} if store else {})},
        [*(f"{p}{_ENDS[p.severity]}" for p in problems), *faults] or ["all in order"],
        as_json=json,
    )
    return WRONG if wrong else FAILED if faults else DONE


def _unknown_shots() -> list[Problem]:
    """Shots in parts.csv that no log is known of, once logs were read."""
    from catchpot.store import Store
    from catchpot.workshop import open_workshop
    from catchpot.workshop.ledgers import part_lines
    from catchpot.workshop.plausible import unknown_shots

    workshop = open_workshop(home())
    if not workshop.store_path.exists():
        return []
    with Store(workshop.store_path).reading() as r:
        known = r.table("shot", ["shot"])["shot"].to_list()
    return unknown_shots(workshop.home, workshop.parts, part_lines(workshop.home / "parts.csv"), known)


_ENDS = {
    "error": "",
    "row": " (this row is left out, the rest is read)",
    "warning": " (only said; nothing is left out)",
}


def _check_store(place: Path) -> list[str]:
    """What does not fit together in the store, a sentence each; what the logs can give again is marked for it."""
    from catchpot.store import Store
    from catchpot.store.health import examine, mend

    path = place / "shots.duckdb"
    with Store(path).reading() as r:
        found = examine(r, path)
    again = [f for f in found if f.file and (place / f.file).exists()]
    if again:
        with Store(path).writing() as w:
            mend(w, again)
    lost = [f for f in found if f.file and f not in again]
    said = [f"{path}: {f.message}" for f in found]
    said += [f"{path}: the log {f.file} is not there any more, so this can't be mended" for f in lost]
    if again:
        said.append("what is torn was taken out; catchpot run reads it from the logs again")
    return said


def _ingest(
    workshop: Workshop, registry: Registry, profile: str | None, *, quiet: bool, verify: bool = False
) -> IngestOutcome:
    from catchpot.ingest.load import ingest

    with progress_bars(quiet=quiet) as progress:
        return ingest(workshop, registry, profile=profile, progress=progress, verify=verify)


@app.command(name="ingest")
def ingest_command(*, profile: str | None = None, json: Json = False, trust_plugins: Trust = False) -> int:
    """Read new and changed logs into the store; what can't be read is set aside with its reason.

    Parameters
    ----------
    profile
        Read the files that no plain log header claims with this log profile.
    """
    workshop, registry = _open(trust_plugins)
    outcome = _ingest(workshop, registry, profile, quiet=json)
    emit(outcome.as_dict(), outcome.sentences(), as_json=json)
    warn(outcome.complaints())
    return _status(workshop, registry, outcome.complaints())


def _analyse(
    workshop: Workshop, registry: Registry, *, dry_run: bool = False, only: Sequence[str] = (), quiet: bool = False
) -> AnalyseOutcome:
    from catchpot.run.execute import analyse

    with progress_bars(quiet=quiet) as progress:
        return analyse(workshop, registry, dry_run=dry_run, only=tuple(only) or None, progress=progress)


@app.command(name="analyse")
def analyse_command(*only: str, dry_run: bool = False, json: Json = False, trust_plugins: Trust = False) -> int:
    """Run the analyses whose inputs changed.

    Parameters
    ----------
    only
        Names of analyses; all where none is given.
    dry_run
        Say what would run and why, and run nothing.
    """
    workshop, registry = _open(trust_plugins)
    _need_ledgers(workshop)
    outcome = _analyse(workshop, registry, dry_run=dry_run, only=only, quiet=json)
    emit(outcome.as_dict(), outcome.sentences(), as_json=json)
    warn(outcome.complaints())
    return _status(workshop, registry, outcome.complaints())


@app.command(name="report")
def report_command(
    *, out: Path | None = None, single_file: str | None = None, json: Json = False, trust_plugins: Trust = False
) -> int:
    """Write the HTML report from what is stored; nothing is computed.

    Parameters
    ----------
    out
        Folder to write to; the workshop's reports/ where none is given.
    single_file
        A mould whose page is wanted as one file too, to mail it.
    """
    from catchpot.report.render import write_report

    workshop, registry = _open(trust_plugins)
    _need_ledgers(workshop)
    from catchpot.run.execute import away

    outcome = write_report(workshop, registry, out, away(workshop, registry), single=single_file or "")
    emit(outcome.as_dict(), outcome.sentences(), as_json=json)
    warn(outcome.complaints())
    return _status(workshop, registry, outcome.complaints())


@app.command
def run(
    *,
    profile: str | None = None,
    timings: bool = False,
    verify: bool = False,
    json: Json = False,
    trust_plugins: Trust = False,
) -> int:
    """Ingest, analyse and report, one after the other.

    Parameters
    ----------
    profile
        Read the files that no plain log header claims with this log profile.
    timings
        Say where the time went: of each analysis parts, rows read and seconds.
    verify
        Read every log again, not only those whose size or time stamp changed.
    """
    from catchpot.report.render import write_report

    workshop, registry = _open(trust_plugins)
    return _run(workshop, registry, profile, json, write_report, timings=timings, verify=verify)


def _still_there(workshop: Workshop, stored: bool) -> None:
    """End a run whose folder or store vanished under it: what follows would tell of an empty workshop."""

    if not workshop.home.is_dir():
        raise CatchpotError(f"{workshop.home}: the workshop's folder vanished during the run; nothing more was done")
    if stored and not workshop.store_path.exists():
        raise CatchpotError(f"{workshop.store_path}: the store vanished during the run; run again to make a new one")


def _run(
    workshop: Workshop,
    registry: Registry,
    profile: str | None,
    json: bool,
    write_report: Callable[..., Any],
    *,
    timings: bool = False,
    verify: bool = False,
) -> int:
    began = time.perf_counter()
    taken = _ingest(workshop, registry, profile, quiet=json, verify=verify)
    with _telling(taken.sentences()):
        return _go_on(workshop, registry, taken, json, write_report, began if timings else None)


@contextmanager
def _telling(finished: Sequence[str]) -> Iterator[None]:
    """Have a stop in the block tell what was finished before it."""
    from catchpot.errors import Stopped

    try:
        yield
    except KeyboardInterrupt as stop:
        raise Stopped([*finished, *getattr(stop, "finished", [])]) from None


def _go_on(
    workshop: Workshop,
    registry: Registry,
    taken: IngestOutcome,
    json: bool,
    write_report: Callable[..., Any],
    began: float | None,
) -> int:
    """Analyse and report what was taken. began: where times are asked for, when taking it began."""
    ingested = time.perf_counter()
    _still_there(workshop, taken.shots_known)
    if workshop.lacking:
        emit({"ingest": taken.as_dict()}, taken.sentences(), as_json=json)
        warn(taken.complaints())
        _need_ledgers(workshop)
    computed = _analyse(workshop, registry, quiet=json)
    analysed = time.perf_counter()
    _still_there(workshop, taken.shots_known)
    from catchpot.run import pages

    key = pages.made_of(workshop, registry, computed.away)
    if pages.stand(workshop.reports_dir, key):
        from catchpot.report.render import ReportOutcome

        written = ReportOutcome(workshop.reports_dir / "index.html", (), board=pages.board(workshop.reports_dir))
        told = {"index": str(workshop.reports_dir / "index.html"), "unchanged": True}
        said, wrong = [f"report: {workshop.reports_dir / 'index.html'} (nothing changed)"], []
    else:
        with _telling(computed.sentences()):
            written = write_report(workshop, registry, None, computed.away)
        told, said, wrong = written.as_dict(), written.sentences(), written.complaints()
        if not wrong:
            pages.remember(workshop.reports_dir, key, written.pages, written.board)
    seconds = {} if began is None else {
        "ingest": ingested - began, "analyse": analysed - ingested, "report": time.perf_counter() - analysed,
    }  # fmt: skip
    spent = [*computed.timings(), *(f"{what}: {s:.2f} s" for what, s in seconds.items())] if seconds else []
    emit(
        {"ingest": taken.as_dict(), "analyse": computed.as_dict(), "report": told,
         **({"seconds": seconds} if seconds else {})},
        [*taken.sentences(), *computed.sentences(), *said, *spent, *written.board],
        as_json=json,
    )  # fmt: skip
    complaints = [*taken.complaints(), *computed.complaints(), *wrong]
    warn(complaints)
    complaints += _tell_plugins(workshop, registry, taken, computed, written, complaints)
    return _status(workshop, registry, complaints)


def _tell_plugins(
    workshop: Workshop,
    registry: Registry,
    taken: IngestOutcome,
    computed: AnalyseOutcome,
    written: Any,
    complaints: Sequence[str],
) -> list[str]:
    """Tell plugins that the run is finished; sentences about those that failed."""
    from catchpot.outcome import RunOutcome
    from catchpot.plugins.telling import tell_finished

    outcome = RunOutcome(
        workshop.home.resolve(),
        computed.as_of,
        taken.as_dict(),
        computed.as_dict(),
        written.as_dict(),
        tuple(complaints),
    )
    said = tell_finished(registry, outcome)
    warn(said)
    return said


@app.command
def quarantine(*, json: Json = False) -> int:
    """List the files set aside, with reason, line and time."""
    from catchpot.ingest.load import list_quarantine
    from catchpot.workshop import open_with_last_good

    rows = list_quarantine(open_with_last_good(home()))
    lines = [
        f"{r['source_file']}{':' + str(r['line']) if r['line'] else ''}: {r['reason']} "
        f"(seen {r['seen_at']:%Y-%m-%d %H:%M} UTC)"
        for r in rows
    ]
    emit({"quarantine": rows}, lines or ["nothing is set aside"], as_json=json)
    return DONE


@app.command
def forget(name: str, *, yes: bool = False, dry_run: bool = False, json: Json = False) -> int:
    """Take a shot, or all shots of a log file, out of the store again; closed months keep their numbers.

    Parameters
    ----------
    name
        A shot, or a log file relative to the workshop.
    yes
        Don't ask.
    dry_run
        Say what would go, and change nothing.
    """
    from catchpot.ingest import forget as forgetting
    from catchpot.workshop import open_with_last_good

    workshop = open_with_last_good(home())
    going = forgetting.find(workshop, name)
    if not (yes or dry_run):
        answer = confirm(["This will go:", *going.sentences()], "Forget it?")
        if answer is None:
            warn([*going.sentences(), "Nothing was changed: there is no terminal to ask at; --yes forgets it unasked."])
            return WRONG
        if not answer:
            emit({"forgotten": False, **going.as_dict()}, ["nothing was changed"], as_json=json)
            return DONE
    if not dry_run:
        forgetting.forget(workshop, going)
    head = "would go:" if dry_run else "forgotten:"
    after = [] if dry_run else ["catchpot run renews what is computed and the pages."]
    emit({"forgotten": not dry_run, **going.as_dict()}, [head, *going.sentences(), *after], as_json=json)
    return DONE


@app.command
def export(
    table: str,
    *,
    to: Path | None = None,
    form: Annotated[Literal["csv", "parquet", "json", "xlsx"], Parameter(name="--format")] = "csv",
    shot: str | None = None,
    overwrite: bool = False,
    decimal: Literal[".", ","] = ".",
) -> int:
    """Write a table of the store to a file or to the terminal.

    Parameters
    ----------
    table
        A table's name; `log` with --shot writes that shot as a plain log.
    to
        The file to write; the terminal where none is given (not for Parquet and spreadsheets).
    form
        csv, parquet, json or xlsx (a spreadsheet).
    shot
        Only this shot's rows.
    overwrite
        Replace a file that is there already; the workshop's own files never are.
    decimal
        The decimal mark in CSV; with a comma, columns are parted by semicolons.
    """
    from catchpot.store.export import export_table
    from catchpot.workshop import open_with_last_good

    text = export_table(
        open_with_last_good(home()), table, to=to, form=form, shot=shot, overwrite=overwrite, decimal=decimal
    )
    if text is not None:
        stdout().write(text)
    else:
        emit({}, [f"wrote {to}"], as_json=False)
    return DONE


@app.command(name="watch")
def watch_command(*, every: float = 2.0, polling: bool = False, trust_plugins: Trust = False) -> int:
    """Take logs as they arrive, run what is stale and refresh the report, until stopped by a signal.

    Parameters
    ----------
    every
        Seconds between two looks; a file is taken when it stood still between them.
    polling
        Only look, for network shares where the system tells of no changes.
    """
    from catchpot.ingest.watch import stopping, watch
    from catchpot.report.render import write_report

    def once() -> None:
        workshop, registry = _open(trust_plugins)
        _run(workshop, registry, None, False, write_report)
        sys.stdout.flush()

    workshop, _ = _open(trust_plugins)
    patterns = [pattern for p in workshop.settings.profiles.values() for pattern in p.files]
    with stopping() as stop:
        follow = workshop.settings.workshop.follow_links
        runs = watch(
            workshop.home, once, stop=stop, patterns=patterns, every_s=every, polling=polling, follow_links=follow
        )
    emit({}, [f"stopped after {runs} {'run' if runs == 1 else 'runs'}"], as_json=False)
    return DONE


@app.command
def plugins(
    action: Literal["list", "new", "test", "forget"] = "list",
    name: str | None = None,
    *,
    package: bool = False,
    to: Path = Path(),
    json: Json = False,
    trust_plugins: Trust = False,
) -> int:
    """List plugins: origin, what they register, what is wrong with them. Begin, test or forget one.

    Parameters
    ----------
    action
        `new NAME` writes a plugin to start from, with its test. `test NAME` runs the checks of the kit and the
        plugin's own tests. `forget NAME` takes out what an analysis gave that is no longer in use; nothing else does.
    name
        The plugin; of `forget` the analysis.
    package
        With `new`: a distribution of its own, not a file in the workshop's plugins/.
    to
        With `--package`: the folder to write it into.
    """
    if action == "list":
        from catchpot.plugins.listing import listing

        found = listing(home(), trust_plugins=trust_plugins)
        warn(found.warnings)
        emit({"plugins": found.rows, "kept": found.kept}, found.sentences(), as_json=json)
        return DONE if found.sound else FAILED
    if name is None:
        warn([f"plugins {action}: name the {'analysis whose results are to go' if action == 'forget' else 'plugin'}"])
        return WRONG
    if action == "new":
        return _new_plugin(name, package, to, json)
    if action == "test":
        from catchpot.plugins.trial import try_plugin

        trial = try_plugin(home(), name)
        given = {"plugin": name, "complaints": trial.complaints, "tests": trial.tests, "passed": trial.passed}
        emit(given, [line for s in trial.sentences() for line in s.splitlines()], as_json=json)
        return DONE if trial.passed else FAILED
    from catchpot.run.execute import forget_results

    tables = forget_results(*_open(trust_plugins), name)
    words = f", its tables {', '.join(tables)} among them" if tables else ""
    emit({"forgotten": name, "tables": tables}, [f"took out what {name} had given{words}"], as_json=json)
    return DONE


def _new_plugin(name: str, package: bool, to: Path, json: bool) -> int:
    from catchpot.plugins.scaffold import new_drop_in, new_package

    if name in set(app):
        warn([f"plugins new: {name} is a command of catchpot; choose another name"])
        return WRONG
    written = new_package(to, name) if package else new_drop_in(home(), name)
    top = written[0].parent
    after = [f"next: pip install -e '{top}[dev]', then {top / 'ci.sh'}"] if package else []
    after = after or [f"next: catchpot plugins test {name}, then catchpot run"]
    emit({"written": written}, [*(f"wrote {path}" for path in written), *after], as_json=json)
    return DONE


@app.command
def failures(name: str | None = None, *, json: Json = False) -> int:
    """List what failed in the last run of each analysis; with a name, the whole error text of each kind.

    Parameters
    ----------
    name
        An analysis.
    """
    from catchpot.report.collect import failures as collected
    from catchpot.store import Store
    from catchpot.workshop import open_with_last_good

    with Store(open_with_last_good(home()).store_path).reading() as r:
        rows = r.ledger()
    failed = [f for f in collected(rows) if name is None or f.analysis == name]
    if name is not None and name not in set(rows["analysis"]):
        warn([f"no analysis {name!r} has run here; those that have: {', '.join(sorted(set(rows['analysis'])))}"])
        return WRONG
    traces = {(a, p): reason for a, p, reason in rows.select("analysis", "part", "reason").iter_rows()}
    lines = []
    for f in failed:
        many = f"{', '.join(f.parts[:3])}" + (f" and {len(f.parts) - 3} more" if len(f.parts) > 3 else "")
        lines.append(f"{f.analysis} failed on {many}: {f.reason}")
        if name is not None:
            lines += [f"  {text}" for text in (traces[f.analysis, f.parts[0]] or "").rstrip().splitlines()]
    given = [
        {"analysis": f.analysis, "parts": list(f.parts), "reason": f.reason, "trace": traces[f.analysis, f.parts[0]]}
        for f in failed
    ]
    emit({"failures": given}, lines or ["nothing failed"], as_json=json)
    return DONE


@app.command
def demo(folder: Path = Path("catchpot-demo"), *, seed: int = 2026, json: Json = False) -> int:
    """Write a made-up workshop, ingest, analyse and report it, and print its headlines.

    Parameters
    ----------
    folder
        Where the made-up workshop is written.
    seed
        Another seed makes another workshop of the same scenario.
    """
    from catchpot.report.render import write_report
    from catchpot.testing.demo import headlines, write_demo

    os.environ["CATCHPOT_HOME"] = str(folder)
    with progress_bars(quiet=json) as progress:
        write_demo(folder, seed=seed, progress=progress)
    workshop, registry = _open()
    status = _run(workshop, registry, None, json, write_report)
    if not json:
        index = (workshop.reports_dir / "index.html").resolve()
        lines = ["", *headlines(workshop), "", f"open {index} in a browser (all data are made up)"]
        emit({}, lines, as_json=False)
    return status


def _plugin_commands(tokens: Sequence[str], core: Mapping[str, object]) -> None:
    """Let plugins add their commands, unless the first word is a core command: that one needs none of them."""
    words = [t for t in tokens if not t.startswith("-")]
    if words and words[0] in core:
        if words[0] == "note" and {"--help", "-h"} & set(tokens):
            note_commands.tell_forms(app)
        return
    from catchpot.plugins import register_commands

    warn(register_commands(app, home()))


def _main(tokens: Sequence[str], *, process: bool) -> int:
    """Run one command; where its answer is data, nothing else may get into it."""
    words = [t for t in tokens if not t.startswith("-")]
    if "--json" in tokens or "export" in words:
        with answers_only(process=process):
            return _command(tokens)
    return _command(tokens)


def _command(tokens: Sequence[str]) -> int:
    rest = list(tokens)
    for i, token in enumerate(rest):
        if token == "--home" or token.startswith("--home="):
            value = token.partition("=")[2] if "=" in token else (rest[i + 1] if i + 1 < len(rest) else "")
            if not value:
                warn(["--home needs a folder"])
                return WRONG
            os.environ["CATCHPOT_HOME"] = value
            del rest[i : i + (1 if "=" in token else 2)]
            break
    core = {name: None for name in app if not name.startswith("-")}
    _plugin_commands(rest, core)
    try:
        status = app(rest, exit_on_error=False, print_error=True, result_action="return_value")
    except CycloptsError:
        return WRONG
    except (CatchpotError, BrokenPipeError):
        raise
    except Exception as error:
        name = next((t for t in rest if not t.startswith("-")), "")
        if name in core or name not in app or os.environ.get("CATCHPOT_TRACE"):
            raise
        warn([_command_failed(name, error)])
        return FAILED
    return status if isinstance(status, int) else DONE


def _command_failed(name: str, error: Exception) -> str:
    """What to say of a plugin's command that raised."""
    from catchpot.run.guard import fault_words

    module = sys.modules.get(getattr(app[name].default_command, "__module__", ""))
    return f"the command {name} failed: {fault_words(error, module)}; CATCHPOT_TRACE=1 before it shows the whole error"


def main(tokens: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status: 0 done, 1 something failed, 2 the user's input is wrong."""
    import warnings

    if tokens is None and not sys.warnoptions:
        warnings.simplefilter("ignore")  # of libraries, to programmers; -W brings them back
    try:
        status = _main(sys.argv[1:] if tokens is None else tokens, process=tokens is None)
    except CatchpotError as error:
        warn(error.lines())
        status = error.status
    except BrokenPipeError:
        # Whoever read the output has seen enough; what is still buffered must not complain at the exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        status = DONE
    except KeyboardInterrupt as stop:
        warn([*getattr(stop, "finished", []), "stopped"])
        status = 130
    if tokens is None:
        sys.exit(status)
    return status


if __name__ == "__main__":
    main()
