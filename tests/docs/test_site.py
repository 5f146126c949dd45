"""The documentation as a site: no broken link, nothing asked for from elsewhere."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.chromium import chromium
from tests.docs.blocks import ROOT

KINDS = ("First hour", "How to", "Reference", "Why")


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("site")
    built = subprocess.run(
        # -W: a broken link, a missing picture, a page in no list: each is an error.
        [sys.executable, "-m", "sphinx", "-q", "-W", "--keep-going", "-n", "docs", str(folder)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert built.returncode == 0, built.stderr
    return folder


def test_every_document_is_a_page_in_one_of_the_four_kinds(site: Path) -> None:
    index = (site / "index.html").read_text(encoding="utf-8")
    for path in (ROOT / "docs").glob("*.md"):
        assert (site / f"{path.stem}.html").is_file()
        assert path.stem == "index" or f'href="{path.stem}.html"' in index, path.name
    assert [index.index(f">{kind}<") for kind in KINDS] == sorted(
        index.index(f">{kind}<") for kind in KINDS
    )


def test_links_of_the_documents_at_the_top_are_there() -> None:
    for name in ("README.md", "DEVELOPERS.md"):
        text = (ROOT / name).read_text(encoding="utf-8")
        links = re.findall(r"\]\(([^)#]+)(#[^)]*)?\)", text) + re.findall(r'src="([^"]+)"()', text)
        assert len(links) >= 3
        for target, anchor in links:
            assert (ROOT / target).exists(), f"{name}: {target}"
            if anchor:
                heads = re.findall(r"^#+ (.*)", (ROOT / target).read_text(encoding="utf-8"), re.M)
                slugs = {re.sub(r"[^\w -]", "", head.lower()).replace(" ", "-") for head in heads}
                assert anchor[1:] in slugs, f"{name}: {target}{anchor}"


def test_no_page_names_an_outside_address_to_load(site: Path) -> None:
    loads = re.compile(r"<(?:script|link|img|iframe|source|video|audio|object|embed)\b[^>]*>", re.I)
    pages = list(site.rglob("*.html"))
    assert len(pages) > 15
    for page in pages:
        for tag in loads.findall(page.read_text(encoding="utf-8")):
            assert not re.search(r"""(src|href|data)=["']?(https?:)?//""", tag), (
                f"{page.name}: {tag}"
            )
    for sheet in site.rglob("*.css"):
        text = sheet.read_text(encoding="utf-8")
        assert not re.search(r"(url\(|@import)\s*[\"']?(https?:)?//", text), sheet.name


@pytest.mark.browser
async def test_a_browser_asks_for_nothing_from_elsewhere(site: Path) -> None:
    async with chromium() as browser:
        page = await browser.new_page()
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        for name in ("index", "first-hour", "geometry", "schema", "search"):
            await page.goto((site / f"{name}.html").as_uri())
        assert len(asked) >= 10
        assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
