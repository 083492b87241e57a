"""``lowhalf overlay-boot``: the local page that is there before the daemon is."""

from __future__ import annotations

import os
import socket
import stat
from pathlib import Path

import pytest

from adapters.commands.overlay_boot import boot_page
from schemas.errors import OutputError
from schemas.output_settings import OverlayOutput
from tests.adapters.browser import new_page
from tests.adapters.desk_daemon import serving
from tests.commands import files
from tests.commands.command import lowhalf

VALUE = "document.querySelector('[data-watch=low_x] .value')?.textContent"
LINK = "document.body?.dataset.link"


def overlay(port: int) -> str:
    return f'{files.BRIDGE}[outputs.overlay]\nlisten = "127.0.0.1:{port}"\n'


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return int(listener.getsockname()[1])


def test_it_writes_a_page_and_says_what_to_do(tmp_path: Path) -> None:
    bridge = files.write(tmp_path, bridge=overlay(7365))
    page = tmp_path / "overlay.html"
    done = lowhalf("overlay-boot", str(bridge), str(page), "--query", "?watches=low_x&theme=plate")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == f"wrote {page}: give it to the streaming software as a local file\n"
    text = page.read_text("utf-8")
    assert 'http://127.0.0.1:7365/overlay?watches=low_x\\u0026theme=plate"' in text
    assert "waiting for lowhalf at 127.0.0.1:7365" in text
    assert "{{" not in text
    again = lowhalf("overlay-boot", str(bridge), str(page))
    assert again.returncode == 2
    assert again.stderr == f"lowhalf: {page}: is there already; --force replaces it\n"
    assert lowhalf("overlay-boot", str(bridge), str(page), "--force").returncode == 0
    assert "watches=" not in page.read_text("utf-8")


def test_without_a_file_it_is_printed(tmp_path: Path) -> None:
    done = lowhalf("overlay-boot", str(files.write(tmp_path, bridge=overlay(7365))))
    assert done.stdout.startswith("<!doctype html>\n")
    assert done.stdout.endswith("</html>\n")


def test_without_an_overlay_there_is_nothing_to_wait_for(tmp_path: Path) -> None:
    bridge = files.write(tmp_path)
    done = lowhalf("overlay-boot", str(bridge))
    assert done.returncode == 2
    assert done.stderr == (
        f"lowhalf: {bridge}: has no [outputs.overlay], so that there is no page to wait for: add "
        "it\n"
    )


def test_a_port_that_changes_cannot_be_waited_for() -> None:
    with pytest.raises(OutputError) as refused:
        boot_page(OverlayOutput(listen="127.0.0.1:0"))
    assert str(refused.value) == (
        "overlay: listen: port 0 takes another port each time, which a page that waits cannot "
        "know: name a port"
    )


def test_a_query_cannot_leave_its_string() -> None:
    page = boot_page(OverlayOutput(), '"</script><script>alert(1)</script>')
    assert "</script><script>" not in page
    assert page.count("</script>") == 1


def test_with_a_token_the_file_is_for_its_owner_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LOWHALF_OVERLAY_TOKEN", "a-lamp-in-the-fog")
    bridge = files.write(tmp_path, bridge=overlay(7365).replace("127.0.0.1", "192.0.2.1"))
    page = tmp_path / "overlay.html"
    done = lowhalf("overlay-boot", str(bridge), str(page))
    assert done.stdout.endswith(
        "the file holds the token of LOWHALF_OVERLAY_TOKEN: keep it to yourself\n"
    )
    text = page.read_text("utf-8")
    assert 'http://192.0.2.1:7365/overlay?token=a-lamp-in-the-fog"' in text
    assert "192.0.2.1:7365/here.svg" in text
    if os.name == "posix":
        assert stat.S_IMODE(page.stat().st_mode) == 0o600


@pytest.mark.needs("chromium", "chromium")
async def test_opened_before_the_daemon_it_shows_the_value_and_goes_on_for_ever(
    browser: str, tmp_path: Path
) -> None:
    bridge = files.write(tmp_path, bridge=overlay(free_port()))
    boot = tmp_path / "overlay.html"
    assert (
        lowhalf("overlay-boot", str(bridge), str(boot), "--query", "watches=low_x").returncode == 0
    )
    async with new_page(browser) as page:
        await page.open(boot.as_uri())
        words = "document.querySelector('p')?.textContent.startsWith('waiting for lowhalf at ')"
        await page.wait_for(words)
        asked = "performance.getEntriesByType('resource').length"
        await page.wait_for(f"{asked} > 1")  # it asks more than once
        assert await page.evaluate("location.protocol") == "file:"
        for _ in range(2):
            async with serving(bridge):
                await page.wait_for(VALUE, "0xF3B6")
                await page.wait_for(LINK, "live")
                assert await page.evaluate("location.pathname + location.search") == (
                    "/overlay?watches=low_x"
                )
            await page.wait_for(LINK, "lost")
        # And from the local page again, as when the scene is shown anew.
        await page.open(boot.as_uri())
        await page.wait_for(words)
        async with serving(bridge):
            await page.wait_for(VALUE, "0xF3B6")
        refused = "ERR_CONNECTION_REFUSED"
        assert [fault for fault in page.faults if refused not in fault] == []
