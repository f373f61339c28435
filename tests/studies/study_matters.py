"""Study: cards of made-up workshops in which something changed, against what did change; see `matters_world`."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl
from joblib import Parallel, delayed
from tests.studies.harness import study
from tests.studies.matters_world import IDENTIFIABLE, run


@study("matters", seeds=40, slice_seeds=1)
def matters(seeds: Sequence[int]) -> pl.DataFrame:
    """Changes found, first cause right, second cards, events blamed, cards without a change; by cause.

    Bars over identifiable changes: first cause right in at least 90 % of those found, no second card in at least 95 %,
    no event blamed that did not do it in at least 97 % of cards. Cards that are only notes are not counted as second.
    nearest_event_right_pct: the plain peer, the nearest event taken for the cause. in_time_pct: ramps of the clamp told
    before the blocked-vent margin had halved. Last rows: of cards that say so, how many name what did change (a card
    where nothing changed is wrong).
    """
    made_of = Parallel(n_jobs=2)(delayed(run)(1000 + seed) for seed in seeds)
    rows = pl.DataFrame([r for of_seed in made_of for r in of_seed], infer_schema_length=None)
    changed = rows.filter(pl.col("cause") != "none")
    groups = [("all", changed), ("identifiable", changed.filter(pl.col("cause").is_in(IDENTIFIABLE)))]
    groups += [(c, changed.filter(pl.col("cause") == c)) for c in sorted(changed["cause"].unique())]
    made = []
    for name, own in groups:
        found = own.filter("found")
        made.append({
            "cause": name, "changes": own.height, "found_pct": _share(own["found"]),
            "first_right_pct": _share(found["first_right"]), "nearest_event_right_pct": _share(found["by_event"]),
            "in_time_pct": _share(own["in_time"].drop_nulls().cast(pl.Boolean)),
            "second_card_pct": _share(found["cards"] > 1),
            "events_named": int(found["blamed"].sum()),
            "wrong_events": int((found["blamed"] - found["blamed_right"]).sum()),
        })  # fmt: skip
    none = rows.filter(pl.col("cause") == "none")
    made.append({
        "cause": "no change (moulds)", "changes": none.height, "found_pct": _share(none["found"]),
        "first_right_pct": None, "nearest_event_right_pct": None, "in_time_pct": None, "second_card_pct": None,
        "events_named": int(none["blamed"].sum()),
        "wrong_events": int(none["blamed"].sum()),
    })  # fmt: skip
    said = [pair for pairs in rows["chances"].to_list() for pair in pairs or []]
    for low, high in ((0.0, 0.5), (0.5, 0.8), (0.8, 0.95), (0.95, 1.01)):
        right = [r for chance, r in said if low <= chance < high]
        made.append({
            **dict.fromkeys(made[0]), "cause": f"cards that say {100 * low:.0f} to {min(100 * high, 99):.0f} %",
            "changes": len(right), "first_right_pct": _share(pl.Series(right, dtype=pl.Float64)),
        })  # fmt: skip
    return pl.DataFrame(made, infer_schema_length=None)


def _share(flags: pl.Series) -> float | None:
    return round(100.0 * float(flags.cast(pl.Float64).mean()), 1) if len(flags) else None  # type: ignore[arg-type]  # a number
