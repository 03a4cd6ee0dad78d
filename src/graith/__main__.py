"""``python -m graith`` is the ``graith`` command."""

from graith.cli.main import main

main()
