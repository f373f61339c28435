"""The tables the core itself fills; every other table is declared by the plugin that yields it."""

from __future__ import annotations

from catchpot.channels import CHANNELS
from catchpot.tables import Column, Table

CURVE_BINS = 200

SHOT = Table(
    "shot",
    ("shot",),
    (
        Column("shot", "str", "", "the shot's identity: `shot` of the log, else the file's stem"),
        Column("mould", "str", "", "the mould; null where the log names none"),
        Column("started_at", "datetime", "", "first sample, UTC; null where the log does not say"),
        Column("injector", "str", "", "the injection machine"),
        Column("programmed_volume_l", "f64", "l", "volume set on the machine", 0.0),
        Column("fabric_batch", "str", "", "fabric batch"),
        Column("resin_batch", "str", "", "resin batch"),
        Column("source_file", "str", "", "log file, relative to the workshop"),
        Column("source_digest", "str", "", "SHA-256 of the log's bytes (for one shot of a long log: of its rows)"),
        Column("revision", "i64", "", "1 for the first content seen, one more each time it changed", 1),
        Column("samples", "i64", "", "rows stored", 0),
        Column("stroke_volume_ml", "f64", "ml", "volume of a pump stroke, where strokes stand in for flow", 0.0),
        Column("channels", "str", "", "channels present in the log, separated by blanks"),
        Column("notes", "str", "", "other preamble entries, as JSON"),
    ),
    doc="one row a logged shot or hold check",
)

# Stored by the store with integer shot_no and mould_no and handed out with `shot`; ordered by shot, t_s.
SAMPLE = Table(
    "sample",
    ("shot", "t_s"),
    (
        Column("shot", "str", "", "the shot"),
        Column("t_s", "f64", "s", "time since the first sample", 0.0),
        Column(
            "vol_l",
            "f64",
            "l",
            "metered volume so far: trapezoid of flow on the time stamps, or strokes; rounded to 0.1 ml",
        ),
        *(Column(c.name, "f64", c.unit, c.doc) for c in CHANNELS),
    ),
    doc="the checked samples",
)

LOG_NOTE = Table(
    "log_note",
    ("shot", "kind", "channel", "line"),
    (
        Column("shot", "str", "", "the shot"),
        Column(
            "kind",
            "str",
            "",
            "what was met while reading: dropped_row, out_of_order, duplicate_time, assumed, ...",
        ),
        Column("channel", "str", "", "the channel, or empty"),
        Column("line", "i64", "", "line of the file where it was first met, 0 where it has none", 0),
        Column("count", "i64", "", "how often", 0),
        Column("detail", "str", "", "a sentence"),
    ),
    doc="what the reader had to say about a log; kept with the samples",
)

PHASE = Table(
    "phase",
    ("shot", "phase", "step"),
    (
        Column("shot", "str", "", "the shot"),
        Column("phase", "str", "", "evacuate, hold, inject, pack or settle"),
        Column("step", "i64", "", "1 for the first of its kind in the shot", 1),
        Column("start_s", "f64", "s", "first sample of the phase", 0.0),
        Column("end_s", "f64", "s", "last sample of the phase", 0.0),
        Column("start_volume_l", "f64", "l", "metered volume at its start"),
        Column("end_volume_l", "f64", "l", "metered volume at its end"),
        Column(
            "volume_low_l",
            "f64",
            "l",
            "what was metered in an injection at least: the difference of its volumes, but where flow is missing "
            "over more than 2 % of it and both are null",
            0.0,
        ),
        Column("volume_high_l", "f64", "l", "and at most, had flow stood at its peak wherever it is missing", 0.0),
    ),
    doc="phases of a shot, in time order; a hold-check log has no inject phase",
)

