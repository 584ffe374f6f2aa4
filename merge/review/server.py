"""The server of a review: one process, the loopback address, a key of its own."""

from __future__ import annotations

import os
import secrets
import socket
import threading
import time
import webbrowser
from collections.abc import Callable
from pathlib import Path

import uvicorn

from merge.review.app import make_app
from merge.review.guard import Guard
from merge.review.session import Session

# An open page asks every few seconds to a minute; nobody is there after so long without a sign.
IDLE_S = 15 * 60


def serve_review(
    place: Path,
    into: Path,
    *,
    open_browser: bool = True,
    port: int = 0,
    tell: Callable[[str], None] = print,
    idle_s: float = IDLE_S,
) -> None:
    """Serve a folder's review until it is interrupted or nobody has been there for a while.

    Parameters
    ----------
    place : Path
        A folder of pictures, or the JSON of ``depthweld sort --json``.
    into : Path
        Folder for merged pictures.
    open_browser : bool
        Open the start address in the user's browser.
    port : int
        0 = a free one.
    tell : callable
        Called with the start address in words.
    idle_s : float
        Seconds without any request after which an idle server ends.

    Raises
    ------
    OSError
        If the port is taken.
    """
    key = secrets.token_urlsafe(24)
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as listening:
        if os.name == "posix":  # a port of a run that has just ended is free
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(("127.0.0.1", port))
        listening.listen()  # who opens the address at once waits, and is not refused
        port = listening.getsockname()[1]
        session = Session(place, into)
        config = uvicorn.Config(
            Guard(make_app(session), key, port),
            log_level="error",
            access_log=False,
            server_header=False,
            lifespan="off",
            timeout_graceful_shutdown=2,
        )
        server = uvicorn.Server(config)
        address = f"http://127.0.0.1:{port}/start?key={key}"
        session.start()
        tell(f"Review of {place}: {address}")
        threading.Thread(target=_end_when_idle, args=(server, session, idle_s), daemon=True).start()
        if open_browser:
            # Where there is none, the printed address is the way in.
            threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
        try:
            server.run(sockets=[listening])
        finally:
            session.stop()


def _end_when_idle(server: uvicorn.Server, session: Session, idle_s: float) -> None:
    while not server.should_exit:
        time.sleep(min(1.0, idle_s))
        if not session.busy and time.monotonic() - session.touched > idle_s:
            server.should_exit = True
