"""``python -m harness`` is the command ``softwake``."""

from harness.cli.main import main

main()