QUALITY = Table(
    "quality",
    ("shot", "kind", "channel", "from_s"),
    (
        Column("shot", "str", "", "the shot"),
        Column(
            "kind",
            "str",
            "",
            "gap, clock_step, stuck, at_range_end, implausible, negative_flow, ends_flowing, dropped_row, ...",
        ),
        Column("channel", "str", "", "the channel, or empty for the whole log"),
        Column("from_s", "f64", "s", "where it begins"),
        Column("to_s", "f64", "s", "where it ends"),
        Column("count", "i64", "", "samples or rows concerned", 0),
        Column("detail", "str", "", "a sentence"),
    ),
    doc="what was wrong with a log",
)

CURVE_CHANNELS = (
    "flow_l_min", "line_pressure_bar", "cavity_pressure_mbar", "clamp_pressure_mbar", "resin_temp_c",
    "mould_temp_c", "catalyst_flow_ml_min", "flange_gap_mm",
)  # fmt: skip
_UNITS = {c.name: (c.unit, c.doc) for c in CHANNELS}

CURVE = Table(
    "curve",
    ("shot",),
    (
        Column("shot", "str", "", "the shot"),
        Column(
            "injected_volume_l",
            "f64",
            "l",
            "metered volume at the end of the injection phase; the bins share it equally",
            0.0,
        ),
        Column("n", f"f64[{CURVE_BINS}]", "", "samples in each bin; the other arrays are null where it is 0", 0.0),
        Column("vol_l", f"f64[{CURVE_BINS}]", "l", "mean metered volume of the bin's samples"),
        Column("t_s", f"f64[{CURVE_BINS}]", "s", "mean time of the bin's samples"),
        *(Column(c, f"f64[{CURVE_BINS}]", _UNITS[c][0], f"mean of the bin: {_UNITS[c][1]}") for c in CURVE_CHANNELS),
    ),
    doc="the compact filling curve on the shot's own volume: 200 equal-volume bins over the injection phase",
)

EVENT = Table(
    "event",
    ("row",),
    (
        Column("row", "i64", "", "line of events.csv", 1),
        Column("time", "datetime", "", "when, UTC"),
        Column("mould", "str", "", "the mould; null for the whole workshop"),
        Column("kind", "str", "", "kind of event"),
        Column("detail", "str", "", "detail"),
    ),
    doc="events.csv",
)

PART = Table(
    "part",
    ("shot",),
    (
        Column("shot", "str", "", "the shot that made the part"),
        Column("part_mass_kg", "f64", "kg", "mass of the part", 0.0),
        Column("overflow_kg", "f64", "kg", "resin weighed in the catch pot", 0.0),
        Column("thickness_mm", "f64", "mm", "measured thickness", 0.0),
        Column("fabric_mass_kg", "f64", "kg", "mass of the fabric pack before it went in", 0.0),
        Column("gel_coat_mass_kg", "f64", "kg", "mass of the gel coat", 0.0),
        Column("trimmed", "bool", "", "whether the part was trimmed before weighing"),
        Column("verdict", "str", "", "good, rework or scrap"),
        Column("remark", "str", "", "what somebody noted of the part"),
    ),
    doc="parts.csv",
)

FINDING = Table(
    "finding",
    ("anchor",),
    (
        Column("shot", "str", "", "the shot; null for a mould's finding"),
        Column("mould", "str", "", "the mould"),
        Column("kind", "str", "", "kind of finding"),
        Column("severity", "str", "", "note, watch or act"),
        Column("since", "datetime", "", "since when, UTC"),
        Column("message", "str", "", "what, how much, with unit and interval"),
        Column("advice", "str", "", "what to do or look at first"),
        Column("analysis", "str", "", "the analysis that found it"),
        Column("anchor", "str", "", "stable name for links: analysis-kind-shot or analysis-kind-mould-date"),
        Column("until", "datetime", "", "when it ended; null while open"),
        Column("from_volume_l", "f64", "l", "where in the shot it begins"),
        Column("to_volume_l", "f64", "l", "where in the shot it ends"),
        Column("rank", "i64", "", "1 for the likeliest of competing explanations", 1),
        Column("about", "str", "", "the measure it speaks of, where it is one"),
        Column("cause", "str", "", "the cause it names, one of `catchpot.causes`; null where it names none"),
        Column("chance", "f64", "", "chance that it is so; null where none was worked out", 0.0, 1.0),
    ),
    shared=True,
    doc="findings, by name and with evidence",
)

