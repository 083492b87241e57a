"""Where the pages are served: ``--listen``, and ports that are in use."""

from __future__ import annotations

import signal
import socket
import urllib.request
from pathlib import Path

import pytest

from adapters.commands import demo
from schemas.loader import load_bridge
from tests.commands import files
from tests.commands.command import Running, lowhalf

OVERLAY = '[outputs.overlay]\nlisten = "127.0.0.1:PORT"\n'


def taken_port() -> tuple[socket.socket, int]:
    """A listening socket whose next port is free, as far as can be known."""
    while True:
        holder = socket.create_server(("127.0.0.1", 0))
        port: int = holder.getsockname()[1]
        try:
            with socket.create_server(("127.0.0.1", port + 1)):
                return holder, port
        except (OSError, OverflowError):
            holder.close()


def demo_port() -> int:
    overlay = load_bridge(demo.demo_bridge()).file.outputs.overlay
    assert overlay is not None
    return int(overlay.listen.rpartition(":")[2])


@pytest.mark.posix("a signal ends the daemon")
def test_the_demo_takes_the_next_port_where_its_own_is_in_use() -> None:
    port = demo_port()
    holder = None
    try:
        # where another program has it, that serves as well
        holder = socket.create_server(("127.0.0.1", port))
    except OSError:
        pass
    try:
        with Running("demo", "--quiet") as daemon:
            url = daemon.url()
            with urllib.request.urlopen(url, timeout=20) as answer:
                assert answer.status == 200
            assert daemon.stop(signal.SIGTERM) == 0
    finally:
        if holder is not None:
            holder.close()
    found = int(url.rsplit(":", 1)[1].strip("/"))
    assert port < found <= port + demo.SPARE_PORTS
    assert daemon.logged[:2] == [
        f"lowhalf: port {port} is in use, perhaps by another lowhalf: port {found} is taken "
        "instead",
        f"lowhalf: pages at http://127.0.0.1:{found}/",
    ]


@pytest.mark.posix("a signal ends the daemon")
def test_listen_is_where_the_demo_serves() -> None:
    with Running("demo", "--quiet", "--listen", "127.0.0.1:0") as daemon:
        port = int(daemon.url().rsplit(":", 1)[1].strip("/"))
        assert port != demo_port()
        assert daemon.stop(signal.SIGTERM) == 0
    assert daemon.logged[0] == f"lowhalf: pages at http://127.0.0.1:{port}/"


@pytest.mark.parametrize("command", ["demo", "run"])
def test_a_port_that_is_named_and_in_use_is_an_error(command: str, tmp_path: Path) -> None:
    """Another is not taken in silence: whoever names a port looks for the pages there."""
    holder, port = taken_port()
    words = [command] if command == "demo" else [command, str(files.write(tmp_path))]
    with holder:
        done = lowhalf(*words, "--quiet", "--listen", f"127.0.0.1:{port}")
    assert done.returncode == 2
    assert done.stderr.splitlines()[-1] == (
        f"lowhalf: overlay: cannot listen on 127.0.0.1 port {port}: the port is in use, perhaps "
        "by another lowhalf; stop what uses it, or name another with --listen (port 0 takes a "
        "free one)"
    )


def test_the_port_of_a_bridge_file_is_not_exchanged_for_another(tmp_path: Path) -> None:
    holder, port = taken_port()
    path = files.write(tmp_path, bridge=files.BRIDGE + OVERLAY.replace("PORT", str(port)))
    with holder:
        done = lowhalf("run", str(path), "--quiet")
    assert done.returncode == 2
    assert f"cannot listen on 127.0.0.1 port {port}: the port is in use" in done.stderr


@pytest.mark.parametrize("tables", ["", OVERLAY.replace("PORT", "7365")])
@pytest.mark.posix("a signal ends the daemon")
def test_listen_is_where_run_serves_whatever_the_file_says(tables: str, tmp_path: Path) -> None:
    path = files.write(tmp_path, bridge=files.BRIDGE + tables)
    with Running("run", str(path), "--quiet", "--listen", "127.0.0.1:0") as daemon:
        url = daemon.url()
        with urllib.request.urlopen(url, timeout=20) as answer:
            assert answer.status == 200
        assert daemon.stop(signal.SIGTERM) == 0
    assert not url.endswith(":7365/")


def test_an_address_that_is_none(tmp_path: Path) -> None:
    done = lowhalf("run", str(files.write(tmp_path)), "--quiet", "--listen", "7365")
    assert done.returncode == 2
    assert done.stderr == (
        "lowhalf: overlay: listen: expected a host and a port such as 127.0.0.1:7365, found "
        '"7365"\n'
    )


def test_an_address_of_no_interface_here(tmp_path: Path) -> None:
    """192.0.2.0/24 is for documentation (RFC 5737), so no interface has it."""
    with Running(
        *("run", str(files.write(tmp_path)), "--quiet", "--listen", "192.0.2.1:7365"),
        environment={"LOWHALF_OVERLAY_TOKEN": "a-token-of-24-characters"},
    ) as daemon:
        assert daemon.process.wait(30) == 2
    assert daemon.logged[-1] == (
        "lowhalf: overlay: cannot listen on 192.0.2.1 port 7365: cannot assign requested address; "
        "give --listen an address of this machine"
    )
