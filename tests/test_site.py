"""The built site: no warnings, whole links, nothing from outside, and in the wheel."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import zipfile
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

import pytest

from adapters.manual import pages as manual_pages
from adapters.planning.compiled_engine import CORE
from schemas.errors import OutputError
from tests.adapters.accessibility import serious_violations
from tests.adapters.browser import chromium, new_page
from tests.manual import DOCS, ROOT

LOADS = {"src", "href", "srcset", "poster", "data", "action", "formaction", "xlink:href"}
LEFT_OUT = (".*", "build", "*.egg-info", "__pycache__", "tests")


class References(HTMLParser):
    """What a page refers to, and the places in it that others can refer to."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[str] = []
        self.places: set[str] = set()
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            if name in LOADS and value is not None:
                self.found.append(value)
            if name == "id" and value:
                self.places.add(value)


pytestmark = pytest.mark.posix("the pages and the wheel are made where lowhalf is developed")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built as pip builds it, from a copy of what a clone holds."""
    folder = tmp_path_factory.mktemp("wheel")
    clone = folder / "clone"
    shutil.copytree(ROOT, clone, ignore=shutil.ignore_patterns(*LEFT_OUT))
    words = [*(sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "--no-build-isolation")]
    words += ["--disable-pip-version-check", "-w", str(folder), str(clone)]
    done = subprocess.run(
        words,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
        env={**os.environ, "SPHINXOPTS": "-W --keep-going"},
    )
    assert done.returncode == 0, done.stderr
    (built,) = folder.glob("*.whl")
    return built


@pytest.fixture(scope="module")
def unpacked(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("unpacked")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder)
    return folder


@pytest.fixture(scope="module")
def site(unpacked: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The pages, built without a warning: a wheel carries none where there was one."""
    carried = unpacked / "adapters" / "manual" / "site"
    if not carried.exists():
        words = [sys.executable, "-m", "sphinx", "-q", "-W", "--keep-going", "-E", str(DOCS)]
        words.append(str(tmp_path_factory.mktemp("site")))
        done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=300)
        pytest.fail(f"the wheel carries no pages: {done.stderr or 'they can be built here'}")
    return carried


@pytest.fixture(scope="module")
def read(site: Path) -> dict[Path, References]:
    return {file: References(file.read_text("utf-8")) for file in sorted(site.rglob("*.html"))}


def test_every_page_is_built(read: dict[Path, References], site: Path) -> None:
    sources = {file.relative_to(DOCS).with_suffix("") for file in DOCS.rglob("*.md")}
    assert len(sources) > 30
    assert sources <= {file.relative_to(site).with_suffix("") for file in read}


def test_pages_refer_to_nothing_outside(read: dict[Path, References]) -> None:
    for file, page in read.items():
        for reference in page.found:
            parts = urlsplit(reference)
            assert parts.scheme in ("", "data"), f"{file.name}: {reference}"
            assert not parts.netloc, f"{file.name}: {reference}"


def test_style_sheets_and_scripts_refer_to_nothing_outside(site: Path) -> None:
    sheets = sorted(site.rglob("*.css"))
    assert sheets
    for file in sheets:
        text = file.read_text("utf-8")
        for reference in re.findall(r"""(?:url\(|@import)\s*["']?([^"')]*)""", text):
            assert not re.match(r"(?:https?:)?//", reference), f"{file.name}: {reference}"
    for file in sorted(site.rglob("*.js")):
        code = re.sub(r"/\*.*?\*/|^\s*//.*?$", "", file.read_text("utf-8"), flags=re.S | re.M)
        if file.name != "searchindex.js":  # the words of the pages themselves
            found = set(re.findall(r"""["'`](https?://[^"'`]*)""", code))
            assert found <= {"http://www.w3.org/2000/svg"}, file.name  # the name of a namespace


def test_links_lead_to_pages_and_places_that_are_there(read: dict[Path, References]) -> None:
    for file, page in read.items():
        for reference in page.found:
            parts = urlsplit(reference)
            if parts.scheme:
                continue
            other = (file.parent / unquote(parts.path)).resolve() if parts.path else file
            assert other.is_file(), f"{file.name}: {reference}"
            if parts.fragment and other in read:
                assert unquote(parts.fragment) in read[other].places, f"{file.name}: {reference}"


def test_the_search_needs_no_server(site: Path) -> None:
    """Its index is a script, which a page of a local file may load, where it may fetch nothing."""
    index = (site / "searchindex.js").read_text("utf-8")
    assert index.startswith("Search.setIndex(")
    assert "searchindex.js" in (site / "search.html").read_text("utf-8")
    # the words of a part that comes from the code are in it
    assert "flat_dist" in index


