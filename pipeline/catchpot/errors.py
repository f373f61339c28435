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


__all__ = ["CatchpotError", "PluginFault", "Stopped"]
