"""The command `notify`."""

from __future__ import annotations

from typing import Annotated

from cyclopts import Parameter

from catchpot import emit, open_session, warn

Json = Annotated[bool, Parameter(name="--json", negative=(), help="Print one JSON document.")]


def notify(*, send: bool = False, json: Json = False) -> int:
    """Say which findings would be sent by web hook or mail; nothing is sent unless asked.

    Parameters
    ----------
    send
        Send them now, and remember that they were sent.
    """
    from catchpot_notify.settings import NotifySettings
    from catchpot_notify.word import NotSentError, sentences, tell, untold

    session = open_session()
    settings = session.registry.settings_of("notify")
    if not isinstance(settings, NotifySettings) or not settings.anywhere:
        warn(["notify: [settings.notify] in catchpot.toml names neither a web hook nor a mail with its server"])
        return 2
    try:
        fresh = tell(session, settings.model_copy(update={"dry_run": False})) if send else untold(session, settings)
    except NotSentError as error:
        warn([f"notify: {error}"])
        return 1
    head = "sent:" if send else "would be sent:"
    emit(
        {"sent": send, "findings": fresh},
        [head, *sentences(fresh)] if fresh else ["nothing new asks for action"],
        as_json=json,
    )
    return 0