MATTER = Table(
    "matter",
    ("matter",),
    (
        Column("matter", "str", "", "stable name for links: mould, what, date"),
        Column("mould", "str", "", "the mould"),
        Column("severity", "str", "", "note, watch or act"),
        Column("state", "str", "", "open, answered (an event did what it asked for; not proven yet) or closed"),
        Column("headline", "str", "", "what is the matter, in one sentence"),
        Column("cause", "str", "", "the likeliest cause, one of `catchpot.causes` or a kind of finding"),
        Column("cause_words", "str", "", "the same in words"),
        Column("chance", "f64", "", "chance of that cause; null where none was worked out", 0.0, 1.0),
        Column("since", "datetime", "", "since when"),
        Column("since_low", "datetime", "", "earliest it may have begun"),
        Column("since_high", "datetime", "", "latest it may have begun"),
        Column("last_seen", "datetime", "", "the newest shot that shows it"),
        Column("closed_at", "datetime", "", "when it was answered or closed"),
        Column("closed_by", "str", "", "by what or whom, in words"),
        Column("advice", "str", "", "what to do"),
        Column("settles", "str", "", "the one measurement that settles it; empty where nothing is in doubt"),
        Column("hazard", "bool", "", "whether people may be hurt: it stands before every other"),
        Column("rank", "i64", "", "order in which to show a mould's matters, 1 first", 1),
    ),
    doc="findings, drifts, causes and forecasts that speak of one change, as one matter",
)

MATTER_LINE = Table(
    "matter_line",
    ("matter", "row"),
    (
        Column("matter", "str", "", "the matter"),
        Column("mould", "str", "", "the mould"),
        Column("row", "i64", "", "order within the matter", 1),
        Column("role", "str", "", "evidence, single_shot, forecast, rules_out, same_time or history"),
        Column("sentence", "str", "", "what it says"),
        Column("anchor", "str", "", "the finding it comes from; empty for any other"),
        Column("analysis", "str", "", "the analysis it comes from"),
        Column("at", "datetime", "", "when"),
    ),
    doc="what a matter rests on, a line each",
)

REFUSAL = Table(
    "refusal",
    ("analysis", "unit", "what"),
    (
        Column("analysis", "str", "", "the analysis"),
        Column("unit", "str", "", "shot or mould"),
        Column("what", "str", "", "the value or analysis not given"),
        Column("reason", "str", "", "why"),
    ),
    shared=True,
    doc="one row for each value or unit not given",
)

QUARANTINE = Table(
    "quarantine",
    ("source_file",),
    (
        Column("source_file", "str", "", "the file, relative to the workshop"),
        Column("reason", "str", "", "why it could not be read"),
        Column("line", "i64", "", "line of the file, 0 where none can be named", 0),
        Column("seen_at", "datetime", "", "when it was set aside, UTC"),
        Column("digest", "str", "", "SHA-256 of its bytes"),
    ),
    doc="files set aside; the file itself stays where it is",
)

CLOSED = Table(
    "closed",
    ("what", "period"),
    (
        Column("what", "str", "", "what was fixed: the name of an analysis"),
        Column("period", "str", "", "the period it was fixed for, as its owner writes it (2026-10)"),
        Column("closed_at", "datetime", "", "when it was fixed, UTC"),
        Column("content", "str", "", "the rows as they were, as JSON"),
    ),
    doc="numbers fixed for good: a row is written once and never changed or deleted",
)

CORE_TABLES = (
    SHOT,
    SAMPLE,
    LOG_NOTE,
    PHASE,
    QUALITY,
    CURVE,
    EVENT,
    PART,
    FINDING,
    MATTER,
    MATTER_LINE,
    REFUSAL,
    QUARANTINE,
    CLOSED,
)
