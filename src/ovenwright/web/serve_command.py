"""Serve: the logbook in a browser, on this machine."""

from __future__ import annotations

import argparse
import contextlib
import json
import socket
import sys
import threading
import webbrowser

from ovenwright.config import Settings
from ovenwright.errors import UsageError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.add_argument("--port", type=int, default=8717, help="port to listen on (default: 8717)")
    parser.add_argument("--no-open", action="store_true", help="open no browser")


def listen(host: str, port: int) -> socket.socket:
    """Return a listening socket.

    Raises
    ------
    UsageError : if the port is taken or can't be used
    """
    if not 0 <= port <= 65535:
        raise UsageError(f"{port} is no port", where="--port", remedy="give 1 to 65535")
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    found = socket.socket(family, socket.SOCK_STREAM)
    found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        found.bind((host, port))
    except OSError as cause:
        found.close()
        raise UsageError(
            f"port {port} can't be used: {cause.strerror}",
            where="--port",
            remedy="another server may hold it; give another one, or 0 for any free one",
        ) from cause
    return found


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Serve until told to stop."""
    import uvicorn

    from ovenwright.compose import build
    from ovenwright.web.app import create_app
    from ovenwright.web.site import Site

    sock = listen("127.0.0.1", args.port)
    port = sock.getsockname()[1]
    app = create_app(Site(build(settings)))
    address = f"http://127.0.0.1:{port}/"
    if args.json:
        print(json.dumps({"event": "serving", "url": address}), flush=True)
    else:
        print(f"Ovenwright serves {settings.logbook} at {address} (end it with Ctrl+C)", flush=True)
    if not args.no_open and sys.stdout.isatty():
        threading.Timer(0.8, webbrowser.open, (address,)).start()
    server = uvicorn.Server(
        uvicorn.Config(app, log_level="warning", server_header=False, date_header=True)
    )
    with contextlib.suppress(KeyboardInterrupt):
        server.run(sockets=[sock])
    return 0
