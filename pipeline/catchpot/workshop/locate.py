"""Where each key of a TOML text stands: the line numbers that tomllib does not give.

The text has been parsed by tomllib before, so it is well formed; this scanner only follows its structure.
"""

from __future__ import annotations

from collections.abc import Mapping

KeyPath = tuple[str | int, ...]


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.line = 1
        self.lines: dict[KeyPath, int] = {}
        self.array_counts: dict[KeyPath, int] = {}

    def peek(self, n: int = 1) -> str:
        return self.text[self.at : self.at + n]

    def advance(self, n: int = 1) -> None:
        self.line += self.text.count("\n", self.at, self.at + n)
        self.at += n

    def skip(self, *, newlines: bool) -> None:
        blanks = " \t\r\n" if newlines else " \t"
        while self.at < len(self.text):
            c = self.text[self.at]
            if c in blanks:
                self.advance()
            elif c == "#":
                while self.at < len(self.text) and self.text[self.at] != "\n":
                    self.at += 1
            else:
                return

    def string(self) -> str:
        quote = self.peek()
        if self.peek(3) == quote * 3:
            self.advance(3)
            return self._until(quote * 3, escapes=quote == '"')
        self.advance()
        return self._until(quote, escapes=quote == '"')

    def _until(self, end: str, *, escapes: bool) -> str:
        start = self.at
        while self.at < len(self.text) and self.peek(len(end)) != end:
            self.advance(2 if escapes and self.peek() == "\\" else 1)
        found = self.text[start : self.at]
        self.advance(len(end))
        while len(end) == 3 and self.peek() == end[0]:  # """" may close with up to two quotes of content
            self.advance()
        return found

    def key(self) -> tuple[str, ...]:
        parts: list[str] = []
        while True:
            self.skip(newlines=False)
            if self.peek() in ('"', "'"):
                parts.append(self.string())
            else:
                start = self.at
                while self.at < len(self.text) and (self.text[self.at].isalnum() or self.text[self.at] in "-_"):
                    self.at += 1
                parts.append(self.text[start : self.at])
            self.skip(newlines=False)
            if self.peek() != ".":
                return tuple(parts)
            self.advance()

    def note(self, path: KeyPath, line: int) -> None:
        for n in range(1, len(path) + 1):
            self.lines.setdefault(path[:n], line)

    def resolve(self, parts: tuple[str, ...]) -> KeyPath:
        """A header's key with the index of the newest element put in after each array of tables."""
        path: KeyPath = ()
        for part in parts:
            path = (*path, part)
            if path in self.array_counts:
                path = (*path, self.array_counts[path] - 1)
        return path

    def value(self, path: KeyPath) -> None:
        self.skip(newlines=False)
        c = self.peek()
        if c in ('"', "'"):
            self.string()
        elif c == "[":
            self.advance()
            index = 0
            while True:
                self.skip(newlines=True)
                if self.peek() in ("]", ""):
                    self.advance()
                    return
                self.note((*path, index), self.line)
                self.value((*path, index))
                index += 1
                self.skip(newlines=True)
                if self.peek() == ",":
                    self.advance()
        elif c == "{":
            self.advance()
            while True:
                self.skip(newlines=True)
                if self.peek() in ("}", ""):
                    self.advance()
                    return
                self.pair(path)
                self.skip(newlines=True)
                if self.peek() == ",":
                    self.advance()
        else:
            while self.at < len(self.text) and self.text[self.at] not in ",]}#\n":
                self.at += 1

    def pair(self, base: KeyPath) -> None:
        line = self.line
        path = (*base, *self.key())
        self.note(path, line)
        self.advance()  # the equals sign
        self.value(path)

    def run(self) -> dict[KeyPath, int]:
        base: KeyPath = ()
        while True:
            self.skip(newlines=True)
            if self.at >= len(self.text):
                return self.lines
            before = self.at
            if self.peek(2) == "[[":
                line = self.line
                self.advance(2)
                *outer, last = self.key()
                path = (*self.resolve(tuple(outer)), last)
                self.array_counts[path] = self.array_counts.get(path, 0) + 1
                base = (*path, self.array_counts[path] - 1)
                self.note(base, line)
                self.advance(2)
            elif self.peek() == "[":
                line = self.line
                self.advance()
                base = self.resolve(self.key())
                self.note(base, line)
                self.advance()
            else:
                self.pair(base)
            if self.at == before:
                return self.lines


def key_lines(text: str) -> Mapping[KeyPath, int]:
    """Line (1-based) of every key of a well-formed TOML text; elements of arrays by their index.

    >>> key_lines('[a]\\nb.c = 1\\n')[("a", "b", "c")]
    2
    """
    return _Scanner(text).run()


def line_of(lines: Mapping[KeyPath, int], path: KeyPath) -> int:
    """Line of a key, or of the nearest table above it that stands in the text; 0 where nothing of it does.

    >>> line_of({("a",): 3}, ("a", "missing"))
    3
    """
    for n in range(len(path), 0, -1):
        if path[:n] in lines:
            return lines[path[:n]]
    return 0
