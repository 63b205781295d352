"""Writes docs/reference/ from the source: ``python -P tests/bench/reference/write.py docs/reference``.

Each page has a module here with a function `page()`. A test compares what these give with what is
committed, so nothing in docs/reference/ is written by hand.
"""

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import commands_page
import configuration_page
import limits_page
import mqtt_page
import schemas_page

PAGES = {
    "commands.md": commands_page.page,
    "configuration.md": configuration_page.page,
    "limits.md": limits_page.page,
    "mqtt.md": mqtt_page.page,
    "schemas.md": schemas_page.page,
}


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, help="where the pages are written")
    folder = parser.parse_args().folder
    folder.mkdir(parents=True, exist_ok=True)
    for name, page in PAGES.items():
        (folder / name).write_text(page(), "utf-8")
        print(folder / name)


if __name__ == "__main__":
    main()
