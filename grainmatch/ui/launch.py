"""Start the app: on this machine only, or with `--lan` for the local network behind a passcode."""

from __future__ import annotations

import importlib.metadata
import io
import os
import socket
from pathlib import Path

from grainmatch.errors import UsageError
from grainmatch.ui.gate import Gate, open_gate

SETTINGS: dict[str, str | list[str]] = {
    "server.address": "127.0.0.1",
    "server.allowedHosts": ["localhost", "127.0.0.1"],
    "server.enableWebsocketCompression": "true",
    "server.fileWatcherType": "none",
    "server.maxUploadSize": "400",
    "server.showEmailPrompt": "false",
    "browser.gatherUsageStats": "false",
    "browser.serverAddress": "localhost",
    "client.toolbarMode": "minimal",
    "client.showErrorDetails": "none",
    "theme.baseRadius": "0.4rem",
    "theme.headingFontSizes": ["1.9rem", "1.4rem", "1.15rem"],
    "theme.light.primaryColor": "#7a4520",
    "theme.dark.primaryColor": "#b06a35",
}
"""The same values as in .streamlit/config.toml, for the installed program."""


def run_app(*, lan: bool = False, port: int = 8501) -> int:
    """Serve the app until it is stopped with Ctrl-C. Returns the exit code.

    Raises UsageError for a port that is out of range or taken, and when both builds of OpenCV are installed.
    """
    check_opencv()
    settings = dict(SETTINGS)
    address = find_lan_address() if lan else "127.0.0.1"
    _check_port(address, port)
    if lan:
        settings |= {
            "server.address": address,
            "server.allowedHosts": ["localhost", "127.0.0.1", address],
            "browser.serverAddress": address,
            "server.maxUploadSize": "60",  # photos only: who has no passcode yet can already send files
            "server.headless": "true",  # the browser it would open does not know the passcode
        }
        print(_welcome(open_gate(f"http://{address}:{port}")), flush=True)
    return _serve(settings | {"server.port": str(port)})


def _serve(settings: dict[str, str | list[str]]) -> int:
    from streamlit.web import cli

    flags = [
        f"--{name}={value}"
        for name, values in settings.items()
        for value in ([values] if isinstance(values, str) else values)
    ]
    try:
        cli.main(["run", str(Path(__file__).with_name("start.py")), *flags])
    except SystemExit as stop:
        return int(stop.code or 0)
    return 0


def check_opencv() -> None:
    """Both builds of OpenCV share one folder; with both installed it depends on luck which one is there.

    Raises UsageError when both are installed.
    """
    installed = {d.metadata["Name"].lower() for d in importlib.metadata.distributions() if d.metadata["Name"]}
    if {"opencv-python", "opencv-python-headless"} <= installed:
        raise UsageError(
            "Two builds of OpenCV are installed and overwrite each other.",
            "Run: pip uninstall opencv-python opencv-python-headless, then install grainmatch again.",
        )


def find_lan_address() -> str:
    """This machine's address on the local network. Raises UsageError when there is none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            # Connecting a datagram socket sends nothing; it only makes the system pick its own address.
            # 192.0.2.1 is kept free for documents (RFC 5737).
            probe.connect(("192.0.2.1", 9))
            return str(probe.getsockname()[0])
        except OSError as fault:
            raise UsageError(
                "This machine is on no network.", "Join the network that the phone is on, or leave out --lan."
            ) from fault


def _check_port(address: str, port: int) -> None:
    if not 1024 <= port <= 65535:
        raise UsageError(f"The port {port} cannot be used.", "Give a number from 1024 to 65535.")
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, int(os.name == "posix"))
        try:
            probe.bind((address, port))
        except OSError as fault:
            raise UsageError(
                f"The port {port} is in use, perhaps by grainmatch itself.",
                f"Open that window, or start with --port {port + 1}.",
            ) from fault


def _welcome(gate: Gate) -> str:
    import segno

    picture = io.StringIO()
    segno.make(gate.link, error="m").terminal(picture, compact=True)
    return (
        f"\nOn this machine and on the local network: {gate.address}\n"
        f"Passcode for the first browser: {gate.passcode}\n"
        "It lets in one browser; the app shows the next one. Or point the phone's camera here:\n\n"
        f"{picture.getvalue()}\n"
        "The connection is not encrypted: use it on a network you trust. Ctrl-C ends it.\n"
    )
