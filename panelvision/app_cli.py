"""``panelvision app``: serve the pages on this machine, or to phones on the shop's network."""

import argparse
import getpass
import os
import socket
import sys

from panelvision.errors import PanelvisionError

PASSPHRASE_VARIABLE = "PANELVISION_PASSPHRASE"
# NIST SP 800-63B section 5.1.1.1 asks at least 8 characters of a chosen secret.
SHORTEST_PASSPHRASE = 8


def add_parser(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to ``panelvision``."""
    parser = commands.add_parser("app", help="open the pages in a browser, also for a phone")
    parser.add_argument(
        "--phone",
        action="store_true",
        help="also serve the local network, with a passphrase; prints address and QR code",
    )
    parser.add_argument("--port", type=int, default=8501, metavar="N", help="port (8501)")
    parser.add_argument(
        "--ask-passphrase",
        action="store_true",
        help=f"type a passphrase of your own (or set {PASSPHRASE_VARIABLE}); "
        "otherwise a new one is made at each start",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Serve until stopped.

    Raises
    ------
    PanelvisionError
        When the port is taken or out of range, or the passphrase too short.
    """
    address = "0.0.0.0" if args.phone else "127.0.0.1"
    if not 1 <= args.port <= 65535:
        raise PanelvisionError(f"--port {args.port}: choose a port from 1 to 65535")
    _check_port(address, args.port)
    if args.ask_passphrase and not args.phone:
        raise PanelvisionError(
            "--ask-passphrase: goes with --phone; without it nobody else can reach the pages"
        )
    passphrase = _passphrase(ask=args.ask_passphrase) if args.phone else None
    print(greeting(args.port, passphrase, generated=_was_generated(args)), flush=True)
    serve(address, args.port, passphrase)
    return 0


def serve(address: str, port: int, passphrase: str | None) -> None:
    """Run the server in this process until it is stopped."""
    import streamlit as st

    from panelvision.pages.forget import forgetting
    from panelvision.pages.server import PAGES, middleware, one_line_error, server_settings
    from panelvision.settings import load_settings

    app = st.App(
        PAGES,
        middleware=middleware(passphrase),
        lifespan=forgetting,
        on_script_error=one_line_error,
    )
    app.run(config=server_settings(address=address, port=port, theme=load_settings().theme))


def greeting(port: int, passphrase: str | None, *, generated: bool) -> str:
    """What the terminal shows: address, and for phones a QR code and the passphrase."""
    here = f"http://localhost:{port}"
    if passphrase is None:
        return f"panelvision is open on this machine alone: {here}\nStop it with Ctrl-C."
    url = f"http://{lan_address()}:{port}"
    shown = passphrase if generated else "(the one you chose)"
    return "\n".join(
        (
            qr_code(url),
            f"On the phone, in the same network: {url}",
            f"Passphrase: {shown}",
            f"On this machine: {here}",
            "The connection is not encrypted: use it in your own network only.",
            "Stop it with Ctrl-C.",
        )
    )


def qr_code(text: str) -> str:
    """A QR code of half-height blocks for a terminal."""
    import io

    import segno

    out = io.StringIO()
    segno.make(text, error="m", micro=False).terminal(out=out, compact=True)
    return out.getvalue()


def lan_address() -> str:
    """This machine's address in the local network, or 127.0.0.1 when it has none.

    A datagram socket is only told its destination; nothing is sent. The address is one of
    RFC 5737's, reserved for documentation.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"


def _check_port(address: str, port: int) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((address, port))
        except OSError as fault:
            raise PanelvisionError(
                f"port {port} cannot be used ({fault.strerror}); choose another one with --port"
            ) from None


def _was_generated(args: argparse.Namespace) -> bool:
    return not args.ask_passphrase and not os.environ.get(PASSPHRASE_VARIABLE)


def _passphrase(*, ask: bool) -> str:
    from panelvision.pages.gate import new_passphrase

    if ask:
        if not sys.stdin.isatty():
            raise PanelvisionError(
                f"--ask-passphrase needs a terminal to type in; set {PASSPHRASE_VARIABLE} instead"
            )
        try:
            chosen = getpass.getpass("Passphrase for the phones: ")
        except EOFError:
            chosen = ""
    else:
        chosen = os.environ.get(PASSPHRASE_VARIABLE, "")
        if not chosen:
            return new_passphrase()
    if len(chosen.strip()) < SHORTEST_PASSPHRASE:
        raise PanelvisionError(
            f"the passphrase is too short; use at least {SHORTEST_PASSPHRASE} characters"
        )
    return chosen
