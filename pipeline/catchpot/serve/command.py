"""The command `serve`: thin."""

from __future__ import annotations

import os
import signal
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter

from catchpot.errors import CatchpotError
from catchpot.output import emit
from catchpot.serve.doors import LEAST_TOKEN, Doors, loopback

PORT = 8350


class ServeError(CatchpotError):
    """A server that can't be started as it was asked for."""

    status = 2


def serve(
    *,
    port: int = PORT,
    host: str = "127.0.0.1",
    name: tuple[str, ...] = (),
    token_file: Path | None = None,
    notes: Annotated[bool, Parameter(negative=())] = False,
    trust_plugins: Annotated[bool, Parameter(name="--trust-plugins", negative=())] = False,
) -> int:
    """Show the report's pages in a browser, made from the store as it is; until stopped by a signal.

    Nothing can be changed through it unless --notes is given, and nobody else's machine can reach it unless --host is.

    Parameters
    ----------
    port
        Where it listens; 0 takes a free one.
    host
        The address it listens on. Any other than this machine's own needs --token-file.
    name
        A host name under which it is asked for too, such as that of a proxy before it.
    token_file
        A file with the token that is asked of everybody: one line of 20 characters or more, yours to read only.
    notes
        Let notes be written by forms, as `catchpot note` writes them.
    trust_plugins
        Run the plugins in the workshop's plugins/ folder: they are code.
    """
    try:
        import uvicorn

        from catchpot.serve.app import application
    except ImportError:
        raise ServeError("serve needs two more libraries: pip install 'catchpot[serve]'") from None
    from catchpot.serve.desk import Desk
    from catchpot.serve.forms import Notes

    token = _token(token_file) if token_file is not None else ""
    if not token and not loopback(host):
        raise ServeError(
            f"--host {host}: others could reach this address, so it needs a token: --token-file FILE, a file with one "
            f"line of {LEAST_TOKEN} characters or more"
        )
    home = Path(os.environ.get("CATCHPOT_HOME") or ".")
    desk = Desk(home, trust=trust_plugins)
    try:
        listening = socket.create_server((host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET)
    except OSError as error:
        raise ServeError(f"{host}:{port}: can't listen there: {error.strerror or error}") from error
    with listening:
        port = listening.getsockname()[1]
        doors = Doors(host, port, token, tuple(n.lower() for n in name))
        shown_host = f"[{host}]" if ":" in host else host
        does = "notes can be written" if notes else "read only"
        emit({}, [f"serving {home.resolve()} at http://{shown_host}:{port}/ ({does}); Ctrl-C ends it"], as_json=False)
        if not loopback(host):
            emit({}, ["The line is not encrypted: on a network that is not your own put a proxy with TLS before it."],
                 as_json=False)  # fmt: skip
        writing = Notes(home, desk.registry.guarded_notes) if notes else None
        config = uvicorn.Config(
            application(desk, doors, writing), loop="asyncio", http="h11", ws="none",
            lifespan="off", log_level="warning", access_log=False, server_header=False, proxy_headers=False,
            limit_concurrency=100, timeout_graceful_shutdown=5,
        )  # fmt: skip
        with suppress(KeyboardInterrupt), _ended_well():
            uvicorn.Server(config).run(sockets=[listening])
    emit({}, ["stopped"], as_json=False)
    return 0


@contextmanager
def _ended_well() -> Iterator[None]:
    """The server raises the signal that stopped it once more when it is done: that is no second stop."""
    before = signal.signal(signal.SIGTERM, lambda number, frame: None)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _token(path: Path) -> str:
    try:
        token = path.read_text(encoding="utf-8").strip()
        open_to_all = path.stat().st_mode & 0o077
    except (OSError, ValueError) as error:
        raise ServeError(f"{path}: the token can't be read: {error}") from error
    if len(token) < LEAST_TOKEN or any(c.isspace() for c in token) or not token.isascii():
        raise ServeError(f"{path}: expected one line of {LEAST_TOKEN} plain characters or more, without spaces")
    if open_to_all and os.name == "posix":
        raise ServeError(f"{path}: others on this machine can read the token; chmod 600 {path}")
    return token


def register(app: App) -> None:
    """Add the command."""
    app.command(serve)


__all__ = ["PORT", "register", "serve"]
