"""Nothing outside of the workshop's folder is read or written through a link unless it was asked for."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from catchpot.plugins import load
from catchpot.report.render import write_report
from catchpot.whole import WriteError
from catchpot.workshop import open_workshop

Plain = Callable[..., str]


def ingest(bench: Any) -> Any:
    from catchpot.ingest.load import ingest as whole

    workshop = open_workshop(bench.home)
    return whole(workshop, load(workshop))


def test_links_that_lead_out_are_not_read_unless_the_settings_say_so(
    bench: Any, plain: Plain, tmp_path_factory: pytest.TempPathFactory
) -> None:
    outside = tmp_path_factory.mktemp("outside")
    (outside / "secret.csv").write_text(plain(shot="secret"))
    bench.put("a.csv", plain())
    (bench.home / "logs" / "out.csv").symlink_to(outside / "secret.csv")
    (bench.home / "logs" / "folder").symlink_to(outside)
    (bench.home / "logs" / "in.csv").symlink_to(bench.home / "logs" / "a.csv")
    (bench.home / "other").symlink_to(outside)
    (bench.home / "catchpot.toml").write_text(
        '[profiles.p]\nfiles = ["other/*.csv"]\n[profiles.p.time]\ncolumn = "t_s"\n'
        '[profiles.p.channels]\nflow_l_min = { column = "flow_l_min" }\n'
        'line_pressure_bar = { column = "line_pressure_bar", reference = "gauge" }\n'
        'cavity_pressure_mbar = { column = "cavity_pressure_mbar", reference = "absolute" }\n'
    )
    outcome = ingest(bench)
    assert bench.table("shot")["shot"].to_list() == ["s1"]
    assert [x.partition(":")[0] for x in outcome.unread] == ["logs/out.csv", "other/secret.csv"]
    assert all("leads out of the workshop" in x for x in outcome.complaints())
    (bench.home / "catchpot.toml").write_text("[workshop]\nfollow_links = true\n")
    outcome = ingest(bench)
    assert outcome.complaints() == []
    assert bench.table("shot")["shot"].to_list() == ["s1", "secret"]


def test_logs_itself_may_be_a_link(bench: Any, plain: Plain, tmp_path_factory: pytest.TempPathFactory) -> None:
    share = tmp_path_factory.mktemp("share")
    (share / "a.csv").write_text(plain())
    (bench.home / "logs").rmdir()
    (bench.home / "logs").symlink_to(share)
    assert ingest(bench).new == 1


def test_reports_as_a_link_is_not_written_through(bench: Any, tmp_path_factory: pytest.TempPathFactory) -> None:
    outside = tmp_path_factory.mktemp("outside")
    (bench.home / "reports").symlink_to(outside)
    workshop = open_workshop(bench.home)
    with pytest.raises(WriteError, match="this is a link; nothing is written through it"):
        write_report(workshop, load(workshop))
    assert list(outside.iterdir()) == []
    assert write_report(workshop, load(workshop), Path(bench.home / "reports")).pages  # named by hand
