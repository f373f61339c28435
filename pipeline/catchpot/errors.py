"""Errors with words for the person at the keyboard; the command line prints them and ends with their status."""

from __future__ import annotations


class CatchpotError(Exception):
    """Something a person can mend. status: 1 something failed, 2 the command line or a file of the user's is wrong."""

    status = 1

    def lines(self) -> list[str]:
        """What to print on stderr, one line each."""
        return [str(self)]


class Stopped(KeyboardInterrupt):
    """Someone stopped the work. finished: sentences about what was done by then and is stored."""

    def __init__(self, finished: list[str]) -> None:
        super().__init__()
        self.finished = finished


class PluginFault(Exception):  # noqa: N818 - what a plugin did, not a mistake of the program
    """Something a plugin did or let happen, in words that need no name of an error before them."""


# More of what an error says is no help to its reader, and costs whoever looks for what its words have in common.
MOST_WORDS = 400
MOST_TRACE = 20_000


def shortened(text: str, most: int) -> str:
    """A text of at most so many characters, and how many were left out of its middle.

    >>> shortened("x" * 1000, 20)
    'xxxxxxxxxx ... (980 characters left out) ... xxxxxxxxxx'
    """
    half = most // 2
    return (
        text
        if len(text) <= most
        else f"{text[:half]} ... ({len(text) - 2 * half} characters left out) ... {text[-half:]}"
    )


def error_words(error: BaseException) -> str:
    """An error's kind and what it says, bounded; an error of others may say anything, or fail to say it.

    >>> error_words(ValueError("no such mould")), error_words(ValueError())
    ('ValueError: no such mould', 'ValueError')
    """
    try:
        said = str(error)
    except KeyboardInterrupt:
        raise
    except BaseException:
        said = "(its words can't be read)"
    if isinstance(error, PluginFault):  # may hold what was shortened before
        return shortened(said, 2 * MOST_WORDS)
    return shortened(f"{type(error).__name__}: {said}" if said else type(error).__name__, MOST_WORDS)


__all__ = ["MOST_TRACE", "CatchpotError", "PluginFault", "Stopped", "error_words", "shortened"]
