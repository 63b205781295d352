"""The site builds without a warning, holds every page, and every link in it leads somewhere."""

import os
import re
import subprocess
import sys
import unicodedata
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

import pytest

REPOSITORY = Path(__file__).resolve().parents[2]
DOCS = REPOSITORY / "docs"
PAGES = sorted(DOCS.rglob("*.md"))


class Read(HTMLParser):
    """One page: what it links to, what it loads, where it can be linked to."""

    def __init__(self, path):
        super().__init__()
        self.links, self.loads, self.anchors = [], [], set()
        self.feed(path.read_text("utf-8"))

    def handle_starttag(self, tag, attributes):
        found = dict(attributes)
        self.anchors |= {found[name] for name in ("id", "name") if found.get(name)}
        if tag == "a" and found.get("href"):
            self.links.append(found["href"])
        elif tag == "link" and found.get("rel") != "canonical":
            self.loads.append(found["href"])
        elif found.get("src"):
            self.loads.append(found["src"])


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    """The site as it was built; a warning fails it."""
    folder = tmp_path_factory.mktemp("site")
    done = subprocess.run(
        [
            sys.executable,
            "-P",
            "-m",
            "mkdocs",
            "build",
            "--strict",
            "--quiet",
            "--site-dir",
            folder,
        ],
        cwd=REPOSITORY,
        env={**os.environ, "PYTHONWARNINGS": "default", "NO_MKDOCS_2_WARNING": "1"},
        capture_output=True,
        text=True,
        check=False,
        timeout=100,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    return {path: Read(path) for path in sorted(folder.rglob("*.html"))}, folder


def test_every_page_is_on_the_site_and_in_its_navigation(site):
    pages, folder = site
    home = pages[folder / "index.html"]
    linked = {urlsplit(each).path for each in home.links}
    for path in PAGES:
        built = path.relative_to(DOCS).with_suffix(".html")
        assert (folder / built) in pages
        assert built.as_posix() in linked or built.name == "index.html", (
            f"{path.name} is in no menu"
        )


def test_every_link_and_anchor_leads_somewhere(site):
    pages, folder = site
    broken = []
    for path, page in pages.items():
        for link in page.links:
            parts = urlsplit(link)
            if parts.scheme or parts.netloc or path.name == "404.html":
                continue
            target = (path.parent / unquote(parts.path)).resolve() if parts.path else path
            if not target.is_file():
                broken.append((path.name, link, "no such file"))
                continue
            known = pages[target].anchors if target in pages else {parts.fragment}
            if parts.fragment and unquote(parts.fragment) not in known:
                broken.append((path.name, link, "no such anchor"))
    assert broken == []
    assert sum(len(page.links) for page in pages.values()) > 100
    assert folder.is_dir()


def test_nothing_is_fetched_from_a_network(site):
    pages, _ = site
    loaded = {urlsplit(each).netloc for page in pages.values() for each in page.loads}
    assert loaded == {""}


# ── the same pages, read in the repository ───────────────────────────────────────────────────────

_LINK = re.compile(r"\]\(([^)\s]+)\)")


def without_code(text):
    return re.sub(r"```.*?```|`[^`\n]*`", "", text, flags=re.DOTALL)


def slug(heading):
    """Make the anchor of a heading as forges do: words and dashes, nothing joined."""
    text = unicodedata.normalize("NFC", re.sub(r"[`*]|\]\([^)]*\)", "", heading)).strip().lower()
    return re.sub(r"[^\w\- ]", "", text).replace(" ", "-")


def anchors(path):
    text = re.sub(r"```.*?```", "", path.read_text("utf-8"), flags=re.DOTALL)
    return {slug(found) for found in re.findall(r"^#+ (.*)$", text, re.MULTILINE)}


@pytest.mark.parametrize(
    "page",
    [*PAGES, *(REPOSITORY / name for name in ("README.md", "DEVELOPERS.md", "CHANGELOG.md"))],
    ids=lambda path: path.name,
)
def test_links_work_where_the_page_lies(page):
    for link in _LINK.findall(without_code(page.read_text("utf-8"))):
        parts = urlsplit(link)
        if parts.scheme:
            continue
        target = (page.parent / parts.path).resolve() if parts.path else page
        assert target.exists(), link
        if parts.fragment:
            assert parts.fragment in anchors(target), link
