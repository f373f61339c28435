"""What is to be told, to whom, and what was told before."""

from __future__ import annotations

import json
import os
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from catchpot import warn
from catchpot.plain_text import shown
from catchpot.whole import write_whole

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from catchpot import Session
    from catchpot_notify.settings import NotifySettings

# Beside the workshop's files; deleting it has everything recent told once more.
MEMORY = ".notified.json"
MOST_SHOWN = 20
CAUTION = "Advice only: it replaces no interlock, data sheet or local code."


class NotSentError(Exception):
    """Word that could not be sent; the next run tries again."""


def tell(session: Session, settings: NotifySettings) -> list[dict[str, Any]]:
    """Send the findings not told before and remember them; of a dry run only say them. What was, or would be, sent."""
    fresh = untold(session, settings)
    if not fresh:
        return []
    if settings.dry_run:
        warn(f"notify, dry run, nothing was sent: {line}" for line in sentences(fresh))
        return fresh
    name = session.workshop.settings.workshop.name
    if settings.web_hook:
        post(settings, {"workshop": name, "note": CAUTION, "findings": fresh})
    if settings.mails:
        mail(settings, name, fresh)
    _remember(session.workshop.home, [*_told(session.workshop.home), *(str(f["anchor"]) for f in fresh)])
    return fresh


def untold(session: Session, settings: NotifySettings) -> list[dict[str, Any]]:
    """Findings that stand, ask for action, are recent as of the newest datum, and were not told; times as text."""
    import polars as pl

    newest = session.table("shot", columns=["started_at"])["started_at"].max()
    if newest is None:
        return []
    rows = session.table("finding").filter((pl.col("severity") == "act") & pl.col("until").is_null())
    since = pl.lit(newest) - timedelta(days=settings.recent_days)
    recent = rows.filter(pl.col("since").is_null() | (pl.col("since") >= since)).sort("since", "anchor")
    told = set(_told(session.workshop.home))
    keep = ("anchor", "mould", "shot", "kind", "since", "message", "advice", "analysis")
    return [
        {**r, "since": r["since"].isoformat() if r["since"] else None}
        for r in recent.select(keep).iter_rows(named=True)
        if r["anchor"] not in told
    ]


def sentences(findings: Sequence[Mapping[str, Any]]) -> list[str]:
    """One line a finding: where, what, what to do."""
    lines = [
        shown(f"{' '.join(filter(None, (f['mould'], f['shot'])))}: {f['message']} {f['advice']}")
        for f in findings[:MOST_SHOWN]
    ]
    more = len(findings) - MOST_SHOWN
    return [*lines, *([f"and {more} more"] if more > 0 else [])]


def post(settings: NotifySettings, document: Mapping[str, Any]) -> None:
    """POST the document as JSON; NotSentError where it was not taken."""
    import urllib.error
    import urllib.request

    body = json.dumps(document, ensure_ascii=False).encode()
    asked = urllib.request.Request(settings.web_hook, body, {"Content-Type": "application/json"})
    try:
        with urllib.request.urlopen(asked, timeout=settings.timeout_s):
            pass
    except (urllib.error.URLError, OSError, ValueError) as error:
        raise NotSentError(f"the web hook did not take it ({error}); the next run tries again") from error


def mail(settings: NotifySettings, workshop: str, findings: Sequence[Mapping[str, Any]]) -> None:
    """Send one plain-text mail; NotSentError where the server did not take it."""
    import smtplib
    import ssl
    from email.message import EmailMessage

    letter = EmailMessage()
    letter["Subject"] = f"{shown(workshop)}: {len(findings)} findings ask for action"
    letter["From"] = settings.mail_from
    letter["To"] = ", ".join(settings.mail_to)
    letter.set_content("\n\n".join([*sentences(findings), CAUTION]) + "\n")
    try:
        with smtplib.SMTP(settings.smtp_host, settings.smtp_port, timeout=settings.timeout_s) as server:
            server.ehlo()
            if server.has_extn("starttls"):
                server.starttls(context=ssl.create_default_context())
                server.ehlo()
            elif settings.smtp_user:
                raise NotSentError("the mail server offers no encryption, so no password was sent to it")
            if settings.smtp_user:
                server.login(settings.smtp_user, os.environ.get("CATCHPOT_SMTP_PASSWORD", ""))
            server.send_message(letter)
    except (smtplib.SMTPException, OSError) as error:
        raise NotSentError(f"the mail server did not take it ({error}); the next run tries again") from error


def _told(home: Path) -> list[str]:
    try:
        known = json.loads((home / MEMORY).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return []
    return [str(a) for a in known] if isinstance(known, list) else []


def _remember(home: Path, anchors: Sequence[str]) -> None:
    write_whole(home / MEMORY, json.dumps(sorted(set(anchors)), indent=1) + "\n")


__all__ = ["NotSentError", "mail", "post", "sentences", "tell", "untold"]
