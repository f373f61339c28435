"""Findings against the verdicts people gave: how well the tool would have done. Nothing here moves a threshold."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl

VERDICTS = ("good", "rework", "scrap")


def _judged(part: pl.DataFrame, found: pl.DataFrame, shots: pl.Series) -> pl.DataFrame:
    """Shots with a verdict and what the gravest of their findings was."""
    import polars as pl

    grave = found.filter(pl.col("severity") != "note")
    act = grave.filter(pl.col("severity") == "act")["shot"].unique()
    any_of = grave["shot"].unique()
    return part.filter(pl.col("verdict").is_in(list(VERDICTS)) & pl.col("shot").is_in(shots.implode())).select(
        "shot",
        "verdict",
        pl.when(pl.col("shot").is_in(act.implode())).then(pl.lit("to act on"))
        .when(pl.col("shot").is_in(any_of.implode())).then(pl.lit("to watch"))
        .otherwise(pl.lit("no finding")).alias("found"),
    )  # fmt: skip


def confusion(part: pl.DataFrame, found: pl.DataFrame, shots: pl.Series) -> pl.DataFrame | None:
    """Number of shots by gravest finding (rows) and verdict (columns); None where no verdict was given.

    part: shot, verdict. found: findings. shots: those that were judged.
    """
    import polars as pl

    judged = _judged(part, found, shots)
    if judged.is_empty():
        return None
    rows = [
        {
            "finding": row,
            **{v: judged.filter((pl.col("found") == row) & (pl.col("verdict") == v)).height for v in VERDICTS},
        }
        for row in ("to act on", "to watch", "no finding")
    ]
    return pl.DataFrame(rows)


def sentence(part: pl.DataFrame, found: pl.DataFrame, shots: pl.Series) -> str:
    """What the table says in words, with intervals (Wilson, 95 %)."""
    import polars as pl

    from catchpot.report.words import count

    judged = _judged(part, found, shots)
    bad = judged.filter(pl.col("verdict") != "good")
    good = judged.filter(pl.col("verdict") == "good")
    caught = bad.filter(pl.col("found") != "no finding").height
    wrong = good.filter(pl.col("found") != "no finding").height
    parts = []
    if bad.height:
        low, high = wilson(caught, bad.height)
        parts.append(
            f"Of {count(bad.height, 'part')} scrapped or reworked, {caught} had a finding "
            f"({100 * caught / bad.height:.0f} %, 95 %: {low:.0f} to {high:.0f})"
        )
    if good.height:
        low, high = wilson(wrong, good.height)
        parts.append(
            f"of {count(good.height, 'good part')}, {wrong} had one "
            f"({100 * wrong / good.height:.1f} %, 95 %: {low:.1f} to {high:.1f})"
        )
    text = "; ".join(parts)
    return text[0].upper() + text[1:] + ". Verdicts change no threshold." if text else ""


def wilson(hits: int, n: int) -> tuple[float, float]:
    """Wilson's 95 % interval of a share, per cent.

    >>> tuple(round(v, 1) for v in wilson(0, 10))
    (0.0, 27.8)
    """
    z2, p = 1.959964**2, hits / n
    middle = (p + z2 / (2 * n)) / (1 + z2 / n)
    half = 1.959964 * (p * (1 - p) / n + z2 / (4 * n * n)) ** 0.5 / (1 + z2 / n)
    return 100 * max(middle - half, 0.0), 100 * min(middle + half, 1.0)


def by_kind(part: pl.DataFrame, found: pl.DataFrame) -> pl.DataFrame:
    """Verdicts of the shots with each kind of finding."""
    import polars as pl

    from catchpot.report import words

    kinds = found.select("shot", "kind").unique()
    joined = kinds.join(part.filter(pl.col("verdict").is_in(list(VERDICTS))), on="shot", how="inner")
    rows = [
        {
            "finding": words.words_of(kind),
            **{v: joined.filter((pl.col("kind") == kind) & (pl.col("verdict") == v)).height for v in VERDICTS},
        }
        for kind in sorted(joined["kind"].unique())
    ]
    return pl.DataFrame(rows, schema={"finding": pl.String, **dict.fromkeys(VERDICTS, pl.Int64)})


__all__ = ["by_kind", "confusion", "sentence", "wilson"]
