"""``python -P -m capture.cli`` is the same as ``benchtally``."""

from capture.cli.main import main

main()
