"""The manual's pictures: each is there, is told in words, and is as the script makes it."""

from __future__ import annotations

import io
import re
from pathlib import Path

import pytest
from PIL import Image

from tests import make_pictures

ROOT = Path(__file__).parent.parent
NAMED = sorted(
    {
        (words, (file.parent / path).resolve().relative_to(ROOT).as_posix())
        for file in [ROOT / "README.md", *sorted((ROOT / "docs").rglob("*.md"))]
        for words, path in re.findall(r"!\[([^\]]*)\]\(([^)]*\.png)\)", file.read_text("utf-8"))
    }
)


def test_the_manual_shows_what_the_script_makes() -> None:
    made = sorted(f"docs/pictures/{name}" for name in make_pictures.SIZES)
    assert sorted(path for _, path in NAMED) == made
    assert "](docs/pictures/terminal.png)" in (ROOT / "README.md").read_text("utf-8")


@pytest.mark.parametrize(("words", "path"), NAMED, ids=[path for _, path in NAMED])
def test_a_picture_is_there_and_is_told_in_words(words: str, path: str) -> None:
    assert len(words.split()) >= 6, "the alternative text says too little"
    assert [told for told, _ in NAMED].count(words) == 1
    with Image.open(ROOT / path) as picture:
        assert picture.format == "PNG"
        assert picture.size == make_pictures.SIZES[Path(path).name]
        assert len(picture.convert("RGB").getcolors(1 << 24) or ()) > 20  # it is not empty
    assert (ROOT / path).stat().st_size < make_pictures.MAX_BYTES


def test_a_picture_of_another_size_is_not_saved(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(make_pictures, "DOCS", tmp_path)
    with pytest.raises(ValueError, match=r"desk-dark\.png: expected \(1280, 800\), found"):
        make_pictures.save(Image.new("RGB", (1280, 801)), "desk-dark.png")
    assert list(tmp_path.iterdir()) == []
    make_pictures.save(Image.new("RGB", (1280, 800)), "desk-dark.png")
    with Image.open(tmp_path / "desk-dark.png") as saved:
        assert saved.size == (1280, 800)


def test_the_scripts_bridge_file_is_the_demo_with_steps(tmp_path: Path) -> None:
    from bridge.prepared import prepare
    from schemas.loader import load_bridge

    path = make_pictures.write_bridge(tmp_path)
    bridge = load_bridge(path)
    assert prepare(bridge)
    assert len(bridge.file.steps) == 4
    assert bridge.file.outputs.overlay is not None
    assert bridge.file.outputs.overlay.listen == "127.0.0.1:0"
    bridge.attempts_path.write_bytes(b"kept")
    alone = load_bridge(make_pictures.without_pages(path))
    assert alone.file.outputs.overlay is None
    # each goes on from the same attempts by itself
    assert alone.attempts_path != bridge.attempts_path
    assert alone.attempts_path.read_bytes() == b"kept"


def test_the_sheet_of_overlays_has_the_stated_size() -> None:
    panel = io.BytesIO()
    Image.new("RGBA", make_pictures.panel_size(), (0, 0, 0, 0)).save(panel, "PNG")
    sheet = make_pictures.overlay_sheet([panel.getvalue()] * len(make_pictures.PANELS))
    assert sheet.size == make_pictures.SIZES["overlay.png"]
