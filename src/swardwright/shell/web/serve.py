"""Serve a site's page on this machine, or with a token on a network."""

from __future__ import annotations

import re
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

from swardwright.domain.errors import InputError, SwardwrightError
from swardwright.shell.web.guard import Guard, is_loopback, new_token

_REPORT = re.compile(r"^[A-Za-z0-9][A-Za-z0-9._-]{0,79}\.html$")


def serve(folder: Path, *, host: str = "127.0.0.1", port: int = 8080, say: Callable[[str], None] = print) -> None:
    """Serve the page of ``folder`` until interrupted.

    Parameters
    ----------
    host : str
        Address to listen on; anything but a loopback address makes a token, which ``say`` prints with the address.

    Raises
    ------
    InputError
        If the port is out of range or taken, or the address is not this machine's.
    """
    _check_free(host, port)
    from nicegui import app, ui
    from starlette.responses import FileResponse, PlainTextResponse, Response

    from swardwright.shell.web.page import build, build_error
    from swardwright.shell.web.view import changed_at, load_view

    token = None if is_loopback(host) else new_token()
    app.add_middleware(Guard, token=token)

    def page() -> None:
        seen = changed_at(folder)
        try:
            view = load_view(folder)
        except SwardwrightError as error:
            build_error(error.sentence(), error.remedy)
            return
        build(view, str(folder), lambda: changed_at(folder) != seen)

    def report(name: str) -> Response:
        path = folder / "reports" / name
        if not _REPORT.match(name) or not path.is_file() or path.is_symlink():
            return PlainTextResponse("There is no such report.", status_code=404)
        return FileResponse(path, media_type="text/html")

    ui.page("/")(page)
    app.get("/reports/{name}")(report)
    shown = f"[{host}]" if ":" in host else host
    address = f"http://{shown}:{port}/" + (f"?token={token}" if token else "")
    say(f"Open {address}")
    if token:
        say("Anybody who has this address can read the site. The connection is not encrypted: use a network you trust.")
    settings: dict[str, Any] = {
        "host": host,
        "port": port,
        "title": "Swardwright",
        "favicon": "🌱",
        "reload": False,
        "show": False,
        "show_welcome_message": False,
        "tailwind": False,
    }
    ui.run(**settings)


def _check_free(host: str, port: int) -> None:
    if not 1 <= port <= 65535:
        raise InputError("a port is a number from 1 to 65535", field="--port", value=port, remedy="try --port 8080")
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        with socket.socket(family, kind, protocol) as trial:
            trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            trial.bind(address)
    except (OSError, UnicodeError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(
            f"the page cannot be served there: {reason.lower()}",
            field="--host, --port",
            value=f"{host}:{port}",
            remedy="choose another with --port, or an address of this machine with --host",
        ) from error
