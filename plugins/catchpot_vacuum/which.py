"""Outer or inner seal, mould by mould, and what was not assessed, for the command."""

from __future__ import annotations

from collections.abc import Set

import polars as pl

from catchpot_vacuum.words_of_seals import both_between


def which_seal(refusal: pl.DataFrame, split: pl.DataFrame) -> list[str]:
    """What the last hold checks say of either seal, or which hold check would tell; moulds told alike share a line."""
    told = split.filter(pl.col("leak_mbar_l_s").is_not_null())
    lines = {}
    for mould in told["mould"].unique().sort().to_list():
        rows = {r["seal"]: r for r in told.filter(pl.col("mould") == mould).to_dicts()}
        if {"outer", "inner"} <= set(rows):
            # the newest hold alone, which stands in findings, may say otherwise
            over = f"over its last {rows['outer']['shots']} holds together, "
            lines[mould] = over + both_between(rows["outer"], rows["inner"])
    asked = refusal.filter(pl.col("what") == "seal_watch.outer and inner")
    for mould, reason in asked.select("unit", "reason").iter_rows():
        lines.setdefault(mould, reason)
    alike: dict[str, list[str]] = {}
    for mould in sorted(lines):
        alike.setdefault(lines[mould], []).append(mould)
    return [f"{', '.join(moulds)}: {line}." for line, moulds in alike.items()]


def not_told(refusal: pl.DataFrame, given: Set[str], shot: pl.DataFrame) -> list[str]:
    """Why a mould with shots has no forecast at all: what most of its shots say."""
    lines = []
    for mould in sorted(set(shot["mould"].drop_nulls()) - given):
        shots = shot.filter(pl.col("mould") == mould)["shot"].to_list()
        reasons = refusal.filter((pl.col("what") == "seal_leak.clamp") & pl.col("unit").is_in(shots))["reason"]
        usual = reasons.drop_nulls().mode().sort().to_list()
        lines.append(f"{mould}: no forecast; {usual[0] if usual else 'no leak is known of it'}.")
    return lines


__all__ = ["not_told", "which_seal"]
