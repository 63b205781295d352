"""Lets links out of docs/ work on the site as they do in the repository (a hook of mkdocs).

Pages are written to be read where they lie: ``../README.md`` or ``../examples/…`` are links like any
other. On the site such a file lies below ``repository/``: README, DEVELOPERS and CHANGELOG as pages,
anything else as it is. A link to a folder leads to the README in it. Only files that a page links to
are taken along, and one that is not there stays a broken link, which fails the build.
"""

import posixpath
import re
from pathlib import Path

from mkdocs.structure.files import File, InclusionLevel

REPOSITORY = Path(__file__).resolve().parents[1]
#: Pages of the repository's top level that stand in the navigation.
PAGES = ("README.md", "DEVELOPERS.md", "CHANGELOG.md")
#: Folders without a README of their own: the page that tells what is in them.
FOLDERS = {"schemas": "docs/reference/schemas.md"}
BELOW = "repository"
#: A Markdown link to a place of this repository; what has a scheme, or is an anchor alone, is none.
LINK = re.compile(r"(?<=\]\()(?![a-z][a-z0-9+.-]*:|#|/)([^)#\s]+)(#[^)\s]*)?(?=\))")


def on_files(files, config):
    """Add the pages of the top level, and every file that a page links to outside of docs/."""
    for name in PAGES:
        files.append(_file(config, name, InclusionLevel.INCLUDED))
    sources = [REPOSITORY / name for name in PAGES]
    sources += [Path(each.abs_src_path) for each in files.documentation_pages()]
    wanted = {found for each in sources for found in _outside(each)}
    while wanted:
        name = wanted.pop()
        if files.get_file_from_path(f"{BELOW}/{name}") is None:
            files.append(_file(config, name, InclusionLevel.NOT_IN_NAV))
            if name.endswith(".md"):
                wanted |= _outside(REPOSITORY / name)
    return files


def on_page_markdown(markdown, page, config, files):  # noqa: ARG001 - mkdocs gives all of them by name
    """Turn links between docs/ and the rest of the repository into links of the site."""
    here = _in_repository(page.file.src_uri)

    def on_site(found):
        target = _target(here, found[1])
        if target is None:
            return found[0]
        to = target.removeprefix("docs/") if target.startswith("docs/") else f"{BELOW}/{target}"
        away = posixpath.relpath(to, posixpath.dirname(page.file.src_uri) or ".")
        return away + (found[2] or "")

    return LINK.sub(on_site, markdown)


def _file(config, name, inclusion):
    return File.generated(
        config, f"{BELOW}/{name}", abs_src_path=str(REPOSITORY / name), inclusion=inclusion
    )


def _in_repository(uri):
    """Give the place in the repository of a source of the site."""
    return uri.removeprefix(f"{BELOW}/") if uri.startswith(f"{BELOW}/") else f"docs/{uri}"


def _outside(path):
    """Give the files outside of docs/ that a page links to."""
    here = path.relative_to(REPOSITORY).as_posix()
    links = {_target(here, found[1]) for found in LINK.finditer(path.read_text("utf-8"))}
    return {each for each in links if each is not None and not each.startswith("docs/")}


def _target(here, link):
    """Give the file that a link of the page ``here`` leads to; None where there is none."""
    name = posixpath.normpath(posixpath.join(posixpath.dirname(here), link))
    path = REPOSITORY / name
    if name in FOLDERS:
        return FOLDERS[name]
    if path.is_dir():
        path, name = path / "README.md", f"{name}/README.md"
    return name if path.is_file() and not name.startswith("..") else None