@pytest.mark.needs("chromium", "chromium")
def test_the_search_finds_a_function_in_a_local_file(site: Path, tmp_path: Path) -> None:
    words = ["chromium", "--headless", "--no-sandbox", "--disable-gpu"]
    words += [f"--user-data-dir={tmp_path}", "--virtual-time-budget=10000", "--dump-dom"]
    address = f"{(site / 'search.html').as_uri()}?q=flat_distance"
    done = subprocess.run(
        [*words, address], capture_output=True, text=True, check=True, timeout=120
    )
    found = re.findall(r'href="([^"?#]*)[^"]*">Functions<', done.stdout)
    assert found == ["reference/functions.html"]


@pytest.mark.needs("chromium", "chromium")
async def test_pages_are_accessible_in_both_themes(site: Path, tmp_path: Path) -> None:
    """By axe-core, which is not ours."""
    with chromium(tmp_path) as address:
        async with new_page(address, 1280, 900, still=False) as page:
            for name in ("index", "explanation/halves-and-carries", "explanation/stale-pointers"):
                await page.open((site / f"{name}.html").as_uri())
                await page.wait_for("document.readyState", "complete")
                for theme in ("light", "dark"):
                    await page.evaluate(f"document.body.dataset.theme = '{theme}'")
                    await page.wait_for("document.body.dataset.theme", theme)
                    assert await serious_violations(page) == [], f"{name}, {theme}"


@pytest.mark.needs("chromium", "chromium")
async def test_no_page_is_wider_than_its_window(site: Path, tmp_path: Path) -> None:
    """Also where the list of pages stands beside it; what is wide scrolls in a frame of its own."""
    wider = []
    with chromium(tmp_path) as address:
        async with new_page(address, 1280, 900, still=False) as page:
            for name in ("index", "how-to/choose-a-source", "reference/commands"):
                await page.open((site / f"{name}.html").as_uri())
                await page.wait_for("document.readyState", "complete")
                for width in (360, 700, 1000, 1010, 1100, 1210, 1300, 1600):
                    await page.resize(width, 900)
                    await page.wait_for("window.innerWidth", width)
                    widths = "[document.documentElement.scrollWidth, window.innerWidth]"
                    found, there = await page.evaluate(widths)
                    if found > there:
                        wider.append((name, width, found))
    assert wider == []


# in an installation


def test_the_wheel_carries_the_site_and_lowhalf_docs_finds_it(site: Path, unpacked: Path) -> None:
    assert (site / "reference" / "functions.html").is_file()
    assert not list(site.rglob("*.doctree"))
    # no environment of lowhalf's own: what is imported is what was unpacked
    environment = {**os.environ, "PYTHONPATH": str(unpacked)}
    words = [sys.executable, "-m", "adapters.commands", "docs", "--path"]
    done = subprocess.run(
        words, capture_output=True, text=True, check=False, env=environment, cwd=unpacked
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == f"{site / 'index.html'}\n"


def test_the_wheel_carries_the_planners_core(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        assert archive.read("adapters/planning/engine.wasm") == CORE.read_bytes()


def test_only_a_wheel_needs_what_builds_the_pages() -> None:
    code = (
        "import build_backend as b; e = b.get_requires_for_build_editable(); "
        "w = b.get_requires_for_build_wheel(); "
        "print([r for r in e if 'setuptools' not in r], any('sphinx' in r for r in w))"
    )
    words = [sys.executable, "-c", code]
    environment = {**os.environ, "PYTHONPATH": str(DOCS)}
    done = subprocess.run(
        words, capture_output=True, text=True, check=True, env=environment, cwd=ROOT
    )
    assert done.stdout.splitlines()[-1] == "[] True"


def test_an_installation_without_pages_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(OutputError) as fault:
        manual_pages.front_page(tmp_path / "site", tmp_path)
    assert str(fault.value) == (
        "manual: this installation carries no pages; install lowhalf again, or in a checkout: "
        'pip install -e ".[docs]"'
    )


def test_a_checkout_builds_its_pages_once_and_again_when_they_change(tmp_path: Path) -> None:
    docs = tmp_path / "docs"
    docs.mkdir()
    (docs / "conf.py").write_text('extensions = ["myst_parser"]\n', "utf-8")
    (docs / "index.md").write_text("# First\n", "utf-8")
    page = manual_pages.front_page(tmp_path / "site", tmp_path)
    assert "First" in page.read_text("utf-8")
    built = page.stat().st_mtime_ns
    assert manual_pages.front_page(tmp_path / "site", tmp_path).stat().st_mtime_ns == built
    (docs / "index.md").write_text("# Second\n", "utf-8")
    os.utime(docs / "index.md", ns=(built + 1, built + 1_000_000_000))
    assert "Second" in manual_pages.front_page(tmp_path / "site", tmp_path).read_text("utf-8")


def test_pages_that_cannot_be_built_are_told_of(tmp_path: Path) -> None:
    (tmp_path / "docs").mkdir()
    (tmp_path / "docs" / "conf.py").write_text("1 / 0\n", "utf-8")
    with pytest.raises(OutputError, match="manual: the pages could not be built: "):
        manual_pages.front_page(tmp_path / "site", tmp_path)
