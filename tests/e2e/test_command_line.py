"""The command line as a person uses it: a process of its own, its output, its exit status."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "sample_runs"


def catchpot(*words: str, home: Path | None = None) -> subprocess.CompletedProcess[str]:
    place = ["--home", str(home)] if home else []
    env = {k: v for k, v in os.environ.items() if k != "CATCHPOT_HOME"}
    return subprocess.run(
        [sys.executable, "-m", "catchpot.cli", *place, *words], capture_output=True, text=True, timeout=300, env=env
    )


@pytest.fixture
def workshop(tmp_path: Path) -> Path:
    """A copy of the committed made-up workshop."""
    home = tmp_path / "workshop"
    shutil.copytree(SAMPLE, home)
    return home


@pytest.fixture(scope="module")
def run_once(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, dict[str, Any]]:
    """The committed made-up workshop without its last log, run once; that log; and what the run said."""
    home = tmp_path_factory.mktemp("once") / "workshop"
    shutil.copytree(SAMPLE, home)
    held_back = sorted((home / "logs").rglob("*.csv"))[-1]
    aside = home.parent / held_back.name
    shutil.move(held_back, aside)
    first = catchpot("run", "--json", home=home)
    assert first.returncode == 0, first.stderr
    return home, aside, json.loads(first.stdout)


@pytest.fixture
def begun(run_once: tuple[Path, Path, dict[str, Any]], tmp_path: Path) -> Path:
    """A copy of it."""
    return Path(shutil.copytree(run_once[0], tmp_path / "workshop"))


def arrive(workshop: Path, log: Path) -> None:
    """Have the log that was held back arrive."""
    shutil.copy(log, workshop / sorted((SAMPLE / "logs").rglob("*.csv"))[-1].relative_to(SAMPLE))


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys, catchpot.cli\n"
        "status = catchpot.cli.main(['--help'])\n"
        "names = 'polars duckdb plotly sklearn scipy pandas pyarrow statsmodels numpy'.split()\n"
        "heavy = set(names) & set(sys.modules)\n"
        "sys.exit(f'loaded {heavy}' if heavy else status)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    for command in ("demo", "init", "check", "ingest", "analyse", "report", "run", "quarantine", "export", "plugins"):
        assert command in done.stdout


def test_a_second_run_computes_nothing_and_one_new_log_one_shot(
    run_once: tuple[Path, Path, dict[str, Any]], begun: Path
) -> None:
    workshop = begun
    assert run_once[2]["ingest"]["new"] > 10

    second = json.loads(catchpot("run", "--json", home=workshop).stdout)
    assert second["ingest"]["new"] == 0
    assert {a["analysis"]: a["computed"] for a in second["analyse"]["analyses"] if a["computed"]} == {}

    arrive(workshop, run_once[1])
    third = json.loads(catchpot("run", "--json", home=workshop).stdout)
    assert third["ingest"]["new"] == 1
    computed = {a["analysis"]: a["computed"] for a in third["analyse"]["analyses"]}
    assert computed["log"] == computed["fill"] == 1
    page = (workshop / "reports" / "index.html").read_text(encoding="utf-8")
    assert all(mould in page for mould in ("door-1", "hatch-2", "seat-4"))


def test_init_check_and_a_wrong_key(tmp_path: Path) -> None:
    home = tmp_path / "new"
    assert catchpot("init", home=home).returncode == 0
    assert catchpot("check", home=home).returncode == 0
    book = home / "moulds.toml"
    book.write_text(book.read_text(encoding="utf-8").replace("flow_length_m", "flow_lenght_m", 1), encoding="utf-8")
    wrong = catchpot("check", home=home)
    line = next(i for i, x in enumerate(book.read_text(encoding="utf-8").splitlines(), 1) if "flow_lenght_m" in x)
    assert wrong.returncode == 2
    assert f"moulds.toml:{line}: " in wrong.stdout + wrong.stderr
    assert "did you mean flow_length_m" in wrong.stdout + wrong.stderr


@pytest.mark.parametrize("words", [("run",), ("check",), ("report",)])
def test_a_folder_that_is_no_workshop(tmp_path: Path, words: tuple[str, ...]) -> None:
    done = catchpot(*words, home=tmp_path / "nowhere")
    assert done.returncode == 2
    assert "catchpot.toml" in done.stdout + done.stderr
    assert "Traceback" not in done.stderr


def test_a_command_that_does_not_exist() -> None:
    done = catchpot("explode")
    assert done.returncode == 2
    assert "Traceback" not in done.stderr


def test_bad_logs_are_set_aside_and_good_ones_go_in(workshop: Path) -> None:
    logs = workshop / "logs"
    good = sorted(logs.rglob("*.csv"))
    text = good[0].read_text(encoding="utf-8")
    bad = {
        "empty.csv": "",
        "letter.csv": "Dear all,\nplease find the shots of Monday attached.\n",
        "cut.csv": text.rstrip("\n")[:-3].replace("# shot = ", "# shot = cut-", 1),
    }
    for name, content in bad.items():
        (logs / name).write_text(content, encoding="utf-8")
    (logs / "stranger.csv").write_text(
        "".join(
            "# mould = nobody-knows\n" if x.startswith("# mould") else x
            for x in text.replace("# shot = ", "# shot = stranger-", 1).splitlines(keepends=True)
        ),
        encoding="utf-8",
    )
    done = catchpot("ingest", "--json", home=workshop)
    told = json.loads(done.stdout)
    assert done.returncode == 1
    assert told["new"] >= len(good) + 1
    assert told["unknown_moulds"]
    rows = json.loads(catchpot("quarantine", "--json", home=workshop).stdout)["quarantine"]
    aside = {Path(r["source_file"]).name: r["reason"] for r in rows}
    assert {"empty.csv", "letter.csv"} <= set(aside)
    assert all(len(reason) > 15 for reason in aside.values())
    again = catchpot("ingest", "--json", home=workshop)
    assert again.returncode == 0, "a file set aside before is not newly set aside"


def test_profile_proposes_and_writes_nothing_unless_asked(workshop: Path) -> None:
    before = (workshop / "catchpot.toml").read_bytes()
    log = workshop / "logs" / "old.csv"
    rows = "".join(f"02.03.2026 08:00:{i:02d},5;{0 if i < 20 else 850};0,25;551,2\n" for i in range(60))
    log.write_text(f"Zeit;Durchfluss [cc/min];P [bar];Vak [mbar]\n{rows}", encoding="cp1252")
    done = catchpot("profile", str(log), "--json", home=workshop)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert 'decimal = ","' in told["profile"]
    assert any("gauge" in sentence for sentence in told["could_not_tell"]), "a pressure's reference is never guessed"
    assert (workshop / "catchpot.toml").read_bytes() == before
    assert catchpot("profile", str(log.with_name("none.csv")), home=workshop).returncode == 2


def test_watch_takes_a_log_that_arrives_and_stops_on_a_signal(
    run_once: tuple[Path, Path, dict[str, Any]], begun: Path
) -> None:
    workshop = begun
    shutil.rmtree(workshop / "reports")
    index = workshop / "reports" / "index.html"
    watching = subprocess.Popen(
        [sys.executable, "-m", "catchpot.cli", "--home", str(workshop), "watch", "--every", "0.3", "--polling"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert _within(120, index.exists), "no first report"
        first = index.stat().st_mtime_ns
        arrive(workshop, run_once[1])
        assert _within(120, lambda: index.stat().st_mtime_ns > first), "the log that arrived was not taken"
        time.sleep(0.5)
        watching.send_signal(signal.SIGTERM)
        said, wrong = watching.communicate(timeout=60)
    finally:
        watching.kill()
    assert watching.returncode == 0, wrong
    assert "1 new shot" in said
    assert "stopped after 2 runs" in said


def _within(seconds: float, happened: Callable[[], bool]) -> bool:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if happened():
            return True
        time.sleep(0.2)
    return False


def test_forget_asks_says_what_goes_and_keeps_closed_months(
    run_once: tuple[Path, Path, dict[str, Any]], begun: Path
) -> None:
    workshop = begun
    shot = run_once[2]["ingest"]["shots"][-1]
    unasked = catchpot("forget", shot, home=workshop)
    assert unasked.returncode == 2 and "there is no terminal to ask at" in unasked.stderr
    looked = json.loads(catchpot("forget", shot, "--dry-run", "--json", home=workshop).stdout)
    assert looked["shots"] == [shot] and not looked["forgotten"]
    (workshop / looked["files"][0]).unlink()
    gone = catchpot("forget", shot, "--yes", home=workshop)
    assert gone.returncode == 0 and shot in gone.stdout
    assert catchpot("forget", "nobody", home=workshop).returncode == 2
    again = catchpot("run", home=workshop)
    assert again.returncode == 0, again.stderr
    assert shot not in catchpot("export", "fill", home=workshop).stdout


def limited(most: int, *words: str, home: Path) -> subprocess.CompletedProcess[str]:
    """A command none of whose files may grow beyond so many bytes, as on a full disk."""
    import resource

    # -B: what it compiles would be cut off too, and read by the next process
    program = [sys.executable, "-B", "-m", "catchpot.cli", "--home", str(home), *words]
    return subprocess.run(
        program, capture_output=True, text=True, timeout=300,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (most, most)),
    )  # fmt: skip


@pytest.mark.slow
def test_a_disk_that_is_full_costs_no_page_that_was_good(workshop: Path, tmp_path: Path) -> None:
    assert catchpot("run", home=workshop).returncode == 0
    before = {p.name: p.read_bytes() for p in (workshop / "reports").rglob("*") if p.is_file()}
    # Nothing changed, so nothing is written and a full disk does no harm.
    assert limited(1000, "report", home=workshop).returncode == 0
    for words in (("next", "door-1"), ("export", "sample", "--to", str(tmp_path / "x.csv")),
                  ("export", "sample", "--format", "parquet", "--to", str(tmp_path / "x.parquet")),
                  ("report", "--out", str(tmp_path / "out"))):  # fmt: skip
        done = limited(1000, *words, home=workshop)
        assert done.returncode == 1, (words, done.stderr)
        assert "beyond the size that is allowed" in done.stderr and "Traceback" not in done.stderr
        assert len(done.stderr.splitlines()) == 1
    assert {p.name: p.read_bytes() for p in (workshop / "reports").rglob("*") if p.is_file()} == before
    assert [p.name for p in tmp_path.iterdir() if p.name != "workshop"] == ["out"]
    assert [p for p in (tmp_path / "out").rglob("*") if p.is_file()] == []


@pytest.mark.parametrize("what", ["store", "folder"])
def test_a_run_whose_store_or_folder_vanishes_ends_and_says_so(workshop: Path, what: str) -> None:
    code = (
        "import sys, shutil, catchpot.cli as c\n"
        "before = c._ingest\n"
        "def ingest(w, *a, **k):\n"
        "    done = before(w, *a, **k)\n"
        f"    w.store_path.unlink() if {what == 'store'} else shutil.rmtree(w.home)\n"
        "    return done\n"
        "c._ingest = ingest\n"
        f"sys.exit(c.main(['--home', {str(workshop)!r}, 'run']))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=300)
    assert done.returncode == 1
    assert "vanished during the run" in done.stderr and len(done.stderr.splitlines()) == 1
    assert not (workshop / "reports").exists()


def test_a_wrong_ledger_stops_no_log_and_the_page_says_by_what_it_goes(
    run_once: tuple[Path, Path, dict[str, Any]], begun: Path
) -> None:
    workshop = begun
    arrive(workshop, run_once[1])
    with (workshop / "events.csv").open("a", encoding="utf-8") as out:
        out.write("someday,,note,x\n")
    done = catchpot("run", "--json", home=workshop)
    assert done.returncode == 2
    assert "events.csv:" in done.stderr and "found 'someday'" in done.stderr and "last good state" not in done.stderr
    given = json.loads(done.stdout)
    assert given["ingest"]["new"] == 1
    assert {a["analysis"]: a["computed"] for a in given["analyse"]["analyses"]}["fill"] == 1
    for page in ("index.html", "moulds/door-1.html"):
        text = (workshop / "reports" / page).read_text(encoding="utf-8")
        assert "events.csv line" in text and "left out" in text and "last good state" not in text
    # a ledger that can't be read at all is taken as it was last good
    (workshop / "events.csv").write_text("time,mould,knid,detail\n")
    done = catchpot("report", home=workshop)
    assert done.returncode == 2 and "last good state" in done.stderr
    text = (workshop / "reports" / "index.html").read_text(encoding="utf-8")
    assert "events.csv is wrong" in text and "last good state" in text
    fresh = workshop.parent / "fresh"
    shutil.copytree(SAMPLE, fresh)
    (fresh / "moulds.toml").write_text("[moulds.door-1\n")
    done = catchpot("run", home=fresh)
    assert done.returncode == 2 and "no analysis was run" in done.stderr
    assert not (fresh / "reports").exists()
    assert "door-1-0001" in catchpot("export", "shot", home=workshop).stdout
    (fresh / "moulds.toml").write_text((SAMPLE / "moulds.toml").read_text())
    assert json.loads(catchpot("ingest", "--json", home=fresh).stdout)["unchanged"] > 10


def test_json_is_json_and_nothing_else_whatever_a_plugin_prints(
    workshop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(workshop.parent / "config"))
    (workshop / "plugins").mkdir()
    (workshop / "plugins" / "loud.py").write_text(
        "import os, sys, warnings\n"
        "from catchpot import hookimpl\n"
        "print('loud at import')\n"
        "@hookimpl\n"
        "def register_readers():\n"
        "    print('loud in a hook')\n"
        "    os.write(1, b'loud below python\\n')\n"
        "    warnings.warn('a library warns')\n"
        "    return []\n"
    )
    done = catchpot("ingest", "--json", "--trust-plugins", home=workshop)
    assert json.loads(done.stdout)["new"] > 10
    assert done.stderr.count("loud") == 3 and "library warns" not in done.stderr
    listed = catchpot("export", "shot", home=workshop)
    assert listed.stdout.startswith("shot,mould,") and "loud" not in listed.stdout
