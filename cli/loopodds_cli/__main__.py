"""``python -m loopodds_cli`` is ``loopodds``."""

from loopodds_cli.main import main

main(prog_name="loopodds")
