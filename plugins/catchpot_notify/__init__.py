"""Word of new findings that ask for action, by web hook or mail. Off unless the settings name where to; dry at first.

[settings.notify]
web_hook = "https://example.invalid/hook"     # and, or
mail_to = ["shift@example.invalid"]
mail_from = "catchpot@example.invalid"
smtp_host = "mail.example.invalid"
dry_run = false                                # true: it is only said what would be sent
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from catchpot import RunOutcome, hookimpl

if TYPE_CHECKING:
    from cyclopts import App
    from pydantic import BaseModel


@hookimpl
def register_settings() -> type[BaseModel]:
    """`[settings.notify]`."""
    from catchpot_notify.settings import NotifySettings

    return NotifySettings


@hookimpl
def run_finished(outcome: RunOutcome) -> None:
    """Send what is new, or say what would be sent."""
    from catchpot_notify.settings import NotifySettings
    from catchpot_notify.word import tell

    if isinstance(outcome.settings, NotifySettings) and outcome.settings.anywhere:
        tell(outcome.session(), outcome.settings)


@hookimpl
def register_commands(app: App) -> None:
    """The command `notify`."""
    from catchpot_notify.command import notify

    app.command(notify)
