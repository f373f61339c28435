"""A sentence as it stands on a page: numbers keep to their units, and commands to be typed are set as such."""

from __future__ import annotations

import re

from markupsafe import Markup, escape

from catchpot.report.words import tied

_COMMAND = re.compile(r"“(catchpot [^“”]*)”")


def shown_text(text: str) -> Markup:
    """The text escaped; a command in quotation marks becomes code whose words are not broken (so that `--by` stays
    whole and is copied as it must be typed).

    >>> print(shown_text("Write <it>: “catchpot note --undo”."))
    Write &lt;it&gt;: <code class="command"><span>catchpot</span> <span>note</span> <span>--undo</span></code>.
    """
    made, last = [], 0
    for found in _COMMAND.finditer(text):
        made += [escape(tied(text[last : found.start()])), _command(found[1])]
        last = found.end()
    return Markup("").join([*made, escape(tied(text[last:]))])


def _command(text: str) -> Markup:
    words = Markup(" ").join(Markup("<span>{}</span>").format(word) for word in text.split())
    return Markup('<code class="command">{}</code>').format(words)


__all__ = ["shown_text"]
